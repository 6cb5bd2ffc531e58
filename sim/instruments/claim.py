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
    HandSwitch,
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

    @property
    def batteries(self) -> int:
        """How many 12 V batteries are in series: voltages scale with it."""
        return self.vehicle.battery.in_series

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
    def inline_terminals(self) -> frozenset[str]:
        """Both ends of every contact of an in-line connector."""
        found = (one for one in self.car.elements.values() if self.is_inline(one))
        return frozenset(end for one in found for end in (one.a, one.b))

    @cached_property
    def wires(self) -> nx.Graph[str]:
        """Wires alone, in-line connectors closed: what has one color."""
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
