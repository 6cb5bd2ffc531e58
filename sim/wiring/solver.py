"""Modified nodal analysis: voltage anywhere and current anywhere in a network of nodes and elements.

    circuit = Circuit(reference="ground")
    circuit.source("battery", "B+", "ground", volt=12.6, ohm=0.005)
    circuit.resistor("fuse", "B+", "fed", ohm=0.0077)
    circuit.resistor("lamp", "fed", "ground", ohm=2.9)
    solution = circuit.solve()
    solution.voltage("fed")            # V against the reference, None where the node floats
    solution.current("lamp")           # A from the first node through the element to the second
    circuit.open("fuse")               # and circuit.close(id), set_ohm, set_volt, set_amp
    circuit.solve().voltage("fed")     # a new Solution; the old one keeps its values

Building: `resistor`, `source` (a voltage behind a resistance), `current_source`, `leg`, `regulator`,
`node` (a pin with nothing on it), `remove`.  Reading: `Solution.voltage`, `voltage_between`, `floating`,
`same_island`, `current`, `power`, `kirchhoff_error_a`.

Drivers of a bus: one factorisation serves them all.

    ports = solution.ports([("CANH", "ground"), ("CANL", "ground")])
    ports.voltage_v, ports.impedance_ohm           # Thevenin voltages (n,) and port impedances (n, n)
    driven = drive(ports, [(0, Leg(supply_v=5.0)), (1, Leg())])
    driven.port_voltage_v[0] - driven.port_voltage_v[1]
    driven.voltage("CANH")             # a Driven is a Solution: every node, every element

Signs: `current` of a resistor, current source or leg flows from the first node through the element to the
second; of a source or regulator, out of its plus terminal.  `power` is what the element takes up; negative
where it delivers.

Islands: nodes joined by closed elements form an island.  Only the island of the reference has voltages
against the reference; every other one floats: `voltage` is None there, and `voltage_between` works inside
one island and is None across two.  A current source whose ends lie in different islands carries nothing: it
has no way back.  Give it a parallel resistor if it stands for an instrument with a limited voltage.
A one-way element that is switched on joins the islands at its ends, because it leaks (`LEAK_S`).

A contact of zero ohm is refused (`MIN_OHM`): its conductance is infinite, and how current divides between
two of them in parallel has no answer.  A real contact has milliohms, and they are what a voltage-drop test
measures.

A change of state is solved by a fresh numeric factorisation in an order found once: about 1 ms at 700 nodes
(tests/benchmarks/test_resolve.py).  A low-rank update of an earlier one takes a tenth of that where it works,
but on a harness it divides by zero for every contact whose opening parts an island (a quarter of them), and
its last bits depend on what was solved before, so that a replay would not be byte-identical.

Not modelled: anything that depends on time (capacitance, inductance), noise, temperature.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from functools import cached_property, lru_cache
from hashlib import blake2b
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import splu

from sim.wiring.errors import CircuitError, NotConverged
from sim.wiring.oneway import Array, Bank, Leg, OneWay, Regulator, operating_point, small_signal
from sim.wiring.recent import Recent

__all__ = [
    "Circuit",
    "CircuitError",
    "Driven",
    "Leg",
    "NotConverged",
    "Ports",
    "Regulator",
    "Solution",
    "drive",
]

# A real closed contact is above a milliohm (connectors 1..5 mohm from memory, relay contacts 1.5..2 mohm
# typical in TE relay data sheets); 16 digits still hold a network from 1 uohm to 1 Mohm.
MIN_OHM = 1e-6

# Kept solutions, least recently used dropped first: at 1000 nodes 0.1 MB each. A start, a drive and a
# shut-down of a minibus pass through some hundred states and come back to the last ones only.
CACHE_STATES = 64
CACHE_LAYOUTS = 16

# The matrix is symmetric and diagonally heavy: the diagonal is a safe pivot and keeps the order found once.
SYMMETRIC: dict[str, Any] = {"diag_pivot_thresh": 0.0, "options": {"SymmetricMode": True}}

Kind = Literal["resistor", "source", "current source", "one-way"]
Indices = NDArray[np.intp]
_Ends = tuple[str, Kind, str, str, OneWay | None]


@dataclass(slots=True)
class _Element:
    kind: Kind
    a: str
    b: str
    ohm: float = math.inf
    volt: float = 0.0
    amp: float = 0.0
    oneway: OneWay | None = None
    closed: bool = True


@dataclass(frozen=True, slots=True)
class _Tap:
    """A one-way element that is switched on, between two node numbers."""

    name: str
    a: int
    b: int
    oneway: OneWay


class Circuit:
    """A network whose switches, resistances and sources can change without rebuilding it.

    reference: the node whose voltage is 0.
    Every method that takes a value raises CircuitError if no circuit can have it, and for an unknown name
    with the nearest known one.
    """

    def __init__(self, reference: str = "ground") -> None:
        self._nodes: dict[str, None] = {reference: None}
        self._elements: dict[str, _Element] = {}
        self._layout: _Layout | None = None
        self._state = _State(np.zeros(0), np.zeros(0), np.zeros(0), ())
        self._solutions: Recent[Solution] = Recent(CACHE_STATES)

    # Building

    def node(self, name: str) -> None:
        """Make a node that may stay without elements."""
        if name not in self._nodes:
            self._nodes[name] = None
            self._layout = None

    def resistor(self, id: str, a: str, b: str, ohm: float) -> None:
        """A resistance in ohm (at least MIN_OHM) between nodes a and b."""
        self._add(id, _Element("resistor", a, b, ohm=_checked_ohm(id, ohm)))

    def source(self, id: str, plus: str, minus: str, volt: float, ohm: float) -> None:
        """A voltage in V behind an internal resistance in ohm (at least MIN_OHM)."""
        element = _Element("source", plus, minus, _checked_ohm(id, ohm), _checked(id, "volt", volt))
        self._add(id, element)

    def current_source(self, id: str, a: str, b: str, amp: float) -> None:
        """A current in A from node a through the source to node b."""
        self._add(id, _Element("current source", a, b, amp=_checked(id, "amp", amp)))

    def leg(self, id: str, a: str, b: str, leg: Leg) -> None:
        """A driver leg: low-side from a to b, high-side pulling a up above b."""
        self._add(id, _Element("one-way", a, b, oneway=leg))

    def regulator(self, id: str, plus: str, minus: str, regulator: Regulator) -> None:
        """A current-limited supply that holds `plus` above `minus`."""
        self._add(id, _Element("one-way", plus, minus, oneway=regulator))

    def remove(self, id: str) -> None:
        """Take an element away; its nodes stay."""
        self._element(id)
        del self._elements[id]
        self._layout = None

    def _add(self, id: str, element: _Element) -> None:
        if id in self._elements:
            raise CircuitError(f"the circuit already has an element {id!r}")
        self._elements[id] = element
        for name in (element.a, element.b):
            self._nodes.setdefault(name)
        self._layout = None

    # Switching

    def open(self, id: str) -> None:
        """Switch an element off: it carries nothing."""
        self._element(id).closed = False
        self._changed(id)

    def close(self, id: str) -> None:
        """Switch an element on."""
        self._element(id).closed = True
        self._changed(id)

    def is_closed(self, id: str) -> bool:
        return self._element(id).closed

    def set_ohm(self, id: str, ohm: float) -> None:
        """Change a resistor's resistance or a source's internal one."""
        self._element(id, "resistor", "source").ohm = _checked_ohm(id, ohm)
        self._changed(id)

    def set_volt(self, id: str, volt: float) -> None:
        """Change a source's voltage."""
        self._element(id, "source").volt = _checked(id, "volt", volt)
        self._changed(id)

    def set_amp(self, id: str, amp: float) -> None:
        """Change a current source's current."""
        self._element(id, "current source").amp = _checked(id, "amp", amp)
        self._changed(id)

    def _element(self, id: str, *kinds: Kind) -> _Element:
        element = self._elements.get(id)
        if element is None:
            raise CircuitError(_unknown("element", id, self._elements))
        if kinds and element.kind not in kinds:
            raise CircuitError(f"{id!r} is a {element.kind}; this needs a {' or '.join(kinds)}")
        return element

    def _changed(self, id: str) -> None:
        if self._layout is not None:
            self._state = self._state.with_element(self._layout, id, self._elements[id])

    # Solving

    def solve(self) -> "Solution":
        """The state of every node and element now.  Raises NotConverged."""
        layout = self._compiled()
        state = self._state
        return self._solutions.get(state.key(), lambda: self._solved(layout, state))

    def _compiled(self) -> "_Layout":
        if self._layout is None:
            ends = tuple((id, e.kind, e.a, e.b, e.oneway) for id, e in self._elements.items())
            self._layout = _layout(tuple(self._nodes), ends)
            self._state = _State.of(self._layout, self._elements)
            self._solutions.clear()
        return self._layout

    def _solved(self, layout: "_Layout", state: "_State") -> "Solution":
        factor = _Factor(layout, state.siemens)
        taps = [layout.taps[k] for k, closed in enumerate(state.oneway_closed) if closed]
        return Solution(_Linear(layout, factor, state), taps, factor.columns(_numbers_of(taps)))


class _Layout:
    """What the switches do not change: numbers of nodes and elements, and the matrix pattern in its order."""

    def __init__(self, nodes: list[str], elements: dict[str, _Element]) -> None:
        self.node = {name: k for k, name in enumerate(nodes)}
        self.kind = {id: element.kind for id, element in elements.items()}
        linear = {id: e for id, e in elements.items() if e.oneway is None}
        self.branch = {id: k for k, id in enumerate(linear)}
        self.a = np.array([self.node[e.a] for e in linear.values()], dtype=np.intp)
        self.b = np.array([self.node[e.b] for e in linear.values()], dtype=np.intp)
        self.taps = [
            _Tap(id, self.node[e.a], self.node[e.b], e.oneway)
            for id, e in elements.items()
            if e.oneway is not None
        ]
        self.tap = {tap.name: k for k, tap in enumerate(self.taps)}
        self._numbers: dict[tuple[tuple[str, str], ...], tuple[Indices, Indices]] = {}
        self.incidence = self._incidence()
        self.gather = sparse.csr_array(self.incidence.T)
        self._set_pattern(np.arange(len(nodes)))
        whole = self.matrix(np.ones(len(linear)), np.ones(len(nodes)))
        self._set_pattern(splu(whole, permc_spec="MMD_AT_PLUS_A", **SYMMETRIC).perm_c)

    def number(self, node: str) -> int:
        k = self.node.get(node)
        if k is None:
            raise CircuitError(_unknown("node", node, self.node))
        return k

    def numbers(self, pairs: tuple[tuple[str, str], ...]) -> tuple[Indices, Indices]:
        if pairs not in self._numbers:
            self._numbers[pairs] = _ends([(self.number(a), self.number(b)) for a, b in pairs])
        return self._numbers[pairs]

    def _incidence(self) -> sparse.csr_array:
        branches = np.arange(len(self.a))
        values = np.concatenate([np.ones(len(self.a)), -np.ones(len(self.b))])
        where = (np.concatenate([branches, branches]), np.concatenate([self.a, self.b]))
        return sparse.csr_array((values, where), shape=(len(self.a), len(self.node)))

    def _set_pattern(self, place: Indices) -> None:
        """Lay the matrix out with node k in row and column place[k]; open elements keep their zeros."""
        n, a, b = len(self.node), place[self.a], place[self.b]
        rows = np.concatenate([a, b, a, b, place])
        columns = np.concatenate([a, b, b, a, place])
        cells, self._cell = np.unique(columns * n + rows, return_inverse=True)
        self._rows = (cells % n).astype(np.intc)
        self._starts = np.searchsorted(cells // n, np.arange(n + 1)).astype(np.intc)
        self.place, self.order = place, np.argsort(place)

    def matrix(self, siemens: Array, anchor: Array) -> sparse.csc_array:
        """Conductance matrix in the pattern's order, with `anchor` added on the diagonal."""
        values = np.concatenate([siemens, siemens, -siemens, -siemens, anchor])
        data = np.bincount(self._cell, values, minlength=len(self._rows))
        n = len(self.node)
        return sparse.csc_array((data, self._rows, self._starts), shape=(n, n))


@lru_cache(maxsize=CACHE_LAYOUTS)
def _layout(nodes: tuple[str, ...], ends: tuple[_Ends, ...]) -> _Layout:
    """A car has the same layout in all its conditions, so that an edit need not find the order anew."""
    return _Layout(list(nodes), {id: _Element(kind, a, b, oneway=one) for id, kind, a, b, one in ends})


@dataclass(frozen=True, slots=True)
class _State:
    """Values of the linear elements, each of shape (branches,), and which one-way elements are on."""

    siemens: Array
    volt: Array
    amp: Array
    oneway_closed: tuple[bool, ...]

    @classmethod
    def of(cls, layout: _Layout, elements: dict[str, _Element]) -> "_State":
        linear = [element for id, element in elements.items() if id in layout.branch]
        return cls(
            np.array([1.0 / one.ohm if one.closed else 0.0 for one in linear]),
            np.array([one.volt for one in linear]),
            np.array([one.amp if one.closed else 0.0 for one in linear]),
            tuple(elements[tap.name].closed for tap in layout.taps),
        )

    def with_element(self, layout: _Layout, id: str, element: _Element) -> "_State":
        if id in layout.tap:
            k = layout.tap[id]
            on = self.oneway_closed
            return replace(self, oneway_closed=(*on[:k], element.closed, *on[k + 1 :]))
        k = layout.branch[id]
        return _State(
            _with(self.siemens, k, 1.0 / element.ohm if element.closed else 0.0),
            _with(self.volt, k, element.volt),
            _with(self.amp, k, element.amp if element.closed else 0.0),
            self.oneway_closed,
        )

    def key(self) -> bytes:
        """Short, and the same only for the same state."""
        digest = blake2b(digest_size=32)
        for values in (self.siemens, self.volt, self.amp, np.array(self.oneway_closed)):
            digest.update(values.tobytes())
        return digest.digest()


def _with(values: Array, place: int, value: float) -> Array:
    """The same values but for one; the same array where nothing changes, for states share what they can."""
    if values[place] == value:
        return values
    changed = values.copy()
    changed[place] = value
    return changed


class _Factor:
    """The factorised conductance matrix.

    It is never kept: scipy frees what SuperLU has taken only in the thread that took it, and a front end has
    a new thread for every click.

    The first node of every island is anchored to its own zero through 1 ohm.  What flows into an island
    flows out of it, so the anchor carries nothing and moves nothing; it only makes the matrix regular.
    """

    def __init__(self, layout: _Layout, siemens: Array) -> None:
        n, closed = len(layout.node), siemens > 0
        edges = (np.ones(np.count_nonzero(closed)), (layout.a[closed], layout.b[closed]))
        graph = sparse.csr_array(edges, shape=(n, n))
        self.islands, self.island = connected_components(graph, directed=False)
        _, self._base = np.unique(self.island, return_index=True)
        self._anchor = np.zeros(n)
        self._anchor[self._base] = 1.0
        self._layout, self._siemens = layout, siemens
        matrix = layout.matrix(siemens, self._anchor)
        self._lu = splu(matrix, permc_spec="NATURAL", **SYMMETRIC)

    def joined(self, a: Indices, b: Indices) -> NDArray[np.bool_]:
        """Which pairs of node numbers lie in one island."""
        return np.equal(self.island[a], self.island[b])

    def potentials(self, injected_a: Array) -> Array:
        """Voltages of shape (nodes, columns) against the first node of each island, which takes the rest.

        One step of refinement: the sums on the diagonal have rounded small conductances beside large ones
        away, while currents taken element by element have not.
        """
        node_v = self._solve(injected_a)
        through_a = self._siemens[:, None] * (self._layout.incidence @ node_v)
        left_a = injected_a - self._layout.gather @ through_a - self._anchor[:, None] * node_v
        node_v += self._solve(left_a)
        return node_v - node_v[self._base[self.island]]

    def columns(self, pairs: Sequence[tuple[int, int]]) -> Array:
        """Voltages of shape (nodes, pairs) from 1 A put in at the first and taken out at the second node."""
        injected_a = np.zeros((len(self._layout.node), len(pairs)))
        for k, (a, b) in enumerate(pairs):
            injected_a[a, k] += 1.0
            injected_a[b, k] -= 1.0
        return self.potentials(injected_a) if pairs else injected_a

    def _solve(self, injected_a: Array) -> Array:
        return self._lu.solve(injected_a[self._layout.order])[self._layout.place]


class _Linear:
    """The circuit without its one-way elements, solved."""

    def __init__(self, layout: _Layout, factor: _Factor, state: _State) -> None:
        self.layout = layout
        self._siemens, self._volt = state.siemens, state.volt
        self.islands, self.island = factor.islands, factor.island
        self._source_a = np.where(factor.joined(layout.a, layout.b), state.amp, 0.0)
        injected_a = layout.gather @ (self._siemens * self._volt - self._source_a)
        self.node_v = factor.potentials(injected_a[:, None])[:, 0]

    def columns(self, pairs: Sequence[tuple[int, int]]) -> Array:
        """As `_Factor.columns`, by a factorisation made for this once."""
        return _Factor(self.layout, self._siemens).columns(pairs)

    def branch_a(self, node_v: Array) -> Array:
        """Currents of shape (branches,) from the first through the element to the second node."""
        return self._siemens * (self.layout.incidence @ node_v - self._volt) + self._source_a


class Solution:
    """Voltages, currents and powers of a circuit in one state.  Not changed by later switching."""

    def __init__(self, linear: _Linear, taps: Sequence[_Tap], columns: Array) -> None:
        self._linear, self._taps = linear, tuple(taps)
        self._node = linear.layout.node
        island = linear.island
        joins = [(int(island[tap.a]), int(island[tap.b])) for tap in taps]
        self._group = _joined_islands(linear.islands, joins)[island]
        if taps:
            self._tap_a, self._node_v = self._operate(columns)
        else:
            self._tap_a, self._node_v = np.zeros(0), linear.node_v
        self._branch_a = linear.branch_a(self._node_v)

    def _operate(self, columns: Array) -> tuple[Array, Array]:
        """Currents of the one-way elements, and the voltage of every node with them."""
        begin, end = _ends(_numbers_of(self._taps))
        floating = self._offset_islands()
        ties = self._ties(begin, floating) - self._ties(end, floating)
        tap_a, offset_v = operating_point(
            self._linear.node_v[begin] - self._linear.node_v[end],
            columns[begin] - columns[end],
            ties,
            [tap.oneway for tap in self._taps],
            [tap.name for tap in self._taps],
        )
        everywhere = self._ties(np.arange(len(self._node)), floating)
        return tap_a, self._linear.node_v - columns @ tap_a + everywhere @ offset_v

    def _offset_islands(self) -> Indices:
        """Islands whose potential the one-way elements set: all but the first of each group."""
        island = self._linear.island
        across = [tap for tap in self._taps if island[tap.a] != island[tap.b]]
        tapped = sorted({int(island[node]) for tap in across for node in (tap.a, tap.b)})
        _, first = np.unique(self._group, return_index=True)
        return np.setdiff1d(np.array(tapped, dtype=np.intp), island[first])

    def _ties(self, nodes: Indices, islands: Indices) -> Array:
        return np.equal.outer(self._linear.island[nodes], islands).astype(np.float64)

    # Voltages

    def voltage(self, node: str) -> float | None:
        """Voltage in V against the reference; None where the node floats."""
        k = self._number(node)
        return None if self._group[k] != self._group[0] else float(self._node_v[k])

    def voltage_between(self, a: str, b: str) -> float | None:
        """Voltage in V of node a against node b; None if they lie in different islands."""
        return self._between(self._number(a), self._number(b))

    def voltages_between(self, pairs: tuple[tuple[str, str], ...]) -> list[float | None]:
        """`voltage_between` for many pairs at once; the same pairs are asked for state after state."""
        a, b = self._linear.layout.numbers(pairs)
        apart = self._group[a] != self._group[b]
        volts = (self._node_v[a] - self._node_v[b]).tolist()
        return [None if floats else volt for floats, volt in zip(apart.tolist(), volts, strict=True)]

    def floating(self, node: str) -> bool:
        """Whether nothing joins the node to the reference."""
        return bool(self._group[self._number(node)] != self._group[0])

    def same_island(self, a: str, b: str) -> bool:
        """Whether closed elements join two nodes."""
        return bool(self._group[self._number(a)] == self._group[self._number(b)])

    def _between(self, a: int, b: int) -> float | None:
        return None if self._group[a] != self._group[b] else float(self._node_v[a] - self._node_v[b])

    def _number(self, node: str) -> int:
        return self._linear.layout.number(node)

    # Currents

    def current(self, id: str) -> float:
        """Current in A; see the signs in the module's description.  0 where the element is open."""
        layout = self._linear.layout
        if id in layout.branch:
            a_to_b = float(self._branch_a[layout.branch[id]])
            return -a_to_b if layout.kind[id] == "source" else a_to_b
        tap, a_to_b = self._oneway_current(id)
        return -a_to_b if isinstance(tap.oneway, Regulator) else a_to_b

    def currents(self, ids: Sequence[str]) -> list[float]:
        """`current` of several elements, in their order."""
        layout, amp = self._linear.layout, self._branch_a.tolist()
        plain = ("resistor", "current source")
        return [amp[layout.branch[id]] if layout.kind.get(id) in plain else self.current(id) for id in ids]

    def power(self, id: str) -> float:
        """Power in W that the element takes up; negative where it delivers."""
        layout = self._linear.layout
        if id in layout.branch:
            k = layout.branch[id]
            a, b, a_to_b = layout.a[k], layout.b[k], float(self._branch_a[k])
        else:
            tap, a_to_b = self._oneway_current(id)
            a, b = tap.a, tap.b
        return 0.0 if a_to_b == 0.0 else float(self._node_v[a] - self._node_v[b]) * a_to_b

    def _oneway_current(self, id: str) -> tuple[_Tap, float]:
        layout = self._linear.layout
        if id not in layout.tap:
            raise CircuitError(_unknown("element", id, layout.kind))
        for tap, a_to_b in zip(self._taps, self._tap_a, strict=True):
            if tap.name == id:
                return tap, float(a_to_b)
        return layout.taps[layout.tap[id]], 0.0

    def kirchhoff_error_a(self) -> float:
        """Largest sum of currents in A that any node is left with: 0 but for rounding."""
        left_a = self._linear.layout.gather @ self._branch_a
        for tap, a_to_b in zip(self._taps, self._tap_a, strict=True):
            left_a[tap.a] += a_to_b
            left_a[tap.b] -= a_to_b
        return float(np.max(np.abs(left_a)))

    # Ports

    def ports(self, pairs: Iterable[tuple[str, str]]) -> "Ports":
        """The circuit seen from pairs of nodes, all from this state's one factorisation."""
        names = tuple(pairs)
        numbers = [(self._number(a), self._number(b)) for a, b in names]
        taps = len(self._taps)
        columns = self._linear.columns([*_numbers_of(self._taps), *numbers])
        return Ports(self, names, numbers, columns[:, taps:], columns[:, :taps])

    def _small_signal_ohm(
        self, pairs: Sequence[tuple[int, int]], columns: Array, tap_columns: Array
    ) -> Array:
        """Port impedances of shape (pairs, pairs) around this operating point; see Ports."""
        begin, end = _ends(pairs)
        impedance_ohm = columns[begin] - columns[end]
        if self._taps:
            impedance_ohm = impedance_ohm - self._relief_ohm(begin, end, columns, tap_columns)
        across = self._group[begin] != self._group[end]
        impedance_ohm[across, :] = np.inf
        impedance_ohm[:, across] = np.inf
        return impedance_ohm

    def _relief_ohm(self, begin: Indices, end: Indices, columns: Array, tap_columns: Array) -> Array:
        """What the one-way elements, as the conductances they are at this point, take off the impedances."""
        tap_begin, tap_end = _ends(_numbers_of(self._taps))
        _, slope_s = Bank([tap.oneway for tap in self._taps]).current(
            self._node_v[tap_begin] - self._node_v[tap_end]
        )
        floating = self._offset_islands()
        tap_ties = self._ties(tap_begin, floating) - self._ties(tap_end, floating)
        ties = self._ties(begin, floating) - self._ties(end, floating)
        seen_ohm = columns[tap_begin] - columns[tap_end]
        tap_ohm = tap_columns[tap_begin] - tap_columns[tap_end]
        response = small_signal(slope_s, tap_ohm, tap_ties, seen_ohm, ties)
        n = len(self._taps)
        return seen_ohm.T @ response[:n] - ties @ response[n:]


class Ports:
    """Pairs of nodes (a, b) at which drivers or instruments can be put.

    pairs: the node names.
    voltage_v: open-circuit voltage of a against b per port; None where they lie in different islands.
    impedance_ohm: shape (ports, ports); voltage at one port per ampere put in at a and taken out at b of
    another.  With one-way elements in the circuit, for small changes.  Infinite in the row and column of a
    port across two islands, where no current can pass; `drive` treats such ports exactly.
    """

    def __init__(
        self,
        solution: Solution,
        pairs: tuple[tuple[str, str], ...],
        numbers: list[tuple[int, int]],
        columns: Array,
        tap_columns: Array,
    ) -> None:
        self.solution, self.pairs = solution, pairs
        self.voltage_v = tuple(solution._between(a, b) for a, b in numbers)
        self._numbers, self._columns, self._tap_columns = numbers, columns, tap_columns

    @cached_property
    def impedance_ohm(self) -> Array:
        return self.solution._small_signal_ohm(self._numbers, self._columns, self._tap_columns)

    def _tap(self, port: int, leg: OneWay) -> _Tap:
        if not 0 <= port < len(self.pairs):
            raise CircuitError(f"there is no port {port}: the ports are 0 to {len(self.pairs) - 1}")
        a, b = self._numbers[port]
        return _Tap(f"driver on port {port}, {' to '.join(self.pairs[port])}", a, b, leg)


class Driven(Solution):
    """A solution with drivers switched on.

    port_voltage_v: voltage of every port, None across two islands.
    leg_current_a: current of every driver from the port's first node through it to the second, in the
    order given to `drive`.
    """

    def __init__(self, ports: Ports, legs: Sequence[tuple[int, OneWay]]) -> None:
        at_rest = ports.solution
        taps = [*at_rest._taps, *(ports._tap(port, leg) for port, leg in legs)]
        columns = np.hstack([ports._tap_columns, ports._columns[:, [port for port, _ in legs]]])
        super().__init__(at_rest._linear, taps, columns)
        self.port_voltage_v = tuple(self._between(a, b) for a, b in ports._numbers)
        self.leg_current_a = tuple(float(a_to_b) for a_to_b in self._tap_a[len(at_rest._taps) :])


def drive(ports: Ports, legs: Iterable[tuple[int, OneWay]]) -> Driven:
    """Switch drivers on: pairs of a port's number and what is put there.  Several may act at once.

    The circuit's own one-way elements are solved along.  Raises NotConverged, which names the element.
    """
    return Driven(ports, list(legs))


def _numbers_of(taps: Sequence[_Tap]) -> list[tuple[int, int]]:
    return [(tap.a, tap.b) for tap in taps]


def _ends(pairs: Sequence[tuple[int, int]]) -> tuple[Indices, Indices]:
    both = np.array(pairs, dtype=np.intp).reshape(-1, 2)
    return both[:, 0], both[:, 1]


def _joined_islands(islands: int, pairs: Sequence[tuple[int, int]]) -> Indices:
    """Number of the group of every island when the given pairs of islands are joined."""
    across = [(a, b) for a, b in pairs if a != b]
    if not across:
        return np.arange(islands)
    graph = sparse.csr_array((np.ones(len(across)), _ends(across)), shape=(islands, islands))
    return connected_components(graph, directed=False)[1].astype(np.intp)


def _checked(id: str, name: str, value: float) -> float:
    if not math.isfinite(value):
        raise CircuitError(f"{id}: {name} is {value!r}; it must be a finite number")
    return float(value)


def _checked_ohm(id: str, ohm: float) -> float:
    if not (math.isfinite(ohm) and ohm >= MIN_OHM):
        raise CircuitError(
            f"{id}: ohm is {ohm!r}; it must be a finite number from {MIN_OHM:g} "
            "(a closed contact has milliohms; an open one is switched open)"
        )
    return float(ohm)


def _unknown(what: str, name: str, known: Iterable[str]) -> str:
    near = get_close_matches(name, list(known), n=1)
    return f"there is no {what} {name!r}" + (f"; did you mean {near[0]!r}?" if near else "")
