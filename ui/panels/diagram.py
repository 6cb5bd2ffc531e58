"""What the wiring diagram says about one module, as lists to choose from and sentences to read."""

from __future__ import annotations

from collections.abc import Iterator

from sim.vehicle.car import Car
from sim.vehicle.elements import Connector
from sim.vehicle.wire_ends import wire_end


def feeds_of(car: Car, module: str) -> dict[str, str]:
    """The fuses that the diagram shows on the way to a module, nearest first, each with its words."""
    fuses = car.claimed.fuses
    words = {name: f"{name}, {one.rating_a:g} A, {one.title or one.location}" for name, one in fuses.items()}
    found: dict[str, str] = {}
    for name, fuse in fuses.items():
        pins = [item for item, end in zip(fuse.feeds, fuse.ends, strict=True) if end.part == module]
        if pins:
            found[name] = f"{words[name]}, to {', '.join(pins)}"
    for name in list(found):
        for link in _upstream(car, name):
            found.setdefault(link, f"{words[link]}, feeds {name}")
    return found


def _upstream(car: Car, fuse: str) -> Iterator[str]:
    source = car.claimed.fuses[fuse].from_
    while source != "battery":
        if source in car.claimed.relays:
            source = car.claimed.relays[source].from_
        else:
            yield source
            source = car.claimed.fuses[source].from_


def connectors_of(car: Car, module: str) -> list[Connector]:
    """A module's own connectors in file order."""
    return [plug for plug in car.connectors.values() if plug.owner == module]


def module_words(car: Car, module: str) -> str:
    """Where a module sits and what it is joined to."""
    spec = car.claimed.modules[module]
    grounds = ", ".join(grounds_of(car, module))
    lines = [f"bus {bus}" for bus in car.messages.buses_of[module]]
    lines += [f"LIN {cluster}" for cluster in car.messages.clusters_of[module]]
    place = f"{spec.location}; " if spec.location else ""
    return f"{place}{', '.join(lines)}; ground {grounds}"


def grounds_of(car: Car, module: str) -> list[str]:
    """The ground points of a module; without any in the file it is on the car's first."""
    named = [wire_end(item).target for item in car.claimed.modules[module].ground]
    return list(dict.fromkeys(named)) or [next(iter(car.claimed.grounds))]


def guarded_gateways(car: Car) -> list[str]:
    """Gateways that let a clear request through only after security access."""
    guards = {name: spec.gateway for name, spec in car.claimed.modules.items()}
    return [name for name, guard in guards.items() if guard and "clear" in guard.refuses_until_unlocked]


def right_lasts(car: Car, gateway: str) -> str:
    """How long the right lasts that a gateway grants: a set time, or as long as its session."""
    guard = car.claimed.modules[gateway].gateway
    lasts_s = guard.right_lasts_s if guard else None
    return "until it sleeps or resets" if lasts_s is None else f"for {lasts_s:g} s"


def connector_words(car: Car, plug: Connector) -> str:
    """A connector as it reads in a list."""
    owner = f" of {plug.owner}" if plug.owner else ""
    kinds = {
        "module": f"connector{owner}",
        "inline": "in-line connector",
        "battery": "battery clamp",
        "dlc": "diagnostic connector",
        "part": "connector of a part",
        "orange": "orange connector",
    }
    spec = car.claimed.inline.get(plug.id)
    place = plug.location or (spec.location if spec else "")
    return f"{plug.id} · {kinds.get(plug.kind, plug.kind)}{f', {place}' if place else ''}"


def buses_through(car: Car, connector: str) -> list[str]:
    """The bus lines and LIN wires that pass an in-line connector."""
    buses = [
        bus for bus, spec in car.claimed.buses.items() if connector in (stop.name for stop in spec.stops)
    ]
    return [*buses, *(cluster for cluster, spec in car.claimed.lin.items() if connector in spec.line)]
