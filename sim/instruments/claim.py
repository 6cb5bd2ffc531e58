"""What the wiring diagram of a car claims, as a built car and as graphs of its terminals."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property

import networkx as nx

from sim.vehicle.car import Car
from sim.vehicle.description_wiring import Fuse, Relay
from sim.vehicle.elements import (
    Contact,
    Driver,
    Element,
    FuseLink,
    GeneratorOutput,
    HandSwitch,
    LoadPart,
    Pin,
    RelayContact,
    Resistor,
    Wire,
)
from sim.vehicle.harness import build
from sim.vehicle.terminal_graph import conductor, terminal_graph


class Claim:
    """The car as its diagrams show it, without what edits and theories have done to it.

    Graphs join terminals; each edge carries `element`, the part of the car that joins them.
    """

    def __init__(self, car: Car) -> None:
        self.vehicle = car.claimed
        self.car = build(car.claimed)

    @cached_property
    def holders(self) -> Mapping[str, Fuse | Relay]:
        """Fuses and relays by name."""
        return {**self.vehicle.fuses, **self.vehicle.relays}

    def outer(self, pin: Pin) -> str:
        """Return the terminal at the wire's side of a pin."""
        return self.car.elements[pin.id].a

    def elements_at(self, node: str) -> list[Element]:
        """Return all parts that end at a terminal."""
        return self._at.get(node, [])

    def is_inline(self, element: Element) -> bool:
        """Is the part a contact of an in-line connector?"""
        return isinstance(element, Contact) and self.car.connectors[element.connector].kind == "inline"

    def conductor(self, node: str) -> set[str]:
        """Return all terminals that wires and in-line connectors join to this one."""
        return conductor(self.wires, node)

    @cached_property
    def _at(self) -> dict[str, list[Element]]:
        found: dict[str, list[Element]] = {}
        for element in self.car.elements.values():
            found.setdefault(element.a, []).append(element)
            found.setdefault(element.b, []).append(element)
        return found

    @cached_property
    def wires(self) -> nx.Graph[str]:
        """Wires alone, in-line connectors closed: what has one colour."""
        return terminal_graph(
            element
            for element in self.car.elements.values()
            if isinstance(element, Wire) or self.is_inline(element)
        )

    @cached_property
    def feeds(self) -> nx.Graph[str]:
        """Everything meant to bring current to a place and back, without loads and the insides of modules."""
        return terminal_graph(
            element
            for element in self.car.elements.values()
            if isinstance(element, Wire | Contact | FuseLink | RelayContact | HandSwitch | Driver)
            or (isinstance(element, Resistor) and element.kind in ("joint", "trace"))
        )

    @cached_property
    def everything(self) -> nx.Graph[str]:
        """All that a diagram draws; wires, contacts and fuses weigh less than what else is on a path."""
        graph = nx.Graph(self.feeds)
        for element in self.car.elements.values():
            if isinstance(element, LoadPart | GeneratorOutput):
                graph.add_edge(element.a, element.b, element=element)
        for element in self.car.elements.values():
            if isinstance(element, Resistor) and element.kind == "terminator":
                graph.add_edge(element.a, element.b, element=element)
        for _, _, edge in graph.edges(data=True):
            edge["weight"] = 1 if isinstance(edge["element"], Wire | Contact | FuseLink) else 50
        return graph
