"""The car as built: every terminal, conductor and module, and the condition it is in.

A `Car` is immutable; an edit makes a new one. Nodes of the electrical network are named as a technician
would: `ECM.C1.3` is the harness side of cavity 3, `ECM:GND` the module's own side of the pin, `X4.2a` and
`X4.2b` the two halves of an in-line connector, `F12.1`/`F12.2` the feed and load side of a fuse, `G101` a
ground point, `BODY` the body, `BAT+`/`BAT-` the battery posts, `K1.30`/`K1.87`/`K1.85`/`K1.86` a relay
(terminal numbers of DIN 72552).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sim.vehicle.description import Vehicle
    from sim.vehicle.messages import Messages


RELAY_OHM = 0.002  # closed contact: 1.5..2 mohm typical, relay data sheets


@dataclass(frozen=True, slots=True)
class Element:
    """Something with two ends, `a` and `b`, that current can pass."""

    id: str
    a: str
    b: str


@dataclass(frozen=True, slots=True)
class Wire(Element):
    """A conductor of stranded copper."""

    length_m: float
    area_mm2: float


@dataclass(frozen=True, slots=True)
class Contact(Element):
    """One mated pair of terminals of a connector."""

    connector: str
    ohm: float = 0.005  # new contact 1..5 mohm, from memory


@dataclass(frozen=True, slots=True)
class FuseLink(Element):
    """A fuse in its holder."""

    rating_a: float


@dataclass(frozen=True, slots=True)
class Coil(Element):
    """A relay's coil."""

    relay: str
    ohm: float
    pull_in_v: float
    drop_out_v: float


@dataclass(frozen=True, slots=True)
class RelayContact(Element):
    """A relay's contact 30-87, closed while the coil is pulled in."""

    relay: str
    ohm: float = RELAY_OHM


@dataclass(frozen=True, slots=True)
class HandSwitch(Element):
    """A contact closed by a person."""

    operated_by: str
    ohm: float = 0.02


@dataclass(frozen=True, slots=True)
class Driver(Element):
    """A module's high-side output: closed while the module runs and wants it."""

    module: str
    output: str
    ohm: float = 0.05


@dataclass(frozen=True, slots=True)
class Resistor(Element):
    """A fixed resistance: terminator, joint, trace on a circuit board."""

    ohm: float
    kind: str = "trace"  # trace | joint | terminator | input | sensor | lead | short


@dataclass(frozen=True, slots=True)
class LiftedJoint(Resistor):
    """A ground joint at `volt` above the body: others' stray current through it, as one number."""

    volt: float = 0.0


@dataclass(frozen=True, slots=True)
class LoadPart(Element):
    """Something that draws current."""

    ohm: float
    kind: str


@dataclass(frozen=True, slots=True)
class Draw(Element):
    """What a module's own electronics draw from one supply pin, by its state."""

    module: str
    run_a: float
    sleep_a: float


@dataclass(frozen=True, slots=True)
class ReferenceSupply(Element):
    """A module's supply for sensors at `a` against `b`, on while the module runs."""

    module: str
    volt: float
    limit_a: float


@dataclass(frozen=True, slots=True)
class Source(Element):
    """The battery (`BAT`), with its internal resistance."""

    ohm: float


@dataclass(frozen=True, slots=True)
class GeneratorOutput(Element):
    """The generator (`GEN`) from its B+ terminal to its case: `volt` behind `ohm`, up to `limit_a`."""

    volt: float
    ohm: float
    limit_a: float


@dataclass(frozen=True, slots=True)
class GeneratorSignal(Element):
    """The generator's lamp terminal `GEN.L`: joined to B+ while it charges."""

    ohm: float


@dataclass(frozen=True, slots=True)
class Transceiver:
    """One module's connection to one bus; `h`, `l`, `gnd` are nodes inside the module."""

    id: str  # e.g. "ECM.powertrain", also the name of the channel on the network
    module: str
    bus: str
    h: str
    l: str  # noqa: E741  (CAN low: the field's own name)
    gnd: str
    bitrate_bps: int


@dataclass(frozen=True, slots=True)
class PullUp(Element):
    """What holds a LIN wire up: from a module's supply `a` through a diode and `ohm` to its pin `b`."""

    module: str
    ohm: float


@dataclass(frozen=True, slots=True)
class LinPort:
    """One module's connection to one LIN cluster, at `node` against `gnd`, both inside the module."""

    id: str  # e.g. "RLS.roof", also the name of the channel on the network
    module: str
    bus: str  # the cluster
    node: str
    gnd: str
    is_master: bool


@dataclass(frozen=True, slots=True)
class Pin:
    """One cavity of a connector: `id` (`ECM.C1.3`), its function (`GND`) and its inner node (`ECM:GND`)."""

    id: str
    connector: str
    cavity: str
    function: str
    inner: str


@dataclass(frozen=True, slots=True)
class Connector:
    """A connector that can be taken off: a module's, an in-line one, a battery clamp, the DLC."""

    id: str
    owner: str  # module, or "" for an in-line connector
    kind: str  # module | sensor | inline | battery | dlc
    pins: tuple[Pin, ...]
    location: str = ""


@dataclass(frozen=True)
class Route:
    """A message that a gateway sends on from one bus to another."""

    gateway: str
    sender: str
    message: str
    from_bus: str
    to_bus: str


@dataclass(frozen=True)
class HarnessState:
    """The state of the harness: what has been taken off, pulled, cut, spoilt or added by edits."""

    unplugged: frozenset[str] = frozenset()
    pulled: frozenset[str] = frozenset()  # fuses and relays out of their holders
    blown: frozenset[str] = frozenset()
    opened: frozenset[str] = frozenset()  # element ids
    added_ohm: Mapping[str, float] = field(default_factory=dict)  # element id -> series resistance
    fitted_a: Mapping[str, float] = field(default_factory=dict)  # fuse -> rating of a wrong fuse
    leads: Mapping[str, tuple[Element, ...]] = field(default_factory=dict)  # bypass leads and shorts by name
    loosened: Mapping[str, tuple[str, ...]] = field(
        default_factory=dict
    )  # half seated: pins that do not meet
    swapped: Mapping[str, str] = field(default_factory=dict)  # pin -> pin whose wire sits in its cavity
    offset_v: Mapping[str, float] = field(default_factory=dict)  # ground point -> voltage above the body
    # pin or wire -> mean time between its interruptions and mean length of one, s; `away`: open just now
    intermittent: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    away: frozenset[str] = frozenset()
    battery_pct: float | None = None
    kept_awake: frozenset[str] = frozenset()  # modules whose software never lets go of the network
    # by channel, such as "TCM.powertrain": what is wrong inside its module
    stuck: frozenset[str] = frozenset()  # transmit input of the transceiver held dominant
    babbling: frozenset[str] = frozenset()  # sends the highest priority without end
    bitrates_bps: Mapping[str, int] = field(default_factory=dict)  # set to another rate than its bus has
    classical: frozenset[str] = frozenset()  # does not know the CAN FD of its bus


@dataclass(frozen=True, repr=False)
class Car:
    """One car: how it is built (`elements`, `connectors`, `transceivers`, `lin`), its software and condition.

    `built` is the description that its harness really follows; `claimed` the one its wiring diagram shows.
    """

    built: Vehicle
    claimed: Vehicle
    elements: Mapping[str, Element]
    connectors: Mapping[str, Connector]
    transceivers: Mapping[str, Transceiver]
    messages: Messages
    addresses: Mapping[str, int]
    harness: HarnessState = HarnessState()
    lin: Mapping[str, LinPort] = field(default_factory=dict)

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
        return self.harness.classical | {one.id for one in modules if not buses[one.bus].fd}

    @cached_property
    def pins(self) -> Mapping[str, Pin]:
        """Every pin by its id."""
        return {pin.id: pin for plug in self.connectors.values() for pin in plug.pins}

    def with_harness(self, **changes: object) -> Car:
        """The same car in another condition."""
        harness = replace(self.harness, **changes)  # type: ignore[arg-type]
        if harness.bitrates_bps == self.harness.bitrates_bps:
            return replace(self, harness=harness)
        return replace(self, harness=harness, transceivers=self._at_rates(harness.bitrates_bps))

    def _at_rates(self, bitrates_bps: Mapping[str, int]) -> dict[str, Transceiver]:
        usual = {bus: spec.bitrate_bps for bus, spec in self.built.buses.items()}
        return {
            name: replace(one, bitrate_bps=bitrates_bps.get(name, usual[one.bus]))
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
    def bus_nodes(self) -> frozenset[str]:
        """Every node of the bus lines as built: what conductors and terminators join to a transceiver."""
        near: dict[str, list[str]] = {}
        for element in self.elements.values():
            near.setdefault(element.a, []).append(element.b)
            near.setdefault(element.b, []).append(element.a)
        found: set[str] = set()
        todo = [leg for one in self.transceivers.values() for leg in (one.h, one.l)]
        while todo:
            node = todo.pop()
            if node not in found:
                found.add(node)
                todo += near.get(node, ())
        return frozenset(found)

    @cached_property
    def all_elements(self) -> Mapping[str, Element]:
        """The built elements as edits have moved them, and those that edits have added."""
        state = self.harness
        extra = {part.id: part for name in sorted(state.leads) for part in state.leads[name]}
        built = self.elements
        if state.swapped or state.offset_v:
            built = {id: self._moved(element) for id, element in built.items()}
        return {**built, **extra} if extra else built

    @cached_property
    def joined(self) -> Mapping[str, tuple[str, ...]]:
        """Per terminal, the terminals that a whole wire, a mated contact or a short joins it to."""
        found: dict[str, list[str]] = {}
        for element in self.all_elements.values():
            joins = isinstance(element, Wire | Contact) or getattr(element, "kind", "") == "short"
            if joins and self.is_whole(element):
                found.setdefault(element.a, []).append(element.b)
                found.setdefault(element.b, []).append(element.a)
        return {node: tuple(others) for node, others in found.items()}

    def _moved(self, element: Element) -> Element:
        if isinstance(element, Resistor) and element.id in self.harness.offset_v:
            volt = self.harness.offset_v[element.id]
            return LiftedJoint(element.id, element.a, element.b, element.ohm, element.kind, volt)
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
        return self._functions.get((module, function))

    @cached_property
    def _functions(self) -> dict[tuple[str, str], Pin]:
        return {(plug.owner, pin.function): pin for plug in self.connectors.values() for pin in plug.pins}

    def pins_of(self, module: str) -> list[Pin]:
        """All pins of a module in file order."""
        return [pin for plug in self.connectors.values() if plug.owner == module for pin in plug.pins]
