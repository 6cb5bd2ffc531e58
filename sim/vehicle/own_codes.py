"""The codes that a module's own tests can set, worked out from a description.

What each test needs to be judged is in `sim/modules`; here is only which codes there are, so that a condition
over a code can be checked, and a code that was seen can be given to those that set it.
"""

from __future__ import annotations

from collections.abc import Iterator

from sim.vehicle.bus_paths import find_buses_of
from sim.vehicle.code_tables import MODULE_ROLES
from sim.vehicle.codes import (
    bus_off_code,
    invalid_data_code,
    is_known_role,
    lost_communication_code,
    plain_name,
)
from sim.vehicle.description import Vehicle
from sim.vehicle.description_high_voltage import HighVoltage
from sim.vehicle.description_software import Module, Monitor

NOT_CONFIGURED = "U3000-55"
OTHER_VIN_CODES = {True: "P0630-00", False: "U3002-4A"}  # of the engine module, of any other
FIRST_MISFIRE = 0x301  # SAE J2012: P0301 for the first cylinder


def base_code(code: str) -> str:
    """A code without its failure type."""
    return code.partition("-")[0].upper()


def own_codes(vehicle: Vehicle, name: str) -> tuple[str, ...]:
    """Every code that a module can set, once and without failure type, in a fixed order."""
    return tuple(dict.fromkeys(map(base_code, _codes(vehicle, name))))


def _codes(vehicle: Vehicle, name: str) -> Iterator[str]:
    module = vehicle.modules[name]
    for monitor in module.hears:
        yield from _codes_about(vehicle, monitor)
    checks = [check.code for check in module.checks]
    checks += [one.code for one in module.references.values() if one.code is not None]
    checks += [one.code for one in vehicle.watched.values() if one.module == name]
    told = (one for one in vehicle.sensors.values() if one.ends[1].part == name)
    checks += [one.sent_code for one in told if one.sent_code is not None]
    checks += [one.battery_code for one in module.pulsed.values() if one.battery_code is not None]
    yield from checks
    for place, (bus, spec) in enumerate(vehicle.buses.items()):
        code = spec.off_code or bus_off_code(place)
        if code and bus in find_buses_of(vehicle)[name]:
            yield code
    yield from _codes_of_set_up(vehicle, name)
    yield from _codes_of_engine(vehicle, name)
    if vehicle.high_voltage and vehicle.high_voltage.controller == name:
        yield from _codes_of_high_voltage(vehicle.high_voltage)


def _codes_about(vehicle: Vehicle, monitor: Monitor) -> Iterator[str]:
    sender = vehicle.modules.get(monitor.from_)
    role = (sender.role if sender else None) or monitor.from_
    known = is_known_role(role)
    if monitor.code or known:
        yield monitor.code or lost_communication_code(role)
    if (monitor.invalid_code or known) and _carries_signals(sender, monitor.message):
        yield monitor.invalid_code or invalid_data_code(role)


def _carries_signals(sender: Module | None, message: str | None) -> bool:
    """Whether a sender's message, by name or its first, has values that could be invalid."""
    if sender is None or sender.sends is None:
        return bool(sender and sender.signals)
    sent = next(iter(sender.sends.values()), None) if message is None else sender.sends.get(message)
    return bool(sent and sent.signals)


def _codes_of_high_voltage(spec: HighVoltage) -> Iterator[str]:
    yield from (check.code for check in spec.interlock.checks())
    yield from (*spec.stuck_closed_codes, spec.stuck_open_code, spec.precharge.code)
    yield from (spec.insulation.warning_code, spec.insulation.fault_code)


def _codes_of_set_up(vehicle: Vehicle, name: str) -> Iterator[str]:
    needs = vehicle.modules[name].set_up
    if "coding" in needs:
        yield from (NOT_CONFIGURED, *OTHER_VIN_CODES.values())
        if absent := absent_role_code(vehicle):
            yield absent
    if "calibration" in needs:
        yield vehicle.modules[name].calibration_code


def absent_role_code(vehicle: Vehicle) -> str | None:
    """The lost communication code of the first role of the tables that no module of a car has."""
    there = {plain_name(spec.role or name) for name, spec in vehicle.modules.items()}
    for role in MODULE_ROLES:
        if not there & {plain_name(name) for name in (role.role, *role.others)}:
            return role.lost_code
    return None


def _codes_of_engine(vehicle: Vehicle, name: str) -> Iterator[str]:
    immobilizer, engine = vehicle.immobilizer, vehicle.engine
    if immobilizer and immobilizer.engine == name:
        yield immobilizer.code
    if immobilizer and immobilizer.authority == name and immobilizer.authority_code:
        yield immobilizer.authority_code
    if engine and engine.controller == name:
        yield from (f"P{FIRST_MISFIRE + number:04X}" for number in range(len(engine.cylinders)))
