"""Kinds of faults beyond those that take something away (`sim.vehicle.edits.catalogue`), by name.

    further_faults(car, ["half seated connectors", "shorted bus lines"])

Each kind lists its faults of one car as sentences, in a fixed order. Which kinds harnesses have, and the
figures in them, are common practice.

Buses that are shorted, swapped or disturbed from inside a module run bit by bit: such runs take seconds.

Not modelled: faults of more than one size; faults that come and go or come late; shorts between any two wires
of a loom; software that keeps a module awake, which shows only in a battery that is flat the next day.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import pairwise

from sim.vehicle.car import Car
from sim.vehicle.edits import SHORT_OHM
from sim.vehicle.elements import Draw, Pin, ReferenceSupply, Resistor, Transceiver
from sim.vehicle.harness import TERMINATOR_OHM
from sim.vehicle.problems import Problem, unknown

CORRODED_OHM = 8.0  # lets a sleeping module's current through, and hardly that of one that runs
LIFTED_V = 3.0
FLAT_PCT = 5.0
RAILS = ("BODY", "BAT+")
OTHER_BPS = {250_000: 500_000}  # what a module of another car would be set to; all other buses: 250 kbit/s


def further_faults(car: Car, kinds: Iterable[str] | None = None) -> tuple[str, ...]:
    """The faults of these kinds, or of all; raises `Problem` with the nearest right name."""
    chosen = list(FAULT_KINDS if kinds is None else kinds)
    for kind in chosen:
        if kind not in FAULT_KINDS:
            raise Problem(unknown("kind of fault", kind, FAULT_KINDS))
    return tuple(dict.fromkeys(text for kind in chosen for text in FAULT_KINDS[kind](car)))


def _blown(car: Car) -> Iterator[str]:
    yield from (f"blow {fuse}" for fuse in car.built.fuses)


def _half_seated(car: Car) -> Iterator[str]:
    plugs = (plug for plug in car.connectors.values() if plug.kind not in ("dlc", "battery"))
    yield from (f"loosen {plug.id}" for plug in plugs if len(plug.pins) > 1)


def _corroded(car: Car) -> Iterator[str]:
    yield from (f"corrode {ground} {CORRODED_OHM:g} ohm" for ground in car.built.grounds)
    yield from (f"corrode {pin.id} {CORRODED_OHM:g} ohm" for pin in _supply_pins(car))


def _lifted(car: Car) -> Iterator[str]:
    yield from (f"offset {ground} {LIFTED_V:g} V" for ground in car.built.grounds)


def _shorted_supplies(car: Car) -> Iterator[str]:
    yield from (_short(pin.id, "BODY") for pin in _supply_pins(car))


def _shorted_lines(car: Car) -> Iterator[str]:
    for high, low in _one_of_each_bus(car):
        yield _short(high.id, low.id)
        yield from (_short(leg.id, rail) for leg in (high, low) for rail in RAILS)
    bus_at = {leg: one.bus for one in _modules_channels(car) for leg in (one.h, one.l)}
    for plug in car.connectors.values():  # water in a connector joins neighbours
        for one, other in pairwise(plug.pins):
            if {one.inner, other.inner} <= bus_at.keys() and bus_at[one.inner] != bus_at[other.inner]:
                yield _short(one.id, other.id)
    for cluster in car.built.lin:
        wire = next(_pin_at(port.node, car) for port in car.lin.values() if port.bus == cluster)
        yield from (_short(wire.id, rail) for rail in RAILS)


def _shorted_sensors(car: Car) -> Iterator[str]:
    references = [one for one in car.elements.values() if isinstance(one, ReferenceSupply)]
    yield from (_short(_pin_at(one.a, car).id, rail) for one in references for rail in RAILS)
    for sensor in car.built.sensors:
        supply, signal, ground = car.connectors[sensor].pins
        yield from (_short(signal.id, other.id) for other in (supply, ground))


def _swapped(car: Car) -> Iterator[str]:
    for one in _modules_channels(car):
        high, low = _legs(one, car)
        if high.connector == low.connector:
            yield f"swap {high.id} with {low.id}"


def _terminated(car: Car) -> Iterator[str]:
    own = (one for one in car.elements.values() if isinstance(one, Resistor) and one.kind == "terminator")
    yield from (f"open {one.id}" for one in own)
    for high, low in _one_of_each_bus(car):
        yield f"terminate {high.id} to {low.id} {TERMINATOR_OHM:g} ohm"


def _inside(car: Car) -> Iterator[str]:
    for one in _modules_channels(car):
        rate_bps = OTHER_BPS.get(car.built.buses[one.bus].bitrate_bps, 250_000)
        yield from (f"stick {one.id}", f"babble {one.id}", f"set {one.id} to {rate_bps // 1000} kbit/s")


def _flat(car: Car) -> Iterator[str]:
    yield f"charge {FLAT_PCT:g} %"


FAULT_KINDS: dict[str, Callable[[Car], Iterator[str]]] = {
    "blown fuses": _blown,
    "half seated connectors": _half_seated,
    "corroded grounds and supplies": _corroded,
    "lifted grounds": _lifted,
    "shorted supplies": _shorted_supplies,
    "shorted bus lines": _shorted_lines,
    "shorted sensors": _shorted_sensors,
    "swapped bus wires": _swapped,
    "terminators": _terminated,
    "inside modules": _inside,
    "flat battery": _flat,
}


def _supply_pins(car: Car) -> Iterator[Pin]:
    draws = [one for one in car.elements.values() if isinstance(one, Draw)]
    yield from (_pin_at(one.a, car) for one in draws if one.module in car.built.modules)


def _modules_channels(car: Car) -> list[Transceiver]:
    return [one for one in car.transceivers.values() if one.module in car.built.modules]


def _one_of_each_bus(car: Car) -> Iterator[tuple[Pin, Pin]]:
    for bus in car.built.buses:
        yield _legs(next(one for one in _modules_channels(car) if one.bus == bus), car)


def _legs(one: Transceiver, car: Car) -> tuple[Pin, Pin]:
    return _pin_at(one.h, car), _pin_at(one.l, car)


def _short(one: str, other: str) -> str:
    return f"short {one} to {other} {SHORT_OHM:g} ohm"


def _pin_at(inner: str, car: Car) -> Pin:
    return next(pin for pin in car.pins.values() if pin.inner == inner)
