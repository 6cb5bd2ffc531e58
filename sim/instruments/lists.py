"""The lists of a car's service information: fuses, relays, ground points, places, pin tables."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from sim.instruments.claim import Claim
from sim.instruments.labels import pin_words, wire_color
from sim.instruments.paths import far_ends
from sim.vehicle.elements import GeneratorOutput, LoadPart, Pin, Wire
from sim.vehicle.problems import EditProblem, unknown
from sim.vehicle.roles import role_title
from sim.vehicle.wire_ends import WireEnd


@dataclass(frozen=True, slots=True)
class ListEntry:
    """A part with a name, and where it is."""

    name: str
    title: str
    location: str


@dataclass(frozen=True, slots=True)
class FuseEntry(ListEntry):
    """One line of the fuse list. feeds: consumers by name; fed_from: battery, a relay or another fuse."""

    rating_a: float
    fed_from: str
    feeds: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RelayEntry(ListEntry):
    """One line of the relay list. driven_by: the pin that switches the coil; feeds: fuses and consumers."""

    coil_ohm: float
    driven_by: str
    feeds: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class GroundEntry(ListEntry):
    """One ground point and the pins and loads that end on it."""

    serves: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FacePin:
    """One line of a pin table. to: where the wire goes; area_mm2: 0 where no wire is shown."""

    id: str
    cavity: str
    function: str
    words: str
    color: str
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


def fuse_list(claim: Claim) -> tuple[FuseEntry, ...]:
    """The fuse list."""
    return tuple(
        FuseEntry(name, fuse.title, fuse.location, fuse.rating_a, fuse.from_, _fed_by(claim, name, fuse.ends))
        for name, fuse in claim.vehicle.fuses.items()
    )


def relay_list(claim: Claim) -> tuple[RelayEntry, ...]:
    """The relay list."""
    return tuple(
        RelayEntry(
            name, relay.title, relay.location, relay.coil_ohm, relay.coil, _fed_by(claim, name, relay.ends)
        )
        for name, relay in claim.vehicle.relays.items()
    )


def _fed_by(claim: Claim, source: str, feeds: Iterable[WireEnd]) -> tuple[str, ...]:
    behind = [name for name, holder in claim.holders.items() if holder.from_ == source]
    return (*(end.target for end in feeds), *behind)


def ground_list(claim: Claim) -> tuple[GroundEntry, ...]:
    """The ground points."""
    return tuple(
        GroundEntry(name, ground.title, ground.location, _ends_on(claim, name))
        for name, ground in claim.vehicle.grounds.items()
    )


def _ends_on(claim: Claim, ground: str) -> tuple[str, ...]:
    reached = claim.conductor(ground)
    pins = [id for id in claim.car.pins if id in reached]
    others = [
        element.id
        for element in claim.car.elements.values()
        if isinstance(element, LoadPart | GeneratorOutput) and element.b in reached
    ]
    return (*pins, *others)


def locations(claim: Claim) -> tuple[ListEntry, ...]:
    """Where everything with a name is, by name."""
    wired = claim.vehicle
    orange = wired.high_voltage.orange if wired.high_voltage else {}
    places = [
        *(ListEntry(n, module_title(n, m.title, m.role), m.location) for n, m in wired.modules.items()),
        *(ListEntry(n, p.title, p.location) for n, p in claim.holders.items()),
        *(ListEntry(n, p.title, p.location) for n, p in wired.grounds.items()),
        *(ListEntry(n, p.title, p.location) for n, p in wired.inline.items()),
        *(ListEntry(n, p.title or "sensor", p.location) for n, p in wired.sensors.items()),
        *(ListEntry(n, p.title or "orange connector", p.location) for n, p in orange.items()),
        ListEntry("DLC", "data link connector", wired.dlc.location),
    ]
    return tuple(sorted(places, key=lambda place: place.name))


def module_title(name: str, title: str, role: str | None) -> str:
    """A module's name in words."""
    return title or role_title(role or name) or name


def face(claim: Claim, connector: str) -> Face:
    """A connector's face with its pin table; raises `EditProblem` for an unknown one."""
    if connector not in claim.car.connectors:
        raise EditProblem(unknown("connector", connector, claim.car.connectors))
    plug = claim.car.connectors[connector]
    title = {"dlc": "data link connector", "battery": "battery clamp"}.get(plug.kind, "")
    if plug.kind == "module":
        spec = claim.vehicle.modules[plug.owner]
        title = module_title(plug.owner, spec.title, spec.role)
    elif plug.kind == "inline":
        title = claim.vehicle.inline[connector].title or "in-line connector"
    elif plug.kind == "sensor":
        title = claim.vehicle.sensors[connector].title or "sensor"
    elif plug.kind == "part":
        title = claim.vehicle.watched[connector].title
    elif plug.kind == "orange" and claim.vehicle.high_voltage:
        title = claim.vehicle.high_voltage.orange[connector].title or "orange connector"
    pins = tuple(_face_pin(claim, pin) for pin in plug.pins)
    return Face(plug.id, title, plug.location, plug.kind, pins)


def _face_pin(claim: Claim, pin: Pin) -> FacePin:
    node = claim.outer(pin)
    wires = [one for one in claim.elements_at(node) if isinstance(one, Wire)]
    area_mm2 = max((wire.area_mm2 for wire in wires), default=0.0)
    return FacePin(
        pin.id,
        pin.cavity,
        pin.function,
        pin_words(claim, pin),
        wire_color(claim, node),
        area_mm2,
        far_ends(claim, node),
    )


def bus_pins(claim: Claim, bus: str, name: str) -> dict[str, str]:
    """A stop's pins on a bus, by leg: H, L, and H2, L2 where the pair goes in and out; P and N of an
    Ethernet link; LIN: one wire.
    """
    plugs = [plug for plug in claim.car.connectors.values() if name in (plug.owner, plug.id)]
    prefix = "" if name == "DLC" else f"{bus}."
    legs = [(pin.function.removeprefix(prefix), pin.id) for plug in plugs for pin in plug.pins]
    return {leg: id for leg, id in legs if leg in ("H", "L", "H2", "L2", "P", "N", "LIN")}
