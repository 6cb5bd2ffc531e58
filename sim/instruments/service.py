"""Service information: what the wiring diagram, the lists and the tables of this car *claim*.

    service = ServiceInformation(car)
    service.fuses, service.relays, service.grounds, service.locations
    service.face("ECM.C1")             # a connector's pin table
    service.way("ECM.C1.1")            # battery, clamp, feed bar, fuse, splice, pin: as steps
    service.circuit("ECM")             # everything drawn for a module, fuse, relay or bus, as a graph
    service.expected("ECM.C1.1")       # what a meter should show there, with its source

All of it follows from `car.claimed`: what edits and theories have done to the car does not show here, and a
claim that is wrong (a mislabelled fuse) stays wrong. Wire colours are invented for each car; the letters are
those of IEC 60757.

Not modelled: shields, wire lengths, splice packs, several pages per circuit.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import networkx as nx

from sim.vehicle.car import Car
from sim.vehicle.description import Fuse, Reference, Relay
from sim.vehicle.elements import (
    Contact,
    Draw,
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
from sim.vehicle.harness import TESTER, build, supply_functions
from sim.vehicle.messages import line_items
from sim.vehicle.problems import EditProblem, unknown
from sim.vehicle.roles import ROLE_TITLES

# Letters of IEC 60757. Which circuit has which colour is invented; red for supply, brown for ground and a
# yellow and green pair are common practice.
SUPPLY, GROUND, HIGH, LOW, ONE_WIRE = "RD", "BN", "YE", "GN", "VT"
OTHER_COLOURS = ("BU", "VT", "GY", "WH", "OG", "BK")
STRIPES = ("", "/WH", "/BK", "/YE", "/RD", "/GN")


@dataclass(frozen=True, slots=True)
class FuseEntry:
    """One line of the fuse list. feeds: consumers by name; fed_from: battery, a relay or another fuse."""

    name: str
    title: str
    rating_a: float
    location: str
    fed_from: str
    feeds: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RelayEntry:
    """One line of the relay list. driven_by: the pin that switches the coil; feeds: fuses and consumers."""

    name: str
    title: str
    location: str
    coil_ohm: float
    driven_by: str
    feeds: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class GroundEntry:
    """One ground point and the pins and loads that end on it."""

    name: str
    title: str
    location: str
    serves: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Place:
    """Where a component is."""

    name: str
    title: str
    location: str


@dataclass(frozen=True, slots=True)
class FacePin:
    """One line of a pin table. to: where the wire goes; area_mm2: 0 where no wire is shown."""

    id: str
    cavity: str
    function: str
    words: str
    colour: str
    area_mm2: float
    to: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Face:
    """A connector's face, seen from the wire side. kind: module, inline, battery or dlc."""

    id: str
    title: str
    location: str
    kind: str
    pins: tuple[FacePin, ...]


@dataclass(frozen=True, slots=True)
class Step:
    """One thing on a way. kind: battery, clamp, bar, fuse, relay, switch, splice, pin, load, ground, body.

    node: the terminal on the battery's side of it, where a probe can go; colour: of the wire that leaves it.
    """

    kind: str
    name: str
    words: str
    node: str
    colour: str = ""


@dataclass(frozen=True, slots=True)
class Expected:
    """What a meter should show. action: the sentence that measures it; when: the state the car must be in.

    low, high: in unit (V, Ω, A). source: where the figure comes from, and its standing.
    """

    action: str
    low: float
    high: float
    unit: str
    when: str
    source: str


LIN_REST = "recessive: the pull-ups hold the wire at the supply (LIN 2.x, from memory)"
AWAKE, ASLEEP, OFF = "ignition on, bus awake", "asleep", "battery disconnected, everything plugged in"
CRANKING = "just after cranking"
RUNNING = "engine running"
UNPLUGGED = "battery disconnected, part alone"

TRADE = "general guides of the trade: 0.1 V per ground, 0.2 V per wire, 0.3 V per switch"
SHEETS = "transceiver data sheets (recessive 2..3 V, dominant 2.75..4.5 and 0.5..2.25 V)"
IDLE = "transceiver data sheets (bias inactive -0.1..0.1 V)"
TERMINATED = "ISO 11898-2: 120 Ω nominal each; 100..130 Ω from memory"
CRANK = "9.6 V at least at about room temperature; common practice"
CHARGING = "12 V charging system: 13.5 to 14.7 V at the battery, little lost in its cables; common practice"
COIL = "relay data sheets, ±10 %"
STATED = "stated for this car, ±10 %"
SOCKET = "SAE J1962: pin 16 battery, pins 4 and 5 ground; limits are common practice"
FUSE = "makers' fuse data, from memory: 85..130 mV at rated current"
BATTERY = "workshop table: rested, 50 to 100 % charged"
REFERENCE = "trade articles: 4.75 to 5.25 V"
SENSOR = "usual signals lie at 0.5 to 4.5 V (from memory)"
DRAW = "trade article: below 50 mA asleep"


class ServiceInformation:
    """What is printed about one car."""

    def __init__(self, car: Car) -> None:
        self.vehicle = car.claimed
        self._car = build(car.claimed)

    @property
    def connectors(self) -> tuple[str, ...]:
        """Names of all connectors that the diagrams show."""
        return tuple(self._car.connectors)

    @property
    def pins(self) -> Mapping[str, Pin]:
        """Every pin that the diagrams show."""
        return self._car.pins

    @cached_property
    def fuses(self) -> tuple[FuseEntry, ...]:
        """The fuse list."""
        return tuple(
            FuseEntry(
                name, fuse.title, fuse.rating_a, fuse.location, fuse.from_, self._fed_by(name, fuse.feeds)
            )
            for name, fuse in self.vehicle.fuses.items()
        )

    @cached_property
    def relays(self) -> tuple[RelayEntry, ...]:
        """The relay list."""
        return tuple(
            RelayEntry(
                name, relay.title, relay.location, relay.coil_ohm, relay.coil, self._fed_by(name, relay.feeds)
            )
            for name, relay in self.vehicle.relays.items()
        )

    @property
    def _holders(self) -> dict[str, Fuse | Relay]:
        return {**self.vehicle.fuses, **self.vehicle.relays}

    def _fed_by(self, source: str, feeds: Iterable[str]) -> tuple[str, ...]:
        behind = [name for name, holder in self._holders.items() if holder.from_ == source]
        return (*(item.split()[0] for item in feeds), *behind)

    @cached_property
    def grounds(self) -> tuple[GroundEntry, ...]:
        """The ground points."""
        served = {name: self._ends_on(name) for name in self.vehicle.grounds}
        return tuple(
            GroundEntry(name, ground.title, ground.location, served[name])
            for name, ground in self.vehicle.grounds.items()
        )

    def _ends_on(self, ground: str) -> tuple[str, ...]:
        reached = nx.node_connected_component(self._wires, ground) if ground in self._wires else set()
        pins = [id for id in self._car.pins if id in reached]
        others = [
            element.id
            for element in self._car.elements.values()
            if isinstance(element, LoadPart | GeneratorOutput) and element.b in reached
        ]
        return (*pins, *others)

    @cached_property
    def locations(self) -> tuple[Place, ...]:
        """Where everything with a name is, by name."""
        wired = self.vehicle
        places = [
            *(Place(n, module_title(n, m.title, m.role), m.location) for n, m in wired.modules.items()),
            *(Place(n, p.title, p.location) for n, p in wired.fuses.items()),
            *(Place(n, p.title, p.location) for n, p in wired.relays.items()),
            *(Place(n, p.title, p.location) for n, p in wired.grounds.items()),
            *(Place(n, p.title, p.location) for n, p in wired.inline.items()),
            *(Place(n, p.title or "sensor", p.location) for n, p in wired.sensors.items()),
            Place("DLC", "diagnostic link connector", wired.dlc.location),
        ]
        return tuple(sorted(places, key=lambda place: place.name))

    # -- connectors ------------------------------------------------------------------------------------------

    def face(self, connector: str) -> Face:
        """A connector's face with its pin table; raises `EditProblem` for an unknown one."""
        if connector not in self._car.connectors:
            raise EditProblem(unknown("connector", connector, self._car.connectors))
        plug = self._car.connectors[connector]
        title = {"dlc": "diagnostic link connector", "battery": "battery clamp"}.get(plug.kind, "")
        if plug.kind == "module":
            spec = self.vehicle.modules[plug.owner]
            title = module_title(plug.owner, spec.title, spec.role)
        elif plug.kind == "inline":
            title = self.vehicle.inline[connector].title or "in-line connector"
        elif plug.kind == "sensor":
            title = self.vehicle.sensors[connector].title or "sensor"
        pins = tuple(self._face_pin(pin) for pin in plug.pins)
        return Face(plug.id, title, plug.location, plug.kind, pins)

    def _face_pin(self, pin: Pin) -> FacePin:
        node = self._outer(pin)
        wires = [one for one in self._elements_at(node) if isinstance(one, Wire)]
        area_mm2 = max((wire.area_mm2 for wire in wires), default=0.0)
        return FacePin(
            pin.id,
            pin.cavity,
            pin.function,
            self.words(pin),
            self.colour(node),
            area_mm2,
            self.far_ends(node),
        )

    def words(self, pin: Pin) -> str:
        """What a pin is for."""
        plug = self._car.connectors[pin.connector]
        bus, _, leg = pin.function.rpartition(".")
        if leg.rstrip("2") in ("H", "L") and bus:
            return f"CAN {'high' if leg[0] == 'H' else 'low'}, {bus}"
        if leg == "LIN" and bus:
            return f"LIN, {bus}"
        if plug.kind == "dlc":
            return {"H": "CAN high", "L": "CAN low", "B+": "battery"}.get(pin.function, "ground")
        if plug.kind == "sensor":
            return {"supply": "5 V supply", "ground": "sensor ground"}.get(pin.function, pin.function)
        if plug.kind != "module":
            return {"B+": "battery plus", "GND": "body"}.get(pin.function, pin.function)
        return self._module_words(plug.owner, pin.function)

    def _module_words(self, module: str, function: str) -> str:
        spec = self.vehicle.modules[module]
        if function.startswith("GND"):
            return "ground"
        if function in spec.outputs:
            return f"output: {spec.outputs[function].title or function.replace('_', ' ')}"
        if function in spec.inputs:
            return f"input: {function.replace('_', ' ')}"
        if function in spec.references:
            return f"{spec.references[function].volt:g} V supply of sensors"
        for name, sensor in self.vehicle.sensors.items():
            if sensor.signal.split()[0] == f"{module}.{function}":
                return f"signal of {name}"
            if sensor.ground.split()[0] == f"{module}.{function}":
                return "sensor ground"
        feeder = self._feeder(module, function)
        if feeder:
            return f"{'supply' if function.startswith('B+') else 'sense line'} from {feeder}"
        return f"end of {function}"

    def _feeder(self, module: str, function: str) -> str:
        names = (f"{module}.{function}", module if function == "B+" else "")
        for name, holder in self._holders.items():
            if any(item.split()[0] in names for item in holder.feeds):
                return name
        return ""

    def colour(self, node: str) -> str:
        """The colour of the wire that ends at a terminal."""
        reached = nx.node_connected_component(self._wires, node) if node in self._wires else {node}
        if reached & {"BAR", "BAT+"}:
            return SUPPLY
        pins = [pin for pin in self._car.pins.values() if self._outer(pin) in reached]
        functions = {pin.function for pin in pins}
        for marked, colour in ((".H", HIGH), (".L", LOW), (".LIN", ONE_WIRE)):
            if any(one.rstrip("2").endswith(marked) for one in functions):
                return colour
        if reached & {"BODY", "BAT-", *self.vehicle.grounds}:
            return GROUND
        name = min((one for one in reached if "." in one), default=node)
        stripe = STRIPES[zlib.crc32(name.encode()) % len(STRIPES)]
        if any(one.startswith("B+") for one in functions):
            return SUPPLY + stripe.replace("/RD", "")
        colour = OTHER_COLOURS[zlib.crc32(name[::-1].encode()) % len(OTHER_COLOURS)]
        return colour if stripe == f"/{colour}" else colour + stripe

    def far_ends(self, node: str) -> tuple[str, ...]:
        """Where the wires of a terminal lead to, through in-line connectors."""
        found, todo, seen = [], [node], {node}
        while todo:
            here = todo.pop()
            for element in self._elements_at(here):
                if not isinstance(element, Wire) and not self._is_inline(element):
                    continue
                there = element.b if element.a == here else element.a
                if there in seen:
                    continue
                seen.add(there)
                if self._passes(there):
                    todo.append(there)
                else:
                    found.append(there)
        return tuple(sorted(found))

    def _passes(self, node: str) -> bool:
        return any(self._is_inline(element) for element in self._elements_at(node))

    def _is_inline(self, element: Element) -> bool:
        return isinstance(element, Contact) and self._car.connectors[element.connector].kind == "inline"

    def _outer(self, pin: Pin) -> str:
        return self._car.elements[pin.id].a

    # -- circuits --------------------------------------------------------------------------------------------

    def way(self, node: str) -> tuple[Step, ...]:
        """The claimed way of current from the battery's plus post to a terminal, step by step."""
        graph = self._feeds
        if node not in graph or not nx.has_path(graph, "BAT+", node):
            return ()
        return self._steps(nx.shortest_path(graph, "BAT+", node))

    def way_back(self, node: str) -> tuple[Step, ...]:
        """The claimed way from a terminal to the battery's minus post."""
        graph = self._feeds
        if node not in graph or not nx.has_path(graph, node, "BAT-"):
            return ()
        return self._steps(nx.shortest_path(graph, node, "BAT-"))

    def wire_way(self, a: str, b: str) -> tuple[Step, ...]:
        """Splices and in-line connectors on the wire between two terminals."""
        if a not in self._wires or b not in self._wires or not nx.has_path(self._wires, a, b):
            return ()
        return self._steps(nx.shortest_path(self._wires, a, b))

    def sensor_ends(self, sensor: str) -> tuple[str, ...]:
        """The module's pins that a sensor's supply, signal and ground come from."""
        spec = self.vehicle.sensors[sensor]
        ends = (end.split()[0].split(".", 1) for end in (spec.from_, spec.signal, spec.ground))
        pins = (self._car.pin_of(module, function) for module, function in ends)
        return tuple(pin.id for pin in pins if pin is not None)

    def _steps(self, nodes: list[str]) -> tuple[Step, ...]:
        ends = {"BAT+": "battery plus", "BAT-": "battery minus"}
        steps = [self._stand(nodes[0], ends)] if nodes else []
        for a, b in pairwise(nodes):
            element: Element = self._feeds.edges[a, b]["element"]
            if not isinstance(element, Wire) and not self._is_bar_behind(element, a):
                step = self._step_over(element, a)
                steps.append(replace(step, colour="" if step.kind == "bar" else self.colour(b)))
            steps.append(self._stand(b, ends))
        return tuple(step for step in steps if step.kind)

    def _stand(self, node: str, ends: dict[str, str]) -> Step:
        """A battery post or splice; a step without a kind for any other terminal."""
        if node in ends:
            return Step("battery", node, ends[node], node, self.colour(node))
        if self._is_splice(node):
            return Step("splice", node, "splice", node, self.colour(node))
        return Step("", node, "", node)

    def _is_bar_behind(self, element: Element, node: str) -> bool:
        """A short piece of rail behind a relay or fuse, which no diagram draws."""
        joint = isinstance(element, Resistor) and element.kind == "joint"
        return joint and node != "BAR" and element.id not in self.vehicle.grounds

    def _step_over(self, element: Element, node: str) -> Step:
        match element:
            case FuseLink():
                fuse = self.vehicle.fuses[element.id]
                return Step("fuse", element.id, f"{fuse.rating_a:g} A, {fuse.title or fuse.location}", node)
            case RelayContact():
                title = self.vehicle.relays[element.id].title
                return Step("relay", element.id, title or "contact 30-87", node)
            case HandSwitch():
                return Step("switch", element.id, self.vehicle.switches[element.id].title or "switch", node)
            case GeneratorOutput():
                return Step("load", element.id, "generator", node)
            case LoadPart():
                return Step("load", element.id, self.vehicle.loads[element.id].title or element.kind, node)
            case Contact():
                plug = self._car.connectors[element.connector]
                kind = "clamp" if plug.kind == "battery" else "pin"
                return Step(kind, element.id, self.words(self._car.pins[element.id]), node)
            case Driver():
                return Step("driver", f"{element.module}.{element.output}", "driver inside the module", node)
            case Resistor(kind="joint") if element.id in self.vehicle.grounds:
                return Step("ground", element.id, self.vehicle.grounds[element.id].location, node)
        return Step("bar", "BAR", "feed bar", node)

    def circuit(self, name: str) -> nx.Graph[str]:
        """Everything that the diagram of a module, fuse, relay, load, switch or bus shows.

        Nodes are terminals; an edge carries `element`, a part of the car, and `colour` for a wire. Raises
        `EditProblem` for an unknown name.
        """
        wanted = self._wanted(name)
        shown: nx.Graph[str] = nx.Graph()
        for nodes in wanted:
            for a, b in pairwise(nodes):
                element = self._everything.edges[a, b]["element"]
                colour = self.colour(a) if isinstance(element, Wire) else ""
                shown.add_edge(a, b, element=element, colour=colour)
        return shown

    def _wanted(self, name: str) -> list[list[str]]:
        """Ways, as lists of nodes, that make up a circuit."""
        car = self._car
        if name in self.vehicle.modules:
            ways = [self._around(pin) for pin in car.pins_of(name)]
            return [way for found in ways for way in found]
        if name in (*self.vehicle.fuses, *self.vehicle.relays):
            return [way for end in self._consumers(name) for way in self._fed_and_back(end)]
        if name in self.vehicle.buses:
            return self._bus_edges(name)
        if name in self.vehicle.lin:
            return self._wire_edges(name)
        if name in self.vehicle.loads or name in self.vehicle.switches:
            return [
                self._path("BAT+", f"{name}.1"),
                [f"{name}.1", f"{name}.2"],
                self._path(f"{name}.2", "BAT-"),
            ]
        known = [*self.vehicle.modules, *self.vehicle.fuses, *self.vehicle.relays, *self.vehicle.buses]
        known += [*self.vehicle.lin, *self.vehicle.loads, *self.vehicle.switches]
        raise EditProblem(unknown("circuit", name, known))

    def _around(self, pin: Pin) -> Iterator[list[str]]:
        """The ways that meet at a module's pin: from its supply, to its ground, to the next stop."""
        node = pin.id
        yield [node, pin.inner]
        if pin.function.startswith("GND"):
            yield self._path(node, "BAT-")
        elif self.way(node):
            yield self._path("BAT+", node)
        for end in self.far_ends(node):
            yield nx.shortest_path(self._wires, node, end)

    def _fed_and_back(self, end: str) -> Iterator[list[str]]:
        """The way to a consumer, through it if it is a load, and back to the battery."""
        yield self._path("BAT+", end)
        name = end.removesuffix(".1")
        if name in self.vehicle.loads or name == "GEN":
            yield [end, f"{name}.2"]
            yield self._path(f"{name}.2", "BAT-")
        elif end in self._car.pins:
            owner = self._car.connectors[self._car.pins[end].connector].owner
            for pin in self._car.pins_of(owner) if owner else []:
                if pin.function.startswith("GND"):
                    yield self._path(pin.id, "BAT-")

    def _bus_edges(self, bus: str) -> list[list[str]]:
        """The pair of a bus with its stubs, in-line connectors and terminators."""
        lines = {node for one in self._car.transceivers.values() if one.bus == bus for node in (one.h, one.l)}
        kept = [
            element
            for element in self._car.elements.values()
            if isinstance(element, Wire | Contact) or element.id.endswith(".through")
        ]
        graph = self._graph(kept)
        nodes = set().union(*(nx.node_connected_component(graph, line) for line in lines if line in graph))
        ends = [
            e for e in self._car.elements.values() if getattr(e, "kind", "") == "terminator" and e.a in nodes
        ]
        return [[element.a, element.b] for element in (*kept, *ends) if element.a in nodes]

    def _wire_edges(self, cluster: str) -> list[list[str]]:
        """The wire of a LIN cluster with its stubs and in-line connectors."""
        kept = [one for one in self._car.elements.values() if isinstance(one, Wire | Contact)]
        graph = self._graph(kept)
        ports = [port.node for port in self._car.lin.values() if port.bus == cluster]
        nodes = set().union(*(nx.node_connected_component(graph, node) for node in ports))
        return [[element.a, element.b] for element in kept if element.a in nodes]

    def consumers(self, name: str) -> tuple[str, ...]:
        """The terminals that a fuse or relay feeds; a load's or switch's own."""
        return tuple(self._consumers(name)) if name in self._holders else (f"{name}.1",)

    def bus_pins(self, bus: str, name: str) -> dict[str, str]:
        """A stop's pins on a bus, by leg: H, L, and H2, L2 where the pair goes in and out; LIN: one wire."""
        plugs = [plug for plug in self._car.connectors.values() if name in (plug.owner, plug.id)]
        prefix = "" if name == "DLC" else f"{bus}."
        legs = [(pin.function.removeprefix(prefix), pin.id) for plug in plugs for pin in plug.pins]
        return {leg: id for leg, id in legs if leg in ("H", "L", "H2", "L2", "LIN")}

    def words_at(self, node: str) -> str:
        """What the pin at a terminal is for; nothing where no pin is."""
        return self.words(self._car.pins[node]) if node in self._car.pins else ""

    def _consumers(self, holder: str) -> Iterator[str]:
        fed = self._car.elements[holder].b
        below = nx.node_connected_component(self._below(holder), fed)
        for pin in self._car.pins.values():
            if pin.id in below and self._car.connectors[pin.connector].kind in ("module", "dlc"):
                yield pin.id
        for name in (*self.vehicle.loads, *self.vehicle.switches, "GEN"):
            if f"{name}.1" in below:
                yield f"{name}.1"

    def _below(self, holder: str) -> nx.Graph[str]:
        """What hangs on the load side of a fuse or relay, without the ways back through grounds."""
        element = self._car.elements[holder]
        kept = (Wire, Contact, FuseLink, RelayContact)
        graph: nx.Graph[str] = nx.Graph()
        graph.add_node(element.b)
        for one in self._car.elements.values():
            joint = isinstance(one, Resistor) and one.kind == "joint" and one.id not in self.vehicle.grounds
            if one.id != holder and (isinstance(one, kept) or joint):
                graph.add_edge(one.a, one.b)
        graph.remove_nodes_from([node for node in ("BAR", "BODY", *self.vehicle.grounds) if node in graph])
        return graph

    def _path(self, a: str, b: str) -> list[str]:
        graph = self._everything
        if a not in graph or b not in graph or not nx.has_path(graph, a, b):
            return []
        return list(nx.shortest_path(graph, a, b, weight="weight"))

    # -- expected values -------------------------------------------------------------------------------------

    def expected(self, at: str) -> tuple[Expected, ...]:
        """What a meter should show at a pin, fuse, relay, load or at the battery (`BAT`)."""
        if at == "BAT":
            return (
                Expected("measure volts BAT+ to BAT-", 12.2, 12.8, "V", ASLEEP, BATTERY),
                Expected("measure amps BAT.NEG", 0.0, 0.05, "A", ASLEEP, DRAW),
                *self._expected_charging(),
            )
        if at in self.vehicle.fuses:
            return (Expected(f"measure volts {at}.1 to {at}.2", -0.15, 0.15, "V", AWAKE, FUSE),)
        if at in self.vehicle.relays:
            ohm = self.vehicle.relays[at].coil_ohm
            return (Expected(f"measure ohms {at}.86 to {at}.85", 0.9 * ohm, 1.1 * ohm, "Ω", UNPLUGGED, COIL),)
        if at in self.vehicle.loads:
            ohm = self.vehicle.loads[at].ohm
            return (Expected(f"measure ohms {at}.1 to {at}.2", 0.9 * ohm, 1.1 * ohm, "Ω", UNPLUGGED, STATED),)
        if at in self._car.pins:
            return tuple(self._expected_at(self._car.pins[at]))
        raise EditProblem(unknown("place with an expected value", at, [*self._car.pins, *self.vehicle.fuses]))

    def _expected_charging(self) -> Iterator[Expected]:
        if self.vehicle.engine:
            yield Expected("measure volts BAT+ to BAT-", 13.5, 14.7, "V", RUNNING, CHARGING)
            yield Expected("measure minimum volts BAT+ to BAT-", 9.6, 12.0, "V", CRANKING, CRANK)
            yield Expected("measure volts GEN.1 to BAT+", -0.1, 0.3, "V", RUNNING, CHARGING)
            yield Expected("measure volts BAT- to GEN.2", -0.1, 0.2, "V", RUNNING, CHARGING)

    def _expected_at(self, pin: Pin) -> Iterator[Expected]:
        plug = self._car.connectors[pin.connector]
        leg = pin.function.rpartition(".")[2].rstrip("2")
        if leg in ("H", "L") and plug.kind in ("module", "dlc"):
            yield from self._expected_on_bus(pin, leg)
        elif leg == "LIN" and plug.kind == "module":
            yield Expected(f"measure volts {pin.id} to BODY", 11.5, 13.0, "V", ASLEEP, LIN_REST)
        elif plug.kind == "dlc" and pin.function == "B+":
            yield Expected(f"measure volts {pin.id} to DLC.4", 11.5, 15.0, "V", ASLEEP, SOCKET)
        elif plug.kind == "dlc":
            yield Expected(f"measure volts {pin.id} to BAT-", -0.1, 0.3, "V", AWAKE, SOCKET)
        elif (reference := self._reference_at(pin)) is not None:
            action = f"measure volts {pin.id} to {self._sensor_ground(pin)}"
            yield Expected(action, reference.low_v, reference.high_v, "V", AWAKE, REFERENCE)
        elif self._is_signal(pin):
            yield Expected(
                f"measure volts {pin.id} to {self._sensor_ground(pin)}", 0.5, 4.5, "V", AWAKE, SENSOR
            )
        elif plug.kind == "module" and pin.function.startswith("GND"):
            yield Expected(f"measure volts {pin.id} to BAT-", -0.1, 0.3, "V", AWAKE, TRADE)
        elif plug.kind == "module" and self._is_supply(plug.owner, pin.function):
            yield Expected(f"measure volts {pin.id} to BODY", 11.5, 15.0, "V", AWAKE, TRADE)
            yield Expected(f"measure volts BAT+ to {pin.id}", -0.1, 0.6, "V", AWAKE, TRADE)

    def _reference_at(self, pin: Pin) -> Reference | None:
        """The reference that a module's or sensor's pin carries."""
        plug = self._car.connectors[pin.connector]
        target = f"{plug.owner}.{pin.function}"
        if plug.kind == "sensor":
            target = self.vehicle.sensors[plug.id].from_.split()[0] if pin.function == "supply" else ""
        module, _, function = target.partition(".")
        return self.vehicle.modules[module].references.get(function) if module else None

    def _is_signal(self, pin: Pin) -> bool:
        plug = self._car.connectors[pin.connector]
        if plug.kind == "sensor":
            return pin.function == "signal"
        ends = [sensor.signal.split()[0] for sensor in self.vehicle.sensors.values()]
        return plug.kind == "module" and f"{plug.owner}.{pin.function}" in ends

    def _sensor_ground(self, pin: Pin) -> str:
        """The ground pin that belongs to a reference or signal, at the same connector."""
        plug = self._car.connectors[pin.connector]
        if plug.kind == "sensor":
            return f"{plug.id}.3"
        here = f"{plug.owner}.{pin.function}"
        for sensor in self.vehicle.sensors.values():
            if here in (sensor.from_.split()[0], sensor.signal.split()[0]):
                ground = self._car.pin_of(*sensor.ground.split()[0].split(".", 1))
                return ground.id if ground else "BODY"
        return "BODY"

    def _is_supply(self, module: str, function: str) -> bool:
        fed = [e.id for e in self._car.elements.values() if isinstance(e, Draw) and e.module == module]
        return f"{module}:{function}.draw" in fed and function in supply_functions([function])

    def _expected_on_bus(self, pin: Pin, leg: str) -> Iterator[Expected]:
        low_v, high_v = (2.4, 3.1) if leg == "H" else (1.9, 2.6)
        ground = "DLC.4" if pin.connector == "DLC" else "BODY"
        measure = f"measure volts {pin.id} to {ground}"
        yield Expected(measure, low_v, high_v, "V", AWAKE, SHEETS)
        yield Expected(measure, -0.1, 0.1, "V", ASLEEP, IDLE)
        bus = self._bus_of(pin)
        ends = self._terminators(bus)
        other = self._other_leg(pin)
        if leg == "H" and other and ends:
            low_ohm, high_ohm = 100 / ends, 130 / ends
            action = f"measure ohms {pin.id} to {other}"
            yield Expected(action, low_ohm, high_ohm, "Ω", OFF, f"{TERMINATED}, {ends} in parallel")

    def _bus_of(self, pin: Pin) -> str:
        if pin.connector == "DLC":
            return next(one.bus for one in self._car.transceivers.values() if one.module == TESTER)
        return pin.function.rpartition(".")[0]

    def _terminators(self, bus: str) -> int:
        line = line_items(self.vehicle.buses[bus].line)
        return sum("terminat" in word for _, word in line)

    def _other_leg(self, pin: Pin) -> str:
        wanted = pin.function[: len(pin.function) - len(pin.function.rpartition(".")[2])]
        leg = pin.function.rpartition(".")[2].replace("H", "L")
        for other in self._car.connectors[pin.connector].pins:
            if other.function == f"{wanted}{leg}":
                return other.id
        return ""

    # -- graphs ----------------------------------------------------------------------------------------------

    @cached_property
    def _at(self) -> dict[str, list[Element]]:
        found: dict[str, list[Element]] = {}
        for element in self._car.elements.values():
            found.setdefault(element.a, []).append(element)
            found.setdefault(element.b, []).append(element)
        return found

    def _elements_at(self, node: str) -> list[Element]:
        return self._at.get(node, [])

    def _is_splice(self, node: str) -> bool:
        return node.startswith("SP.")

    @cached_property
    def _wires(self) -> nx.Graph[str]:
        """Wires alone, in-line connectors closed: what has one colour."""
        return self._graph(
            element
            for element in self._car.elements.values()
            if isinstance(element, Wire) or self._is_inline(element)
        )

    @cached_property
    def _feeds(self) -> nx.Graph[str]:
        """Everything meant to bring current to a place and back, without loads and the insides of modules."""
        return self._graph(
            element
            for element in self._car.elements.values()
            if isinstance(element, Wire | Contact | FuseLink | RelayContact | HandSwitch | Driver)
            or (isinstance(element, Resistor) and element.kind in ("joint", "trace"))
        )

    @cached_property
    def _everything(self) -> nx.Graph[str]:
        graph = nx.Graph(self._feeds)
        for element in self._car.elements.values():
            if isinstance(element, LoadPart | GeneratorOutput):
                graph.add_edge(element.a, element.b, element=element)
        for element in self._car.elements.values():
            if getattr(element, "kind", "") == "terminator":
                graph.add_edge(element.a, element.b, element=element)
        for _, _, edge in graph.edges(data=True):
            edge["weight"] = 1 if isinstance(edge["element"], Wire | Contact | FuseLink) else 50
        return graph

    def _graph(self, elements: Iterable[Element]) -> nx.Graph[str]:
        graph: nx.Graph[str] = nx.Graph()
        graph.add_edges_from((element.a, element.b, {"element": element}) for element in elements)
        return graph


def module_title(name: str, title: str, role: str | None) -> str:
    """A module's name in words."""
    return title or ROLE_TITLES.get(role or name, name)
