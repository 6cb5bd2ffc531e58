"""Modified nodal analysis: voltage anywhere and current anywhere in a network of nodes and elements.

    circuit = Circuit(reference="ground")
    circuit.source("battery", "B+", "ground", volt=12.6, ohm=0.005)
    circuit.resistor("fuse", "B+", "fed", ohm=0.0077)
    circuit.resistor("lamp", "fed", "ground", ohm=2.9)
    solution = circuit.solve()
    solution.voltage("fed")            # V against the reference, None where the node floats
    solution.current("lamp")           # A from the first node through the element to the second
    circuit.open("fuse")               # and circuit.close(id), set_ohm, set_volt
    circuit.solve().voltage("fed")     # a new Solution; the old one keeps its values

Drivers of a bus share one factorization:

    ports = solution.ports([("CANH", "ground"), ("CANL", "ground")])
    ports.voltage_v, ports.impedance_ohm           # Thevenin voltages (n,) and port impedances (n, n)
    driven = Driven(ports, [(0, Leg(supply_v=5.0)), (1, Leg())])
    driven.port_voltage_v[0] - driven.port_voltage_v[1]
    driven.voltage("CANH")             # a Driven is a Solution: every node, every element

Signs: `current` of a resistor, current source or leg flows from the first node through the element to the
second; of a source or regulator, out of its plus terminal.

Islands: nodes joined by closed elements form an island. Only the island of the reference has voltages
against the reference; every other one floats: `voltage` is None there, and `voltage_between` works inside
one island and is None across two. A current source whose ends lie in different islands carries nothing: it
has no return path. Give it a parallel resistor if it models an instrument with a limited voltage.
A one-way element that is switched on joins the islands at its ends, because it leaks (`LEAK_S`).

A contact of zero ohm is refused (`MIN_OHM`): its conductance is infinite, and how current divides between
two of them in parallel has no answer. A real contact has milliohms, and they are what a voltage-drop test
measures.

A change of state is solved by a fresh numeric factorization in an order found once: about 1 ms at 700 nodes
(tests/benchmarks/test_resolve.py). A low-rank update of an earlier one would be faster, but it divides by
zero where a contact parts an island, and its last bits depend on what was solved before.

Not modeled: anything that depends on time (capacitance, inductance), noise, temperature.
"""

from __future__ import annotations

import math
from copy import copy
from dataclasses import replace

import numpy as np

from sim.wiring.errors import CircuitError, require_finite, unknown_name
from sim.wiring.layout import CircuitElement, CircuitLayout, CircuitState, ElementKind, layout_of, numbers_of
from sim.wiring.linear import Factor, LinearSolution
from sim.wiring.oneway import Leg, Regulator
from sim.wiring.recent import Recent
from sim.wiring.solution import Solution, SolvedCircuit

# A real closed contact is above a milliohm (connectors 1..5 mohm from memory, relay contacts 1.5..2 mohm
# typical in TE relay data sheets); 16 digits still hold a network from 1 uohm to 1 Mohm.
MIN_OHM = 1e-6

# Kept for every student's car, least recently used dropped first: at 1000 nodes 0.1 MB each. A start, a drive
# and a shut-down of a minibus pass through some hundred states and come back to the last ones only: with four
# times as many kept, their days took as long.
CACHE_STATES = 16

# A layout and the values in it have one solution, whichever car they are of: cars whose circuits are equal,
# such as one with and one without a theory about software, share what is solved. So many are kept in all.
SOLUTIONS: Recent[Solution] = Recent(8 * CACHE_STATES)


class Circuit:
    """A network whose switches, resistances and sources can change without rebuilding it.

    reference: the node whose voltage is 0.
    Every method that takes a value raises CircuitError if no circuit can have it, and for an unknown name
    with the nearest known one.
    """

    def __init__(self, reference: str = "ground") -> None:
        self._nodes: dict[str, None] = {reference: None}
        self._elements: dict[str, CircuitElement] = {}
        self._layout: CircuitLayout | None = None
        self._state = CircuitState(np.zeros(0), np.zeros(0), np.zeros(0), ())

    def copy(self) -> Circuit:
        """The same circuit; what is switched and changed in it from now on is nothing to this one."""
        other = copy(self)
        vars(other).update(_nodes=dict(self._nodes), _elements=dict(self._elements))
        return other

    # Building

    def node(self, name: str) -> None:
        """Make a node that may stay without elements."""
        if name not in self._nodes:
            self._nodes[name] = None
            self._layout = None

    def resistor(self, id: str, a: str, b: str, ohm: float) -> None:
        """A resistance in ohm (at least MIN_OHM) between nodes a and b."""
        self._add(id, CircuitElement("resistor", a, b, ohm=_checked_ohm(id, ohm)))

    def source(self, id: str, plus: str, minus: str, volt: float, ohm: float) -> None:
        """A voltage in V in series with an internal resistance in ohm (at least MIN_OHM)."""
        require_finite(id, volt=volt)
        self._add(id, CircuitElement("source", plus, minus, _checked_ohm(id, ohm), float(volt)))

    def current_source(self, id: str, a: str, b: str, amp: float) -> None:
        """A current in A from node a through the source to node b."""
        require_finite(id, amp=amp)
        self._add(id, CircuitElement("current source", a, b, amp=float(amp)))

    def leg(self, id: str, a: str, b: str, leg: Leg) -> None:
        """A driver leg: low-side from a to b, high-side pulling a up above b."""
        self._add(id, CircuitElement("one-way", a, b, oneway=leg))

    def regulator(self, id: str, plus: str, minus: str, regulator: Regulator) -> None:
        """A current-limited supply that holds `plus` above `minus`."""
        self._add(id, CircuitElement("one-way", plus, minus, oneway=regulator))

    def put(self, id: str, element: CircuitElement) -> None:
        """Add an element of any kind, or give one of the same kind between the same nodes other values."""
        if element.kind in ("resistor", "source"):
            _checked_ohm(id, element.ohm)
        known = self._elements.get(id)
        if known is None:
            self._add(id, element)
        elif known.ends != element.ends:
            raise CircuitError(f"{id!r} is another element, or elsewhere, in this circuit")
        else:
            self._change(id, element)

    def _add(self, id: str, element: CircuitElement) -> None:
        if id in self._elements:
            raise CircuitError(f"the circuit already has an element {id!r}")
        self._elements[id] = element
        for name in (element.a, element.b):
            self._nodes.setdefault(name)
        self._layout = None

    # Switching

    def open(self, id: str) -> None:
        """Switch an element off: it carries nothing."""
        self._change(id, replace(self._element(id), closed=False))

    def close(self, id: str) -> None:
        """Switch an element on."""
        self._change(id, replace(self._element(id), closed=True))

    def set_ohm(self, id: str, ohm: float) -> None:
        """Change a resistor's resistance or a source's internal one."""
        self._change(id, replace(self._element(id, "resistor", "source"), ohm=_checked_ohm(id, ohm)))

    def set_volt(self, id: str, volt: float) -> None:
        """Change a source's voltage."""
        require_finite(id, volt=volt)
        self._change(id, replace(self._element(id, "source"), volt=float(volt)))

    def _element(self, id: str, *kinds: ElementKind) -> CircuitElement:
        element = self._elements.get(id)
        if element is None:
            raise CircuitError(unknown_name("element", id, self._elements))
        if kinds and element.kind not in kinds:
            raise CircuitError(f"{id!r} is a {element.kind}; this needs a {' or '.join(kinds)}")
        return element

    def _change(self, id: str, element: CircuitElement) -> None:
        self._elements[id] = element
        if self._layout is not None:
            self._state = self._state.with_element(self._layout, id, element)

    # Solving

    def solve(self) -> Solution:
        """The state of every node and element now. Raises NotConverged."""
        layout = self.layout()
        state = self._state
        return SOLUTIONS.get((layout, state.key()), lambda: self._solved(layout, state))

    def layout(self) -> CircuitLayout:
        """The numbers of nodes and elements, and the pattern of the matrix, as the circuit is built now."""
        if self._layout is None:
            ends = tuple((id, *e.ends) for id, e in self._elements.items())
            self._layout = layout_of(tuple(self._nodes), ends)
            self._state = CircuitState.of(self._layout, self._elements)
        return self._layout

    def _solved(self, layout: CircuitLayout, state: CircuitState) -> Solution:
        factor = Factor(layout, state.siemens)
        taps = [layout.taps[k] for k, closed in enumerate(state.oneway_closed) if closed]
        linear = LinearSolution(layout, factor, state)
        return Solution(SolvedCircuit(linear, taps, factor.columns(numbers_of(taps))))


def _checked_ohm(id: str, ohm: float) -> float:
    if not (math.isfinite(ohm) and ohm >= MIN_OHM):
        raise CircuitError(
            f"{id}: ohm is {ohm!r}; it must be a finite number from {MIN_OHM:g} "
            "(a closed contact has milliohms; an open one is switched open)"
        )
    return float(ohm)
