"""Paths through a car's harness as built, and what is open on them in one state of the switches."""

from __future__ import annotations

from collections.abc import Container
from functools import cached_property
from itertools import pairwise

import networkx as nx

from sim.vehicle.car import Car
from sim.vehicle.elements import (
    Contact,
    Driver,
    Element,
    FuseLink,
    HandSwitch,
    LoadPart,
    RelayContact,
    Resistor,
    Wire,
)
from sim.vehicle.terminal_graph import conductor, terminal_graph
from sim.wiring.conduction import is_closed, ohm_of
from sim.wiring.reading import ElectricalReading

OPEN_WEIGHT = 1e9  # more than all resistances of a path, so that the fewest opens win

Ends = tuple[str, str]


class HarnessGraphs:
    """The graphs of one car's harness that paths are searched in. An edge carries its `element`."""

    def __init__(self, car: Car) -> None:
        self.car = car
        self.leads: list[Element] = list(car.harness.joined_parts())
        self.lead_of = {part.id: name for name, lead in car.harness.leads.items() for part in lead.parts}

    @cached_property
    def feeds(self) -> nx.Graph[str]:
        """Everything built that is meant to bring current to a place."""
        return terminal_graph(
            element for element in self.car.elements.values() if _conducts_by_design(element)
        )

    @cached_property
    def feeds_and_loads(self) -> nx.Graph[str]:
        """The same with the loads that current passes through."""
        loads = [element for element in self.car.elements.values() if isinstance(element, LoadPart)]
        return nx.compose(self.feeds, terminal_graph(loads))

    @cached_property
    def fed(self) -> set[str]:
        """The places that current comes to without passing through a load."""
        return conductor(self.feeds, "BAT+")

    @cached_property
    def lines(self) -> nx.Graph[str]:
        """The bus lines as built, with bypass leads."""
        nodes = self.car.bus_nodes
        return terminal_graph(
            element
            for element in (*self.car.elements.values(), *self.leads)
            if element.a in nodes and element.b in nodes and _conducts_by_design(element)
        )

    @cached_property
    def conductors(self) -> nx.Graph[str]:
        """What wires, contacts and circuit boards join, without fuses and switches."""
        return terminal_graph(element for element in self.car.elements.values() if _is_conductor(element))


class Paths:
    """Paths in one state of the switches."""

    def __init__(self, graphs: HarnessGraphs, reading: ElectricalReading) -> None:
        self._car, self._state = graphs.car, reading.state

    def opens(self, graph: nx.Graph[str], ends: Ends) -> list[Element]:
        """What is open on every path between two places, path by path; nothing if one of them conducts."""
        found: dict[str, Element] = {}
        while path := self.path(graph, ends, found):
            opens = [element for element in path if not self._conducts(element)]
            if not opens:
                return []
            found.update((element.id, element) for element in opens)
        return list(found.values())

    def path(self, graph: nx.Graph[str], ends: Ends, without: Container[str] = ()) -> list[Element]:
        """The elements of the path with the fewest opens and the least resistance; empty if there is none."""

        def weight(_a: str, _b: str, edge: dict[str, Element]) -> float | None:
            element = edge["element"]
            if element.id in without:
                return None  # networkx leaves such an edge out
            return ohm_of(element, self._car) + OPEN_WEIGHT * (not self._conducts(element))

        start, goal = ends
        if start not in graph or goal not in graph:
            return []
        try:
            nodes = nx.dijkstra_path(graph, start, goal, weight)
        except nx.NetworkXNoPath:
            return []
        return [graph.edges[a, b]["element"] for a, b in pairwise(nodes)]

    def _conducts(self, element: Element) -> bool:
        return is_closed(element, self._car, self._state)


def _conducts_by_design(element: Element) -> bool:
    if isinstance(element, Resistor):
        return element.kind in ("trace", "joint")
    return isinstance(element, Wire | Contact | FuseLink | RelayContact | HandSwitch | Driver)


def _is_conductor(element: Element) -> bool:
    return isinstance(element, Wire | Contact) or (isinstance(element, Resistor) and element.kind == "trace")
