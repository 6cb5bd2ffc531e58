"""The lists of a car's service information: fuses, relays, ground points and locations."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from sim.instruments.claim import Claim
from sim.vehicle.elements import GeneratorOutput, LoadPart
from sim.vehicle.roles import ROLE_TITLES
from sim.vehicle.wire_ends import WireEnd


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
class Location:
    """Where a component is."""

    name: str
    title: str
    location: str


def fuse_list(claim: Claim) -> tuple[FuseEntry, ...]:
    """The fuse list."""
    return tuple(
        FuseEntry(name, fuse.title, fuse.rating_a, fuse.location, fuse.from_, _fed_by(claim, name, fuse.ends))
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
    served = {name: _ends_on(claim, name) for name in claim.vehicle.grounds}
    return tuple(
        GroundEntry(name, ground.title, ground.location, served[name])
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


def locations(claim: Claim) -> tuple[Location, ...]:
    """Where everything with a name is, by name."""
    wired = claim.vehicle
    places = [
        *(Location(n, module_title(n, m.title, m.role), m.location) for n, m in wired.modules.items()),
        *(Location(n, p.title, p.location) for n, p in wired.fuses.items()),
        *(Location(n, p.title, p.location) for n, p in wired.relays.items()),
        *(Location(n, p.title, p.location) for n, p in wired.grounds.items()),
        *(Location(n, p.title, p.location) for n, p in wired.inline.items()),
        *(Location(n, p.title or "sensor", p.location) for n, p in wired.sensors.items()),
        Location("DLC", "diagnostic link connector", wired.dlc.location),
    ]
    return tuple(sorted(places, key=lambda place: place.name))


def module_title(name: str, title: str, role: str | None) -> str:
    """A module's name in words."""
    return title or ROLE_TITLES.get(role or name, name)
