"""Service information: what the wiring diagram, the lists and the tables of this car *claim*.

    service = ServiceInformation(car)
    service.fuses, service.relays, service.grounds, service.locations
    service.face("ECM.C1")             # a connector's pin table
    service.supply_path("ECM.C1.1")    # battery, clamp, feed bar, fuse, splice, pin
    service.circuit("ECM")             # everything drawn for a module, fuse, relay or bus, as a graph
    service.expected("ECM.C1.1")       # what a meter should show there, with its source

All of it follows from `car.claimed`: what edits and theories have done to the car does not show here, and a
claim that is wrong (a mislabelled fuse) stays wrong. Wire colours are invented for each car; the letters are
those of IEC 60757.

Not modelled: shields, wire lengths, splice packs, several pages per circuit.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property

import networkx as nx

from sim.instruments import circuits, expected, lists, paths, pin_table, pin_words
from sim.instruments.claim import Claim
from sim.instruments.colours import wire_colour
from sim.instruments.expected import ExpectedReading
from sim.instruments.lists import FuseEntry, GroundEntry, Location, RelayEntry
from sim.instruments.paths import PathPart
from sim.instruments.pin_table import Face
from sim.vehicle.car import Car
from sim.vehicle.elements import Pin


class ServiceInformation:
    """What is printed about one car."""

    def __init__(self, car: Car) -> None:
        self._claim = Claim(car)
        self.vehicle = self._claim.vehicle

    @property
    def connectors(self) -> tuple[str, ...]:
        """Names of all connectors that the diagrams show."""
        return tuple(self._claim.car.connectors)

    @property
    def pins(self) -> Mapping[str, Pin]:
        """Every pin that the diagrams show."""
        return self._claim.car.pins

    @cached_property
    def fuses(self) -> tuple[FuseEntry, ...]:
        """The fuse list."""
        return lists.fuse_list(self._claim)

    @cached_property
    def relays(self) -> tuple[RelayEntry, ...]:
        """The relay list."""
        return lists.relay_list(self._claim)

    @cached_property
    def grounds(self) -> tuple[GroundEntry, ...]:
        """The ground points."""
        return lists.ground_list(self._claim)

    @cached_property
    def locations(self) -> tuple[Location, ...]:
        """Where everything with a name is, by name."""
        return lists.locations(self._claim)

    def face(self, connector: str) -> Face:
        """Return a connector's face with its pin table; raises `EditProblem` for an unknown one."""
        return pin_table.face(self._claim, connector)

    def words(self, pin: Pin) -> str:
        """Return what a pin is for."""
        return pin_words.pin_words(self._claim, pin)

    def words_at(self, node: str) -> str:
        """Return what the pin at a terminal is for; nothing if no pin is there."""
        return pin_words.words_at(self._claim, node)

    def colour(self, node: str) -> str:
        """Return the color of the wire that ends at a terminal."""
        return wire_colour(self._claim, node)

    def far_ends(self, node: str) -> tuple[str, ...]:
        """Return where the wires of a terminal lead to, through in-line connectors."""
        return paths.far_ends(self._claim, node)

    def supply_path(self, node: str) -> tuple[PathPart, ...]:
        """Return the claimed path of current from the battery's plus post to a terminal, part by part."""
        return paths.supply_path(self._claim, node)

    def return_path(self, node: str) -> tuple[PathPart, ...]:
        """Return the claimed path from a terminal to the battery's minus post."""
        return paths.return_path(self._claim, node)

    def wire_path(self, a: str, b: str) -> tuple[PathPart, ...]:
        """Return the splices and in-line connectors on the wire between two terminals."""
        return paths.wire_path(self._claim, a, b)

    def sensor_ends(self, sensor: str) -> tuple[str, ...]:
        """Return the module's pins that a sensor's supply, signal and ground come from."""
        return paths.sensor_ends(self._claim, sensor)

    def circuit(self, name: str) -> nx.Graph[str]:
        """Return all that the diagram of a module, fuse, relay, load, switch or bus shows.

        Nodes are terminals; an edge carries `element`, a part of the car, and `colour` for a wire. Raises
        `EditProblem` for an unknown name.
        """
        return circuits.circuit(self._claim, name)

    def consumers(self, name: str) -> tuple[str, ...]:
        """Return the terminals that a fuse or relay feeds; a load's or switch's own."""
        return circuits.consumers(self._claim, name)

    def bus_pins(self, bus: str, name: str) -> dict[str, str]:
        """Return a stop's pins on a bus, by leg: H and L, H2 and L2 of a pair that goes on; LIN: one wire."""
        return circuits.bus_pins(self._claim, bus, name)

    def expected(self, at: str) -> tuple[ExpectedReading, ...]:
        """Return what a meter should show at a pin, fuse, relay, load or at the battery (`BAT`)."""
        return expected.expected(self._claim, at)
