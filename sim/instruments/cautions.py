"""What to mind before measuring on a real car, by what is probed and how.

Cautions are the usual ones of the trade (common practice; the sources disagree on waiting times). They never
replace the maker's service information, local rules and a trained person's judgment.
"""

from __future__ import annotations

from collections.abc import Iterator

from sim.bench.observations import Observation, ObservationKind
from sim.instruments.levels import conductor
from sim.vehicle.car import Car
from sim.vehicle.codes import is_role
from sim.vehicle.elements import Pin

# Technicians' articles on airbag safety give 1 to 30 minutes: the maker's figure counts.
AIRBAG = (
    "Airbag circuit: ignition off, battery negative off first, then wait as long as the maker says (at least "
    "10 minutes if unknown). Never a test lamp or an ohmmeter on it, and leave shorting bars alone."
)
# C. O. Probst, book on engine management diagnosis, quoted by technicians.
LAMP_ON_ELECTRONICS = (
    "No filament test lamp on electronic circuits: it draws more current than a module's pin can supply. "
    "Use a meter with 10 megohms."
)
FRONT_PROBING = "A thick probe spreads a terminal for good: use an adapter of the terminal's own size."
BACK_PROBING = "Slide in along the wire, thin and blunt: seals tear and terminals push out."
PIERCING = "Pierced insulation lets water in: seal it. Probe at a terminal if you can."
PIERCING_PAIR = "Never pierce the pair of a data bus: find a connector or use a breakout lead."
BREAKOUT = "Ignition off before a connector is taken off; the module restarts afterwards."
AMPS = (
    "The meter is in series, fused at 10 A: never across the battery, never while cranking. "
    "Move the lead back to volts afterwards."
)
BATTERY_CLAMP = (
    "Negative clamp off first, on last; no sparks near a battery that has just been charged; "
    "note what loses its memory."
)
# Hydrogen, explosive from 4 % in air: safety data sheets of lead batteries.
VENTS_GAS = (
    "A battery vents explosive gas, most of it while charging: no sparks, no flames, eye protection on."
)
LAMP_HEAT = "A load test draws real current: stay below the fuse's rating. The lamp gets hot."
HIGH_VOLTAGE = (
    "Orange parts: inspect, touch nothing. Above 60 V DC or 30 V AC only licensed people, isolated, locked "
    "off and proved dead (ISO 6469). "
    "Local law and the maker's service information go before anything said here."
)


def of(what: Observation, car: Car) -> tuple[str, ...]:
    """Return the cautions for an observation, without repeats."""
    return tuple(dict.fromkeys(_cautions(what, car)))


def harm(what: Observation, car: Car) -> tuple[str, ...]:
    """Return what this way of measuring spoils on a real car, without repeats."""
    return tuple(dict.fromkeys(_harm(what, car)))


def _cautions(what: Observation, car: Car) -> Iterator[str]:
    spots = [*what.points, *what.lamp_at]
    if what.kind is ObservationKind.LOOK:
        return
    if any(on_airbag(spot, car) for spot in spots):
        yield AIRBAG
    if what.kind is ObservationKind.AMPS:
        yield BATTERY_CLAMP if what.points[0].startswith("BAT.") else AMPS
    if what.lamp_w:
        yield LAMP_HEAT
        if any(on_electronics(spot, car) for spot in (what.lamp_at or what.points)):
            yield LAMP_ON_ELECTRONICS
    data = car.bus_nodes
    for spot, way in zip(what.points, what.by, strict=True):
        if way == "piercing":
            yield PIERCING_PAIR if spot in data else PIERCING
        elif way == "front-probing":
            yield FRONT_PROBING
        elif way == "back-probing":
            yield BACK_PROBING
        elif way == "breakout lead" and not spot.startswith("DLC."):
            yield BREAKOUT


def _harm(what: Observation, car: Car) -> Iterator[str]:
    data = car.bus_nodes
    for spot, way in zip(what.points, what.by, strict=False):
        if way == "piercing":
            yield f"the insulation {'of the data pair ' if spot in data else ''}at {spot} is pierced"
    if what.kind in (ObservationKind.OHMS, ObservationKind.CONTINUITY, ObservationKind.LOAD) or what.lamp_w:
        tool = "a lamp" if what.lamp_w else "an ohmmeter"
        for spot in dict.fromkeys([*what.points, *what.lamp_at]):
            pin = car.pins.get(spot)
            if pin and car.connectors[pin.connector].kind == "module" and _is_airbag(pin, car):
                yield f"{tool} on the airbag circuit at {spot} can fire it"
    if what.lamp_w:
        for spot in what.lamp_at or what.points:
            if on_electronics(spot, car):
                yield f"a lamp on the electronics at {spot} can burn out a driver"


def on_airbag(node: str, car: Car) -> bool:
    """Does the conductor end at the airbag module?"""
    return any(_is_airbag(pin, car) for pin in _pins(node, car))


def on_electronics(node: str, car: Car) -> bool:
    """Does the conductor end at a module's data line, input or output?"""
    return any(_is_electronic(pin, car) for pin in _pins(node, car))


def _pins(node: str, car: Car) -> list[Pin]:
    """Pins of modules that the conductor reaches, in no order."""
    pins = [car.pins[id] for id in conductor(car, node) & car.pins.keys()]
    pins += car.pins_inside.get(node, ())
    return [pin for pin in pins if car.connectors[pin.connector].kind == "module"]


def _is_airbag(pin: Pin, car: Car) -> bool:
    owner = car.connectors[pin.connector].owner
    return is_role(car.built.modules[owner].role or owner, "AIRBAG") and not _is_data(pin)


def _is_data(pin: Pin) -> bool:
    return pin.function.endswith((".H", ".L", ".H2", ".L2", ".P", ".N"))


def _is_electronic(pin: Pin, car: Car) -> bool:
    owner = car.connectors[pin.connector].owner
    spec = car.built.modules[owner]
    driven = [load.end.pin for load in car.built.loads.values() if load.end.part == owner and load.end.pin]
    measured = [check.pin for check in spec.checks if not check.pin.startswith("B+")]  # its own supply
    return _is_data(pin) or pin.function in (*spec.inputs, *spec.outputs, *driven, *measured)
