"""The car as built, and the state that its harness is in: every terminal, conductor and module.

A `Car` is immutable; an edit makes a new one. `sim.vehicle.elements` says how its nodes are named.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

from sim.vehicle.description import Vehicle
from sim.vehicle.elements import (
    Coil,
    Connector,
    Contact,
    Element,
    FuseLink,
    GeneratorOutput,
    LiftedJoint,
    LinPort,
    Pin,
    RelayContact,
    Resistor,
    ShortingBar,
    Transceiver,
    Wire,
)
from sim.vehicle.ethernet import PhyRole
from sim.vehicle.harness_state import HarnessState
from sim.vehicle.messages import Messages


@dataclass(frozen=True, repr=False)
class Car:
    """One car: how it is built, its software, and the state of its harness.

    `built` is the description that its harness really follows; `claimed` the one its wiring diagram shows.
    `bus_nodes`: every node of the bus lines as built, all that conductors and terminators join to a
    transceiver. `before_edits`: of an edited car, what it was built as.
    """

    built: Vehicle
    claimed: Vehicle
    elements: Mapping[str, Element]
    connectors: Mapping[str, Connector]
    transceivers: Mapping[str, Transceiver]
    messages: Messages
    addresses: Mapping[str, int]
    harness: HarnessState = field(default_factory=HarnessState)
    lin: Mapping[str, LinPort] = field(default_factory=dict)
    bus_nodes: frozenset[str] = frozenset()
    before_edits: Car | None = field(default=None, compare=False)

    def __repr__(self) -> str:
        """Name, modules and buses; the whole description would fill many screens."""
        buses = ", ".join((*self.built.buses, *self.built.lin))
        return f"<Car '{self.title}': {len(self.built.modules)} modules on {buses}>"

    @property
    def title(self) -> str:
        """The car's name."""
        return self.built.car

    @cached_property
    def channels(self) -> Mapping[str, Transceiver | LinPort]:
        """Every module's connection to every CAN bus and LIN cluster, by the name of its channel."""
        return {**self.transceivers, **self.lin}

    @cached_property
    def classical_channels(self) -> frozenset[str]:
        """Modules' connections that do not know CAN FD; testers read both."""
        buses = self.built.buses
        modules = [one for one in self.transceivers.values() if one.module in self.built.modules]
        return self.harness.classical | {one.id for one in modules if not buses[one.bus].fd and not one.phy}

    @cached_property
    def pins(self) -> Mapping[str, Pin]:
        """Every pin by its id."""
        if self.before_edits:
            return self.before_edits.pins
        return {pin.id: pin for plug in self.connectors.values() for pin in plug.pins}

    @cached_property
    def pins_inside(self) -> Mapping[str, Sequence[Pin]]:
        """The pins by their inner nodes."""
        if self.before_edits:
            return self.before_edits.pins_inside
        found: dict[str, list[Pin]] = {}
        for pin in self.pins.values():
            found.setdefault(pin.inner, []).append(pin)
        return found

    def with_harness(self, **changes: object) -> Car:
        """The same car with these fields of its harness's state changed."""
        before = self.harness
        harness = replace(before, **changes)  # type: ignore[arg-type]
        same = (harness.bitrates_bps, harness.phy_roles) == (before.bitrates_bps, before.phy_roles)
        transceivers = self.transceivers if same else self._set_to(harness)
        return replace(self, harness=harness, transceivers=transceivers, before_edits=self.as_built)

    @property
    def as_built(self) -> Car:
        """The car before any edit of its harness: the same one for all cars that edits have made of it."""
        return self.before_edits or self

    def _set_to(self, harness: HarnessState) -> dict[str, Transceiver]:
        """The transceivers at the bit rates and in the roles that edits have given them."""
        usual = {bus: spec.bitrate_bps for bus, spec in self.built.buses.items()}
        as_built: dict[str, PhyRole] = {
            name: "master" if self.built.buses[one.bus].phy_master == one.module else "slave"
            for name, one in self.transceivers.items()
            if one.phy
        }
        return {
            name: replace(
                one,
                bitrate_bps=harness.bitrates_bps.get(name, usual[one.bus]),
                phy=harness.phy_roles.get(name) or as_built.get(name),
            )
            for name, one in self.transceivers.items()
        }

    def is_whole(self, element: Element) -> bool:
        """Does the element conduct, as far as edits go?

        Switches and relay contacts have a state besides.
        """
        state = self.harness
        if element.id in state.opened or element.id in state.away:
            return False
        match element:
            case ShortingBar():
                return element.connector in state.unplugged
            case Contact():
                loose = state.loosened.get(element.connector, ())
                return element.connector not in state.unplugged and element.id not in loose
            case FuseLink():
                return element.id not in state.pulled and element.id not in state.blown
            case RelayContact() | Coil():
                return element.relay not in state.pulled
        return True

    @cached_property
    def terminals(self) -> frozenset[str]:
        """Every node of the car as built that a probe or a short could touch."""
        return frozenset(node for element in self.elements.values() for node in (element.a, element.b))

    @cached_property
    def all_elements(self) -> Mapping[str, Element]:
        """The built elements as edits have moved them, and those that edits have added."""
        state = self.harness
        extra = {part.id: part for name in sorted(state.leads) for part in state.leads[name].parts}
        built = self.elements
        if state.swapped or state.offset_v or state.regulated_v:
            built = {id: self._moved(element) for id, element in built.items()}
        return {**built, **extra} if extra else built

    def joined_to(self, node: str) -> Iterator[str]:
        """The terminals that whole wires, mated contacts and shorts join to one."""
        for element in self.joints.get(node, ()):
            if self.is_whole(element):
                yield element.b if element.a == node else element.a

    @cached_property
    def is_unmoved(self) -> bool:
        """Has no edit moved or joined an element? Then what was found out of the car as built holds."""
        return self.before_edits is not None and self.all_elements is self.before_edits.elements

    @cached_property
    def joints(self) -> Mapping[str, Sequence[Element]]:
        """The wires, contacts and shorts, whole or not, that meet at each terminal."""
        if self.is_unmoved:
            return self.as_built.joints
        found: dict[str, list[Element]] = {}
        for element in self.all_elements.values():
            if _joins(element):
                for node in {element.a, element.b}:
                    found.setdefault(node, []).append(element)
        return found

    @cached_property
    def on_lines(self) -> Sequence[Element]:
        """The elements, whole or not, with an end on a bus line."""
        if self.is_unmoved:
            return self.as_built.on_lines
        lines = self.bus_nodes
        return [one for one in self.all_elements.values() if one.a in lines or one.b in lines]

    def _moved(self, element: Element) -> Element:
        if isinstance(element, Resistor) and element.id in self.harness.offset_v:
            volt = self.harness.offset_v[element.id]
            return LiftedJoint(element.id, element.a, element.b, element.ohm, element.kind, volt)
        if isinstance(element, GeneratorOutput) and element.id in self.harness.regulated_v:
            return replace(element, volt=self.harness.regulated_v[element.id])
        if isinstance(element, Contact) or not {element.a, element.b} & self._moved_ends.keys():
            return element
        ends = self._moved_ends
        return replace(element, a=ends.get(element.a, element.a), b=ends.get(element.b, element.b))

    @cached_property
    def _moved_ends(self) -> dict[str, str]:
        """Where wires end now that should end somewhere else: cavities whose wires are swapped."""
        near = {id: self.elements[id].a for id in self.harness.swapped}
        return {near[pin]: near[other] for pin, other in self.harness.swapped.items()}

    def pin_of(self, module: str, function: str) -> Pin | None:
        """A module's pin by its function, e.g. `B+`, `GND`, `powertrain.H`."""
        return self.pins_by_function.get(f"{module}.{function}")

    @cached_property
    def pins_by_function(self) -> Mapping[str, Pin]:
        """Every pin by its module and its function, e.g. `ECM.B+`, `ECM.powertrain.H`."""
        plugs = self.connectors.values()
        return {f"{plug.owner}.{pin.function}": pin for plug in plugs for pin in plug.pins}

    def pins_of(self, module: str) -> list[Pin]:
        """All pins of a module in file order."""
        return [pin for plug in self.connectors.values() if plug.owner == module for pin in plug.pins]


def _joins(element: Element) -> bool:
    short = isinstance(element, Resistor) and element.kind == "short"
    return short or isinstance(element, Wire | Contact)
