"""SAE J1979 services of the engine module: what the law lets every tester read.

01 current data, 03 confirmed codes, 04 clear, 07 pending codes, 0A permanent codes, of those that are
emission-related (`sim.vehicle.codes`); requests and responses as
bytes, as on CAN (ISO 15765-4: up to six parameters in one request, a count byte before the codes).

Layouts: SAE J1979 / ISO 15031-5 as given by PyPI `obd` and its decoders; which negative responses are sent,
and that a module is silent about parameters that it does not have, are from memory. The standards were not
read.

Not modeled: freeze frames (02), test results (05, 06), control (08), vehicle information (09), monitors
other than the comprehensive component monitor, sensor values that this model does not compute.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from sim.modules.fault_memory import Dtc, FaultMemory, Status
from sim.modules.uds_data import unsigned
from sim.modules.uds_protocol import POSITIVE, NegativeResponseCode, negative_response
from sim.vehicle.codes import dtc_bytes, is_emission_related

CURRENT_DATA: Final = 0x01
CONFIRMED_CODES: Final = 0x03
CLEAR_CODES: Final = 0x04
PENDING_CODES: Final = 0x07
PERMANENT_CODES: Final = 0x0A
SERVICES: Final = (CURRENT_DATA, CONFIRMED_CODES, CLEAR_CODES, PENDING_CODES, PERMANENT_CODES)

MAX_PARAMETERS: Final = 6  # in one request on CAN, ISO 15765-4; from memory

# Parameter identifiers, `obd.commands`: 05 coolant temperature in °C + 40, 0C engine speed in 1/4 rpm, 0D
# vehicle speed in km/h, 1C which law's OBD (06 is EOBD), 1F time since engine start in s, 42 control module
# voltage in mV.
MONITOR_STATUS: Final = 0x01
_COOLANT, _ENGINE_SPEED, _VEHICLE_SPEED = 0x05, 0x0C, 0x0D
_OBD_STANDARD, _RUN_TIME, _VOLTAGE = 0x1C, 0x1F, 0x42
_EOBD: Final = 0x06
_COMPONENT_MONITOR: Final = 0x04  # byte B of the status: supported; bit 6 says that it has not completed
_COMPONENT_INCOMPLETE: Final = 0x40
_MISFIRE_MONITOR, _MISFIRE_INCOMPLETE = 0x01, 0x10


@dataclass(frozen=True, slots=True)
class EngineValues:
    """What the engine module knows now."""

    engine_speed_rpm: float
    vehicle_speed_kph: float
    run_time_s: float  # since the engine started, 0 while it does not run
    supply_v: float
    engine_stopped: bool
    coolant_c: float


class ObdServices:
    """The legislated services over one module's fault memory; `values` is asked for each request."""

    def __init__(self, memory: FaultMemory, values: Callable[[], EngineValues]) -> None:
        self._memory = memory
        self._values = values

    @property
    def lamp_commanded(self) -> bool:
        """Does the module ask for the malfunction indicator lamp?"""
        return bool(self._memory.lamp_codes)

    def handle(self, request: bytes, functional: bool = False) -> bytes | None:
        """Respond to one request whose first byte is one of SERVICES; None for silence."""
        service, body = request[0], request[1:]
        if service == CURRENT_DATA:
            if not 1 <= len(body) <= MAX_PARAMETERS:
                return _rejected(service, functional)
            return self._current_data(body)
        if body:
            return _rejected(service, functional)
        if service == CLEAR_CODES:
            return self._clear()
        return _codes(service, self._stored(service))

    def _current_data(self, wanted: bytes) -> bytes | None:
        values = self._parameters()
        found = b"".join(bytes([one]) + values[one] for one in wanted if one in values)
        return bytes([CURRENT_DATA + POSITIVE]) + found if found else None

    def _clear(self) -> bytes:
        if not self._values().engine_stopped:
            return negative_response(CLEAR_CODES, NegativeResponseCode.CONDITIONS_NOT_CORRECT)
        self._memory.clear()
        return bytes([CLEAR_CODES + POSITIVE])

    def _stored(self, service: int) -> list[Dtc]:
        if service == CONFIRMED_CODES:
            return self._confirmed()
        if service == PENDING_CODES:
            return [entry for entry in self._legislated() if entry.status & Status.PENDING]
        return [entry for entry in self._legislated() if entry.permanent]

    def _confirmed(self) -> list[Dtc]:
        return [entry for entry in self._legislated() if entry.status & Status.CONFIRMED]

    def _legislated(self) -> list[Dtc]:
        return [entry for entry in self._memory.dtcs if is_emission_related(entry.code)]

    def _parameters(self) -> dict[int, bytes]:
        values = self._values()
        measured = {
            MONITOR_STATUS: self._status(),
            _COOLANT: unsigned(values.coolant_c + 40, 1),
            _ENGINE_SPEED: unsigned(values.engine_speed_rpm * 4, 2),
            _VEHICLE_SPEED: unsigned(values.vehicle_speed_kph, 1),
            _OBD_STANDARD: bytes([_EOBD]),
            _RUN_TIME: unsigned(values.run_time_s, 2),
            _VOLTAGE: unsigned(values.supply_v * 1000, 2),
        }
        return measured | _supported(sorted(measured))

    def _status(self) -> bytes:
        lamp = 0x80 if self.lamp_commanded else 0
        misfires = [entry for entry in self._legislated() if entry.code.startswith("P030")]
        others = [entry for entry in self._legislated() if entry not in misfires]
        monitors = _COMPONENT_MONITOR | (_COMPONENT_INCOMPLETE if _is_waiting(others) else 0)
        if misfires:
            monitors |= _MISFIRE_MONITOR | (_MISFIRE_INCOMPLETE if _is_waiting(misfires) else 0)
        return bytes([lamp | min(len(_numbers(self._confirmed())), 0x7F), monitors, 0, 0])


@dataclass(frozen=True, slots=True)
class Monitors:
    """What parameter 01 says: is the engine lamp asked for, how many codes, and which monitors have run."""

    lamp: bool
    codes: int
    monitors: tuple[tuple[str, bool], ...]


# Bits of bytes B (continuous) and C (spark ignition), from bit 0 up: SAE J1979 as given by PyPI `obd`.
_CONTINUOUS: Final = ("misfire", "fuel system", "components")
_SPARK: Final = (
    "catalyst", "heated catalyst", "evaporative system", "secondary air system", "", "oxygen sensor",
    "oxygen sensor heater", "exhaust gas recirculation",
)  # fmt: skip


def monitors_in(data: bytes) -> Monitors | None:
    """Read what follows the service identifier of a response to parameter 01; None if it is none.

    Not modeled: monitors of compression ignition.
    """
    if len(data) != 5 or data[0] != MONITOR_STATUS:
        return None
    a, b, c, d = data[1:]
    found = [(name, not b >> bit + 4 & 1) for bit, name in enumerate(_CONTINUOUS) if b >> bit & 1]
    found += [(name, not d >> bit & 1) for bit, name in enumerate(_SPARK) if name and c >> bit & 1]
    return Monitors(bool(a & 0x80), a & 0x7F, tuple(found))


def _supported(parameters: list[int]) -> dict[int, bytes]:
    """Parameters 00, 20 and so on: bit 31 is the next parameter, bit 0 the next of this kind."""
    masks: dict[int, bytes] = {}
    first = (parameters[-1] - 1) // 0x20 * 0x20
    for start in range(0, first + 1, 0x20):
        mask = sum(1 << 32 - (one - start) for one in parameters if start < one <= start + 0x20)
        more = start < first
        masks[start] = (mask | more).to_bytes(4, "big")
    return masks


def _is_waiting(entries: list[Dtc]) -> bool:
    return any(entry.status & Status.TEST_NOT_COMPLETED_SINCE_CLEAR for entry in entries)


def _numbers(entries: list[Dtc]) -> list[bytes]:
    """Codes without failure type, each once, in their order."""
    return list(dict.fromkeys(dtc_bytes(entry.code)[:2] for entry in entries))


def _codes(service: int, entries: list[Dtc]) -> bytes:
    numbers = _numbers(entries)
    return bytes([service + POSITIVE, len(numbers)]) + b"".join(numbers)


def _rejected(service: int, functional: bool) -> bytes | None:
    # SAE J1979: subFunctionNotSupported-invalidFormat (from memory)
    code = NegativeResponseCode.SUB_FUNCTION_NOT_SUPPORTED
    return None if functional else negative_response(service, code)
