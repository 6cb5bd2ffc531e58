"""What belongs to a car's high-voltage system by name, and which of it is orange."""

from __future__ import annotations

from collections.abc import Iterator

from sim.vehicle.conditions import Condition
from sim.vehicle.description import Vehicle

CHARGE, CONVERT, READY = "charge", "convert", "ready"


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
