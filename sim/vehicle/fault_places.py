"""Places of a harness at which kinds of faults are listed: supply pins, the pairs of buses."""

from __future__ import annotations

from collections.abc import Iterator

from sim.vehicle.car import Car
from sim.vehicle.elements import Draw, Pin, Transceiver


def supply_pins(car: Car) -> Iterator[Pin]:
    """Pins through which modules draw their current."""
    draws = [one for one in car.elements.values() if isinstance(one, Draw)]
    yield from (pin_at(one.a, car) for one in draws if one.module in car.built.modules)


def channels_of_modules(car: Car) -> list[Transceiver]:
    """The connections of modules to CAN buses, without the tester's."""
    return [one for one in car.transceivers.values() if one.module in car.built.modules]


def one_pair_of_each_bus(car: Car) -> Iterator[tuple[Pin, Pin]]:
    """The pins of CAN high and CAN low of the first module on each bus."""
    for bus in car.built.buses:
        yield legs_of(next(one for one in channels_of_modules(car) if one.bus == bus), car)


def legs_of(one: Transceiver, car: Car) -> tuple[Pin, Pin]:
    """The pins of CAN high and CAN low of a channel."""
    return pin_at(one.h, car), pin_at(one.l, car)


def pin_at(inner: str, car: Car) -> Pin:
    """The pin with this node inside its module."""
    return next(pin for pin in car.pins.values() if pin.inner == inner)
