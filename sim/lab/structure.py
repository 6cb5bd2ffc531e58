"""Which sets of edits make the same car, so that one run answers for all of them.

Edits are equal by structure only: they open the same elements, or different elements of one unbranched chain
of conductors. A terminal that is measured at, a part that is unplugged or looked at, the inside of a
module and the data lines belong to no chain.

Nothing is called equal because it has looked the same so far: such edits part ways when a second joins them.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from functools import cached_property

import networkx as nx

from sim.vehicle.car import Car
from sim.vehicle.edits import apply_all, is_theory
from sim.vehicle.elements import Contact, Element, FuseLink, Resistor, Wire
from sim.vehicle.harness_state import HarnessState
from sim.vehicle.problems import Problem

OPENINGS = ("unplugged", "pulled", "blown", "opened")


class Structure:
    """One car, before anything has been done to it, that these actions look at and work on."""

    def __init__(self, car: Car, actions: Iterable[str] = ()) -> None:
        self.car = car
        self._named = _named(car, actions)
        self._chain = self._chains()
        self._opened_by: dict[str, frozenset[str] | None] = {}
        self._designs: dict[tuple[str, ...], Car] = {(): car}
        self._line = _bus_lines(car)

    def key(self, edits: Sequence[str]) -> Hashable:
        """Equal for sets of edits that make the same car; None where there is no such car."""
        opened = [self._opened(edit) for edit in edits]
        if None not in opened and len(set(edits)) == len(edits):
            return frozenset().union(*(one for one in opened if one is not None))
        theories = tuple(edit for edit in edits if is_theory(edit))
        try:
            design = self._design(theories)
            state = apply_all(design, [edit for edit in edits if edit not in theories]).harness
        except Problem:
            return None
        return str(state), theories

    def _design(self, theories: tuple[str, ...]) -> Car:
        """The car as these theories have it, built once."""
        if theories not in self._designs:
            self._designs[theories] = apply_all(self.car, theories)
        return self._designs[theories]

    def lines(self, elements: Iterable[str]) -> frozenset[str]:
        """The bus lines that these elements belong to, each by one of its nodes."""
        ends = [self.car.elements[id].a for id in elements]
        return frozenset(self._line[node] for node in ends if node in self._line)

    def keeps_terminators(self, elements: frozenset[str]) -> bool:
        """Do all terminators stay where they are when these elements open? Then a bus line is to all others
        on it what it was, but for those who are parted from it.
        """
        return all(
            any(ends <= part for part in nx.connected_components(line)) or not ends
            for line, ends in self._lines_without(elements)
        )

    def _lines_without(self, elements: frozenset[str]) -> Iterable[tuple[nx.Graph[str], set[str]]]:
        """Each wire of a bus that these elements are part of, without them, and its ends of terminators."""
        for line, ends in self._wires:
            cut = [(a, b) for a, b, id in line.edges(data="id") if id in elements]
            if cut:
                left = line.copy()
                left.remove_edges_from(cut)
                yield left, ends

    @cached_property
    def _wires(self) -> list[tuple[nx.Graph[str], set[str]]]:
        inside = [one for one in self.car.elements.values() if {one.a, one.b} <= self.car.bus_nodes]
        terminators = [one for one in inside if isinstance(one, Resistor) and one.kind == "terminator"]
        ends = {node for one in terminators for node in (one.a, one.b)}
        graph: nx.Graph[str] = nx.Graph()
        conductors = [one for one in inside if one not in terminators]
        graph.add_edges_from((one.a, one.b, {"id": one.id}) for one in conductors)
        wires = [graph.subgraph(nodes).copy() for nodes in nx.connected_components(graph)]
        return [(wire, ends & set(wire)) for wire in wires]

    def _opened(self, edit: str) -> frozenset[str] | None:
        """What an edit opens, chain by chain, and the named parts in it; None if it does more than open."""
        if edit not in self._opened_by:
            self._opened_by[edit] = self._open_by(edit)
        return self._opened_by[edit]

    def _open_by(self, edit: str) -> frozenset[str] | None:
        try:
            after = apply_all(self.car, [edit])
        except Problem:
            return None
        state = after.harness
        pure = HarnessState(**{name: getattr(state, name) for name in OPENINGS})
        if after.built is not self.car.built or state != pure or self.car.harness != HarnessState():
            return None
        opened = [id for id, element in after.elements.items() if not after.is_whole(element)]
        named = [f"{name} {part}" for name in OPENINGS for part in getattr(state, name) & self._named]
        return frozenset([*(self._chain[id] for id in opened), *named])

    def _chains(self) -> dict[str, str]:
        """Every element's chain, named after one of its elements."""
        graph: nx.Graph[str] = nx.Graph()
        graph.add_nodes_from(self.car.elements)
        graph.add_edges_from(self._neighbors())
        return {id: min(chain) for chain in nx.connected_components(graph) for id in chain}

    def _neighbors(self) -> Iterable[tuple[str, str]]:
        """Pairs of conductors that meet with nothing else, at a node that no action names."""
        at: dict[str, list[Element]] = {}
        for element in self.car.elements.values():
            at.setdefault(element.a, []).append(element)
            at.setdefault(element.b, []).append(element)
        kept = self.car.bus_nodes | self._named
        for node, elements in at.items():
            inside = ":" in node
            if len(elements) == 2 and not inside and node not in kept and all(map(self._conducts, elements)):
                yield elements[0].id, elements[1].id

    def _conducts(self, element: Element) -> bool:
        if isinstance(element, Contact) and element.connector in self._named:
            return False
        joint = isinstance(element, Resistor) and element.kind == "joint"
        plain = joint or isinstance(element, Wire | Contact | FuseLink)
        return plain and element.id not in self._named


def _bus_lines(car: Car) -> dict[str, str]:
    """Per node of the bus lines, the line; the two wires of a bus are one."""
    nodes = car.bus_nodes
    graph: nx.Graph[str] = nx.Graph()
    graph.add_edges_from((one.a, one.b) for one in car.elements.values() if {one.a, one.b} <= nodes)
    graph.add_edges_from((one.h, one.l) for one in car.transceivers.values())
    return {node: min(line) for line in nx.connected_components(graph) for node in line}


def _named(car: Car, actions: Iterable[str]) -> frozenset[str]:
    """Parts and terminals that an action names, also by a module's name or a pin's function."""
    words = {word for action in actions for word in action.split()}
    pins = {pin.id for word in words if (pin := car.pins_by_function.get(word))}
    plugs = {name for name, plug in car.connectors.items() if name in words or plug.owner in words}
    faces = {pin.id for name in plugs for pin in car.connectors[name].pins}  # seen while it is off
    parts = {element.id for element in car.elements.values()} | set(car.connectors) | set(car.built.relays)
    nodes = {node for element in car.elements.values() for node in (element.a, element.b)}
    return frozenset((words & (parts | nodes)) | pins | plugs | faces)
