"""A circuit in one state: solved by number, seen from ports, and read by name.

The signs, and what floats, are described in `sim.wiring.solver`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cached_property

import numpy as np

from sim.wiring.errors import CircuitError, unknown_name
from sim.wiring.layout import Indices, Tap, ends_of, numbers_of
from sim.wiring.linear import LinearSolution, joined_islands
from sim.wiring.oneway import Array, Bank, OneWay, Regulator
from sim.wiring.operating_point import operating_point, small_signal


class SolvedCircuit:
    """A linear circuit with its one-way elements at their operating point.

    linear, taps: what was solved. columns: `LinearSolution.columns` of the taps.
    group: of every node, the islands that one-way elements join. node_v: voltages, shape (nodes,).
    tap_a: currents of the taps. branch_a: currents of the linear elements, from first to second node.
    """

    def __init__(self, linear: LinearSolution, taps: Sequence[Tap], columns: Array) -> None:
        self.linear, self.taps = linear, tuple(taps)
        self.number = linear.layout.number
        island = linear.island
        joins = [(int(island[tap.a]), int(island[tap.b])) for tap in taps]
        self.group = joined_islands(linear.islands, joins)[island]
        self.tap_a, self.node_v = self._operate(columns) if taps else (np.zeros(0), linear.node_v)
        self.branch_a = linear.branch_a(self.node_v)

    def between(self, a: int, b: int) -> float | None:
        """Voltage in V of one node against another; None if they lie in different islands."""
        return None if self.group[a] != self.group[b] else float(self.node_v[a] - self.node_v[b])

    def ties(self, begin: Indices, end: Indices) -> Array:
        """Shape (pairs, floating islands): +1 where a pair begins in an island, -1 where it ends there."""
        return self._inside(begin) - self._inside(end)

    def _operate(self, columns: Array) -> tuple[Array, Array]:
        """Currents of the one-way elements, and the voltage of every node with them."""
        begin, end = ends_of(numbers_of(self.taps))
        tap_a, offset_v = operating_point(
            self.linear.node_v[begin] - self.linear.node_v[end],
            columns[begin] - columns[end],
            self.ties(begin, end),
            [tap.oneway for tap in self.taps],
            [tap.name for tap in self.taps],
        )
        everywhere = self._inside(np.arange(len(self.linear.island)))
        return tap_a, self.linear.node_v - columns @ tap_a + everywhere @ offset_v

    def _inside(self, nodes: Indices) -> Array:
        """1 where a node lies in an island whose potential the one-way elements set."""
        return np.equal.outer(self.linear.island[nodes], self._floating).astype(np.float64)

    @cached_property
    def _floating(self) -> Indices:
        """Islands whose potential the one-way elements set: all but the first of each group."""
        island = self.linear.island
        across = [tap for tap in self.taps if island[tap.a] != island[tap.b]]
        tapped = sorted({int(island[node]) for tap in across for node in (tap.a, tap.b)})
        _, first = np.unique(self.group, return_index=True)
        return np.setdiff1d(np.array(tapped, dtype=np.intp), island[first])


class Ports:
    """Pairs of nodes (a, b) of a solved circuit, all from one factorization.

    pairs: the node names.
    voltage_v: open-circuit voltage of a against b per port; None if they lie in different islands.
    """

    def __init__(self, solved: SolvedCircuit, pairs: tuple[tuple[str, str], ...]) -> None:
        self.solved, self.pairs = solved, pairs
        self.numbers = [(solved.number(a), solved.number(b)) for a, b in pairs]
        self.voltage_v = tuple(solved.between(a, b) for a, b in self.numbers)
        self._tap_columns, self._columns = solved.linear.columns(numbers_of(solved.taps), self.numbers)

    @cached_property
    def impedance_ohm(self) -> Array:
        """Voltage at one port per ampere put in at a and taken out at b of another; shape (ports, ports).

        With one-way elements in the circuit, for small changes. Infinite in the row and column of a port
        across two islands, where no current can pass; `Driven` treats such ports exactly.
        """
        begin, end = ends_of(self.numbers)
        impedance_ohm = self._columns[begin] - self._columns[end]
        if self.solved.taps:
            impedance_ohm = impedance_ohm - self._relief_ohm(begin, end)
        across = self.solved.group[begin] != self.solved.group[end]
        impedance_ohm[across, :] = np.inf
        impedance_ohm[:, across] = np.inf
        return impedance_ohm

    def _relief_ohm(self, begin: Indices, end: Indices) -> Array:
        """What the one-way elements, as the conductances they are at this point, take off the impedances."""
        solved = self.solved
        tap_begin, tap_end = ends_of(numbers_of(solved.taps))
        port_v = solved.node_v[tap_begin] - solved.node_v[tap_end]
        _, slope_s = Bank([tap.oneway for tap in solved.taps]).current(port_v)
        seen_ohm = self._columns[tap_begin] - self._columns[tap_end]
        tap_ohm = self._tap_columns[tap_begin] - self._tap_columns[tap_end]
        ties = solved.ties(begin, end)
        response = small_signal(slope_s, tap_ohm, solved.ties(tap_begin, tap_end), seen_ohm, ties)
        n = len(solved.taps)
        return seen_ohm.T @ response[:n] - ties @ response[n:]

    def driven(self, legs: list[tuple[int, OneWay]]) -> SolvedCircuit:
        """The circuit with one-way elements at its ports, given with the port's number."""
        taps = [*self.solved.taps, *(self._tap(port, leg) for port, leg in legs)]
        columns = np.hstack([self._tap_columns, self._columns[:, [port for port, _ in legs]]])
        return SolvedCircuit(self.solved.linear, taps, columns)

    def _tap(self, port: int, leg: OneWay) -> Tap:
        if not 0 <= port < len(self.pairs):
            raise CircuitError(f"there is no port {port}: the ports are 0 to {len(self.pairs) - 1}")
        a, b = self.numbers[port]
        return Tap(f"driver on port {port}, {' to '.join(self.pairs[port])}", a, b, leg)


class Solution:
    """Voltages and currents of a circuit in one state. Not changed by later switching."""

    def __init__(self, solved: SolvedCircuit) -> None:
        self._solved, self._layout = solved, solved.linear.layout

    # Voltages

    def voltage(self, node: str) -> float | None:
        """Voltage in V against the reference; None where the node floats."""
        return self._solved.between(self._solved.number(node), 0)

    def voltage_between(self, a: str, b: str) -> float | None:
        """Voltage in V of node a against node b; None if they lie in different islands."""
        return self._solved.between(self._solved.number(a), self._solved.number(b))

    def voltages_between(self, pairs: tuple[tuple[str, str], ...]) -> list[float | None]:
        """`voltage_between` for many pairs at once; the same pairs are asked for state after state."""
        group, node_v = self._solved.group, self._solved.node_v
        a, b = self._layout.numbers(pairs)
        apart = group[a] != group[b]
        volts = (node_v[a] - node_v[b]).tolist()
        return [None if floats else volt for floats, volt in zip(apart.tolist(), volts, strict=True)]

    def floating(self, node: str) -> bool:
        """Whether nothing joins the node to the reference."""
        return bool(self._solved.group[self._solved.number(node)] != self._solved.group[0])

    # Currents

    def current(self, id: str) -> float:
        """Current in A; see the signs in the module's description. 0 where the element is open."""
        layout = self._layout
        if id in layout.branch:
            a_to_b = float(self._solved.branch_a[layout.branch[id]])
            return -a_to_b if layout.kind[id] == "source" else a_to_b
        if id not in layout.tap:
            raise CircuitError(unknown_name("element", id, layout.kind))
        amps = zip(self._solved.taps, self._solved.tap_a, strict=True)
        a_to_b = next((float(amp) for tap, amp in amps if tap.name == id), 0.0)
        return -a_to_b if isinstance(layout.taps[layout.tap[id]].oneway, Regulator) else a_to_b

    def currents(self, ids: Sequence[str]) -> list[float]:
        """`current` of several elements, in their order."""
        layout, amp = self._layout, self._solved.branch_a.tolist()
        plain = ("resistor", "current source")
        return [amp[layout.branch[id]] if layout.kind.get(id) in plain else self.current(id) for id in ids]

    def ports(self, pairs: Iterable[tuple[str, str]]) -> Ports:
        """The circuit seen from pairs of nodes, all from one factorization."""
        return Ports(self._solved, tuple(pairs))


class Driven(Solution):
    """A solution with drivers switched on: pairs of a port's number and what is put there.

    port_voltage_v: voltage of every port, None across two islands. leg_current_a: current of every driver
    from the port's first node through it to the second. The circuit's own one-way elements are solved along.
    Raises NotConverged, which names the element.
    """

    def __init__(self, ports: Ports, legs: Iterable[tuple[int, OneWay]]) -> None:
        solved = ports.driven(list(legs))
        super().__init__(solved)
        self.port_voltage_v = tuple(solved.between(a, b) for a, b in ports.numbers)
        self.leg_current_a = tuple(float(a_to_b) for a_to_b in solved.tap_a[len(ports.solved.taps) :])
