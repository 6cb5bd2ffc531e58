"""The tester's side of ISO 14229-1: requests as bytes, answers as plain values.

`decode(module, request, answer)` never raises: whatever the bytes are, it returns one of the answer
classes below, `Malformed` with a reason if they make no sense.

Not modelled: answers to several data identifiers in one request (ask for one at a time), records of
modules that are not ours.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from sim.modules.fault_memory import SnapshotRecord, Status
from sim.modules.uds_server import (
    AGING_RECORD,
    ALL_CODES,
    ALL_RECORDS,
    COUNTER_RECORD,
    MODULE_STATE_DID,
    NEGATIVE,
    OCCURRENCE_RECORD,
    POSITIVE,
    POWER_MODE_DID,
    POWER_MODES,
    SERIAL_NUMBER_DID,
    SESSION_DID,
    SOFTWARE_VERSION_DID,
    STATE_CHARACTERS,
    SUPPLY_VOLTAGE_DID,
    SUPPRESS,
    TIME_DID,
    UNKNOWN_POWER_MODE,
    VIN_DID,
    Service,
)
from sim.vehicle.codes import dtc_bytes, dtc_text, full_description, with_failure_type

# Status bits that a technician asks for: present, this cycle, pending, confirmed.
WORKSHOP_MASK: Final = 0x0F

FLAG_NAMES: Final[dict[Status, str]] = {
    Status.TEST_FAILED: "test failed",
    Status.TEST_FAILED_THIS_CYCLE: "test failed this operation cycle",
    Status.PENDING: "pending",
    Status.CONFIRMED: "confirmed",
    Status.TEST_NOT_COMPLETED_SINCE_CLEAR: "test not completed since last clear",
    Status.TEST_FAILED_SINCE_CLEAR: "test failed since last clear",
    Status.TEST_NOT_COMPLETED_THIS_CYCLE: "test not completed this operation cycle",
    Status.WARNING_INDICATOR_REQUESTED: "warning indicator requested",
}

# Negative response codes, ISO 14229-1 as given by the open packages udsoncan and `uds`.
REFUSAL_NAMES: Final[dict[int, str]] = {
    0x10: "general reject",
    0x11: "service not supported",
    0x12: "sub-function not supported",
    0x13: "incorrect message length or invalid format",
    0x14: "response too long",
    0x21: "busy, repeat request",
    0x22: "conditions not correct",
    0x24: "request sequence error",
    0x25: "no response from subnet component",
    0x26: "failure prevents execution of requested action",
    0x31: "request out of range",
    0x33: "security access denied",
    0x34: "authentication required",
    0x35: "invalid key",
    0x36: "exceed number of attempts",
    0x37: "required time delay not expired",
    0x78: "request correctly received, response pending",
    0x7E: "sub-function not supported in active session",
    0x7F: "service not supported in active session",
    0x92: "voltage too high",
    0x93: "voltage too low",
}


@dataclass(frozen=True, slots=True)
class ReportedDtc:
    """One trouble code as a module reported it."""

    module: str
    code: str
    description: str
    status: int

    @property
    def flags(self) -> tuple[str, ...]:
        """Names of the status bits that are set, from bit 0 up."""
        return tuple(name for bit, name in FLAG_NAMES.items() if self.status & bit)

    @property
    def failing_now(self) -> bool:
        """The latest test failed."""
        return bool(self.status & Status.TEST_FAILED)

    @property
    def pending(self) -> bool:
        """Failed in this or the last completed operation cycle."""
        return bool(self.status & Status.PENDING)

    @property
    def confirmed(self) -> bool:
        """Stored as a matured fault."""
        return bool(self.status & Status.CONFIRMED)


@dataclass(frozen=True, slots=True)
class DtcsRead:
    """Answer to `read_codes` and `read_supported_codes`; `available_bits`: status bits the module uses."""

    module: str
    available_bits: int
    codes: tuple[ReportedDtc, ...]


@dataclass(frozen=True, slots=True)
class DtcsCounted:
    """Answer to `count_codes`."""

    module: str
    number: int


@dataclass(frozen=True, slots=True)
class SnapshotsRead:
    """Answer to `read_snapshots`: record number and content, from the first failure to the latest."""

    code: ReportedDtc
    snapshots: tuple[tuple[int, SnapshotRecord], ...]


@dataclass(frozen=True, slots=True)
class CountersRead:
    """Answer to `read_counters`."""

    code: ReportedDtc
    occurrences: int
    aging_count: int
    fault_detection_counter: int


@dataclass(frozen=True, slots=True)
class DataRead:
    """Answer to `read_data`: a name, and the value as a number in `unit` or as text."""

    module: str
    identifier: int
    name: str
    value: float | str
    unit: str


@dataclass(frozen=True, slots=True)
class Done:
    """A positive answer to any other request; `data` is what follows the service identifier."""

    module: str
    service: int
    data: bytes


@dataclass(frozen=True, slots=True)
class NegativeResponse:
    """A negative answer."""

    module: str
    service: int
    reason: int

    @property
    def text(self) -> str:
        """Name of the negative response code."""
        return REFUSAL_NAMES.get(self.reason, f"negative response code {self.reason:02X}")


@dataclass(frozen=True, slots=True)
class Silent:
    """No answer came."""

    module: str


@dataclass(frozen=True, slots=True)
class Malformed:
    """An answer that does not fit its request."""

    module: str
    data: bytes
    reason: str


Answer = (
    DtcsRead
    | DtcsCounted
    | SnapshotsRead
    | CountersRead
    | DataRead
    | Done
    | NegativeResponse
    | Silent
    | Malformed
)


def change_session(session: int) -> bytes:
    """DiagnosticSessionControl: 1 default, 3 extended."""
    return bytes([Service.SESSION_CONTROL, session])


def reset_module(kind: int) -> bytes:
    """ECUReset: 1 hard, 3 soft."""
    return bytes([Service.ECU_RESET, kind])


def keep_session(*, answer_wanted: bool = False) -> bytes:
    """TesterPresent, which keeps a session from ending."""
    return bytes([Service.TESTER_PRESENT, 0 if answer_wanted else SUPPRESS])


def clear_codes(code: str | None = None) -> bytes:
    """ClearDiagnosticInformation: one code, or all. Raises CodeError for a bad code."""
    group = ALL_CODES.to_bytes(3, "big") if code is None else _dtc(code)
    return bytes([Service.CLEAR_DIAGNOSTIC_INFORMATION]) + group


def count_codes(mask: int = WORKSHOP_MASK) -> bytes:
    """ReadDTCInformation 01: how many codes have a status bit of `mask`."""
    return bytes([Service.READ_DTC_INFORMATION, 0x01, mask])


def read_codes(mask: int = WORKSHOP_MASK) -> bytes:
    """ReadDTCInformation 02: the codes that have a status bit of `mask`."""
    return bytes([Service.READ_DTC_INFORMATION, 0x02, mask])


def read_supported_codes() -> bytes:
    """ReadDTCInformation 0A: every code the module can set, with its status."""
    return bytes([Service.READ_DTC_INFORMATION, 0x0A])


def read_snapshots(code: str) -> bytes:
    """ReadDTCInformation 04, all records of one code. Raises CodeError for a bad code."""
    return bytes([Service.READ_DTC_INFORMATION, 0x04]) + _dtc(code) + bytes([ALL_RECORDS])


def read_counters(code: str) -> bytes:
    """ReadDTCInformation 06, all records of one code. Raises CodeError for a bad code."""
    return bytes([Service.READ_DTC_INFORMATION, 0x06]) + _dtc(code) + bytes([ALL_RECORDS])


def read_data(identifier: int) -> bytes:
    """ReadDataByIdentifier, for instance VIN_DID."""
    return bytes([Service.READ_DATA]) + identifier.to_bytes(2, "big")


def request_seed() -> bytes:
    """SecurityAccess, first step."""
    return bytes([Service.SECURITY_ACCESS, 0x01])


def send_key(key: bytes) -> bytes:
    """SecurityAccess, second step."""
    return bytes([Service.SECURITY_ACCESS, 0x02]) + key


def control_communication(control_type: int, communication_type: int = 0x01) -> bytes:
    """CommunicationControl: 0 all on, 1 receive only, 2 send only, 3 all off; type 1 normal, 2 NM, 3 both."""
    return bytes([Service.COMMUNICATION_CONTROL, control_type, communication_type])


def control_output(identifier: int, parameter: int, state: bytes = b"") -> bytes:
    """InputOutputControlByIdentifier: 0 give back, 1 default, 2 freeze, 3 adjust to `state`."""
    return bytes([Service.OUTPUT_CONTROL]) + identifier.to_bytes(2, "big") + bytes([parameter]) + state


def control_routine(kind: int, identifier: int, data: bytes = b"") -> bytes:
    """RoutineControl: 1 start, 2 stop, 3 results."""
    return bytes([Service.ROUTINE_CONTROL, kind]) + identifier.to_bytes(2, "big") + data


def set_code_recording(on: bool) -> bytes:
    """ControlDTCSetting: whether tests may set codes."""
    return bytes([Service.CODE_SETTING, 0x01 if on else 0x02])


def decode(module: str, request: bytes, answer: bytes | None) -> Answer:
    """What `module` answered to `request`; None stands for silence."""
    if answer is None:
        return Silent(module)
    if not request or not answer:
        return Malformed(module, answer, "an empty message")
    if answer[0] == NEGATIVE:
        if len(answer) != 3 or answer[1] != request[0]:
            return Malformed(module, answer, "a negative answer to another request")
        return NegativeResponse(module, answer[1], answer[2])
    if answer[0] != request[0] + POSITIVE:
        return Malformed(module, answer, f"an answer to another service than {request[0]:02X}")
    decoder = _decoder(request)
    if decoder is None:
        return Done(module, request[0], answer[1:])
    try:
        return decoder(module, request, answer)
    except _Unfit as unfit:
        return Malformed(module, answer, str(unfit))


class _Unfit(Exception):
    pass


_Decoder = Callable[[str, bytes, bytes], Answer]


def _decoder(request: bytes) -> _Decoder | None:
    if request[0] == Service.READ_DATA:
        return _decode_data if len(request) == 3 else None
    if request[0] == Service.READ_DTC_INFORMATION and len(request) > 1:
        one_of_many = request[1] == 0x06 and request[-1] != ALL_RECORDS
        return None if one_of_many else _CODE_DECODERS.get(request[1])
    return None


def _decode_number(module: str, request: bytes, answer: bytes) -> Answer:
    _fit(len(answer) == 6 and answer[1] == request[1], "not a number of codes")
    return DtcsCounted(module, int.from_bytes(answer[4:], "big"))


def _decode_codes(module: str, request: bytes, answer: bytes) -> Answer:
    _fit(len(answer) >= 3 and answer[1] == request[1], "not a list of codes")
    _fit(len(answer) % 4 == 3, "a list of codes that is cut off")
    codes = tuple(_read_code(module, answer[k : k + 4]) for k in range(3, len(answer), 4))
    return DtcsRead(module, answer[2], codes)


def _decode_snapshots(module: str, request: bytes, answer: bytes) -> Answer:
    code, rest = _one_code(module, request, answer)
    snapshots = []
    while rest:
        _fit(len(rest) >= 2, "a snapshot that is cut off")
        number, count, rest = rest[0], rest[1], rest[2:]
        values: dict[int, bytes] = {}
        for _ in range(count):
            identifier = int.from_bytes(rest[:2], "big")
            size = _SNAPSHOT_SIZES.get(identifier)
            if size is None:
                raise _Unfit(f"data identifier {identifier:04X} in a snapshot")
            values[identifier] = rest[2 : 2 + size]
            _fit(len(values[identifier]) == size, "a snapshot that is cut off")
            rest = rest[2 + size :]
        _fit(values.keys() == _SNAPSHOT_SIZES.keys(), "a snapshot without all its values")
        snapshots.append((number, _snapshot(values)))
    return SnapshotsRead(code, tuple(snapshots))


def _snapshot(values: dict[int, bytes]) -> SnapshotRecord:
    mode = values[POWER_MODE_DID][0]
    _fit(mode < len(POWER_MODES) or mode == UNKNOWN_POWER_MODE, f"power mode {mode:02X}")
    return SnapshotRecord(
        time_s=int.from_bytes(values[TIME_DID], "big") / 1000,
        supply_v=int.from_bytes(values[SUPPLY_VOLTAGE_DID], "big") / 100,
        power_mode=None if mode == UNKNOWN_POWER_MODE else POWER_MODES[mode],
    )


def _decode_counters(module: str, request: bytes, answer: bytes) -> Answer:
    code, rest = _one_code(module, request, answer)
    records = dict(zip(rest[::2], rest[1::2], strict=False))
    numbers = (OCCURRENCE_RECORD, AGING_RECORD, COUNTER_RECORD)
    _fit(len(rest) == 6 and records.keys() == set(numbers), "other records than asked for")
    counter = int.from_bytes(bytes([records[COUNTER_RECORD]]), "big", signed=True)
    return CountersRead(code, records[OCCURRENCE_RECORD], records[AGING_RECORD], counter)


def _decode_data(module: str, request: bytes, answer: bytes) -> Answer:
    _fit(answer[1:3] == request[1:3], "another data identifier than asked for")
    identifier, data = int.from_bytes(answer[1:3], "big"), answer[3:]
    name, size = _DATA.get(identifier, ("unknown data", None))
    _fit(size is None or len(data) == size, f"{name} with {len(data)} bytes instead of {size}")
    value, unit = _data_value(identifier, data)
    return DataRead(module, identifier, name, value, unit)


def _data_value(identifier: int, data: bytes) -> tuple[float | str, str]:
    number = int.from_bytes(data, "big")
    if identifier == SUPPLY_VOLTAGE_DID:
        return number / 100, "V"
    if identifier == TIME_DID:
        return number / 1000, "s"
    if identifier == POWER_MODE_DID:
        return POWER_MODES[number] if number < len(POWER_MODES) else "unknown", ""
    if identifier == SESSION_DID:
        return {1: "default", 3: "extended"}.get(number, f"session {number:02X}"), ""
    if identifier in _DATA:
        return data.decode("ascii", "replace").rstrip(), ""
    return data.hex(" ").upper(), ""


def _one_code(module: str, request: bytes, answer: bytes) -> tuple[ReportedDtc, bytes]:
    """The code that a 19 04 or 19 06 answer is about, and the records after it."""
    _fit(len(answer) >= 6 and answer[1:5] == request[1:5], "records of another code than asked for")
    return _read_code(module, answer[2:6]), answer[6:]


def _read_code(module: str, data: bytes) -> ReportedDtc:
    code = dtc_text(data[:3])
    return ReportedDtc(module, code, full_description(code), data[3])


def _dtc(code: str) -> bytes:
    return dtc_bytes(with_failure_type(code))


def _fit(condition: bool, otherwise: str) -> None:
    if not condition:
        raise _Unfit(otherwise)


_SNAPSHOT_SIZES: Final = {SUPPLY_VOLTAGE_DID: 2, POWER_MODE_DID: 1, TIME_DID: 4}

# Data identifier: name, size in bytes (None: any).
_DATA: Final[dict[int, tuple[str, int | None]]] = {
    SESSION_DID: ("diagnostic session", 1),
    SERIAL_NUMBER_DID: ("serial number", None),
    VIN_DID: ("vehicle identification number", 17),
    SOFTWARE_VERSION_DID: ("software version", None),
    SUPPLY_VOLTAGE_DID: ("supply voltage", 2),
    POWER_MODE_DID: ("power mode", 1),
    MODULE_STATE_DID: ("module state", STATE_CHARACTERS),
    TIME_DID: ("time of the module's clock", 4),
}

_CODE_DECODERS: Final[dict[int, _Decoder]] = {
    0x01: _decode_number,
    0x02: _decode_codes,
    0x04: _decode_snapshots,
    0x06: _decode_counters,
    0x0A: _decode_codes,
}
