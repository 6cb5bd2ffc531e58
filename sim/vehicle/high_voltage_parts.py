"""What belongs to a car's high-voltage system by name, and which of it is orange.

An orange part is inspected and nothing else: its connectors carry the interlock's pins beside the pack's
voltage, and contactors, resistor and rails are inside the pack. Cars and their repair fall under ISO 6469,
the maker's service information and local law.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from sim.vehicle.car import Car
from sim.vehicle.conditions import Condition
from sim.vehicle.description import Vehicle
from sim.vehicle.description_high_voltage import CONTACTORS, RAILS, Inlet
from sim.vehicle.elements import part_of

CHARGE, CONVERT, READY = "charge", "convert", "ready"
PRECHARGE_RESISTOR = "PRECHARGE-RESISTOR"
TITLES = {
    "MAIN+": "positive main contactor", "MAIN-": "negative main contactor",
    "PRECHARGE": "precharge contactor",
    PRECHARGE_RESISTOR: "precharge resistor", "HV+": "positive high-voltage rail",
    "HV-": "negative high-voltage rail",
}  # fmt: skip


def high_voltage_switches(vehicle: Vehicle, module: str) -> Iterator[tuple[str, Condition]]:
    """What a module switches for the high-voltage system besides its outputs, each with its condition."""
    spec = vehicle.high_voltage
    if spec is None:
        return
    if spec.inlet and spec.inlet.module == module:
        yield CHARGE, spec.inlet.when
    if spec.converter.module == module:
        yield CONVERT, spec.converter.when
    if spec.drive == module:
        yield READY, spec.ready


def inlet_of(vehicle: Vehicle, module: str) -> Inlet | None:
    """The charge inlet that a module looks after."""
    inlet = vehicle.high_voltage.inlet if vehicle.high_voltage else None
    return inlet if inlet and inlet.module == module else None


def orange_connectors(car: Car) -> Iterable[str]:
    """The orange connectors, the service disconnect among them."""
    return tuple(plug.id for plug in car.connectors.values() if plug.kind == "orange")


def orange_parts(car: Car) -> frozenset[str]:
    """Everything orange that has a name; empty for a car without high voltage."""
    if car.built.high_voltage is None:
        return frozenset()
    return frozenset((*orange_connectors(car), *CONTACTORS, PRECHARGE_RESISTOR, *RAILS))


def is_orange(name: str, car: Car) -> bool:
    """Is a part, pin, wire or node orange? A wire is where it begins."""
    return part_of(name.partition(":")[0]) in orange_parts(car)


def orange_refusal(name: str) -> str:
    """Why an orange part is left alone, and what can be done instead."""
    return (
        f"{name} is orange: inspect it and do nothing else. High voltage is work for a licensed "
        "technician, after lock-out and proof of no voltage (ISO 6469, the maker's service "
        "information, local law). "
        f"'refer {part_of(name.partition(':')[0])}' hands it over"
    )
