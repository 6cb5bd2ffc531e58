"""Voltages and currents of a circuit in one state, and what drivers at its ports make of them.

The signs, and what floats, are described in `sim.wiring.solver`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from sim.wiring.errors import CircuitError, unknown_name
from sim.wiring.layout import Tap
from sim.wiring.oneway import OneWay, Regulator
from sim.wiring.ports import Ports
from sim.wiring.solved import SolvedCircuit


class Solution:
    """Voltages, currents and powers of a circuit in one state. Not changed by later switching."""

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

    def same_island(self, a: str, b: str) -> bool:
        """Whether closed elements join two nodes."""
        solved = self._solved
        return bool(solved.group[solved.number(a)] == solved.group[solved.number(b)])

    # Currents

    def current(self, id: str) -> float:
        """Current in A; see the signs in the module's description. 0 where the element is open."""
        layout = self._layout
        if id in layout.branch:
            a_to_b = float(self._solved.branch_a[layout.branch[id]])
            return -a_to_b if layout.kind[id] == "source" else a_to_b
        tap, a_to_b = self._oneway_current(id)
        return -a_to_b if isinstance(tap.oneway, Regulator) else a_to_b

    def currents(self, ids: Sequence[str]) -> list[float]:
        """`current` of several elements, in their order."""
        layout, amp = self._layout, self._solved.branch_a.tolist()
        plain = ("resistor", "current source")
        return [amp[layout.branch[id]] if layout.kind.get(id) in plain else self.current(id) for id in ids]

    def power(self, id: str) -> float:
        """Power in W that the element takes up; negative where it delivers."""
        layout = self._layout
        if id in layout.branch:
            k = layout.branch[id]
            a, b, a_to_b = layout.a[k], layout.b[k], float(self._solved.branch_a[k])
        else:
            tap, a_to_b = self._oneway_current(id)
            a, b = tap.a, tap.b
        return 0.0 if a_to_b == 0.0 else float(self._solved.node_v[a] - self._solved.node_v[b]) * a_to_b

    def _oneway_current(self, id: str) -> tuple[Tap, float]:
        layout = self._layout
        if id not in layout.tap:
            raise CircuitError(unknown_name("element", id, layout.kind))
        for tap, a_to_b in zip(self._solved.taps, self._solved.tap_a, strict=True):
            if tap.name == id:
                return tap, float(a_to_b)
        return layout.taps[layout.tap[id]], 0.0

    def kirchhoff_error_a(self) -> float:
        """Largest sum of currents in A that any node is left with: 0 but for rounding."""
        left_a = self._layout.gather @ self._solved.branch_a
        for tap, a_to_b in zip(self._solved.taps, self._solved.tap_a, strict=True):
            left_a[tap.a] += a_to_b
            left_a[tap.b] -= a_to_b
        return float(np.max(np.abs(left_a)))

    def ports(self, pairs: Iterable[tuple[str, str]]) -> Ports:
        """The circuit seen from pairs of nodes, all from one factorization."""
        return Ports(self._solved, tuple(pairs))


class Driven(Solution):
    """A solution with drivers switched on.

    port_voltage_v: voltage of every port, None across two islands.
    leg_current_a: current of every driver from the port's first node through it to the second, in the
    order given to `drive`.
    """

    def __init__(self, ports: Ports, legs: Iterable[tuple[int, OneWay]]) -> None:
        solved = ports.driven(list(legs))
        super().__init__(solved)
        self.port_voltage_v = tuple(solved.between(a, b) for a, b in ports.numbers)
        self.leg_current_a = tuple(float(a_to_b) for a_to_b in solved.tap_a[len(ports.solved.taps) :])


def drive(ports: Ports, legs: Iterable[tuple[int, OneWay]]) -> Driven:
    """Switch drivers on: pairs of a port's number and what is put there. Several may act at once.

    The circuit's own one-way elements are solved along. Raises NotConverged, which names the element.
    """
    return Driven(ports, legs)
