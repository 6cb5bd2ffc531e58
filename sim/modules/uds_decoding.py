"""Decoding of a module's responses.

`decode(module, request, response)` never raises: whatever the bytes are, it returns one of the classes of
`uds_responses.py`, `Malformed` with a reason if they make no sense.

Not modelled: responses to several data identifiers in one request, records of modules that are not ours.
"""

from collections.abc import Callable
from typing import Final

from sim.modules.fault_memory import SnapshotRecord
from sim.modules.uds_protocol import (
    AGING_RECORD,
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
    TIME_DID,
    UNKNOWN_POWER_MODE,
    VIN_DID,
    DtcReport,
    Service,
)
from sim.modules.uds_responses import (
    CountersRead,
    DataRead,
    Done,
    DtcsCounted,
    DtcsRead,
    Malformed,
    NegativeResponse,
    NoResponse,
    ReportedDtc,
    Response,
    SnapshotsRead,
)
from sim.vehicle.codes import dtc_text, full_description


def decode(module: str, request: bytes, response: bytes | None) -> Response:
    """What `module` answered to `request`; None: it was silent."""
    if response is None:
        return NoResponse(module)
    if not request or not response:
        return Malformed(module, response, "an empty message")
    if response[0] == NEGATIVE:
        if len(response) != 3 or response[1] != request[0]:
            return Malformed(module, response, "a negative answer to another request")
        return NegativeResponse(module, response[1], response[2])
    if response[0] != request[0] + POSITIVE:
        return Malformed(module, response, f"an answer to another service than {request[0]:02X}")
    decoder = _decoder(request)
    if decoder is None:
        return Done(module, request[0], response[1:])
    try:
        return decoder(module, request, response)
    except _Unfit as unfit:
        return Malformed(module, response, str(unfit))


class _Unfit(Exception):
    pass


_Decoder = Callable[[str, bytes, bytes], Response]


def _decoder(request: bytes) -> _Decoder | None:
    if request[0] == Service.READ_DATA_BY_IDENTIFIER:
        return _decode_data if len(request) == 3 else None
    if request[0] == Service.READ_DTC_INFORMATION and len(request) > 1:
        one_of_many = request[1] == DtcReport.DTC_EXT_DATA_RECORD_BY_DTC_NUMBER and request[-1] != ALL_RECORDS
        return None if one_of_many else _DTC_DECODERS.get(request[1])
    return None


def _decode_number(module: str, request: bytes, response: bytes) -> Response:
    _fit(len(response) == 6 and response[1] == request[1], "not a number of codes")
    return DtcsCounted(module, int.from_bytes(response[4:], "big"))


def _decode_codes(module: str, request: bytes, response: bytes) -> Response:
    _fit(len(response) >= 3 and response[1] == request[1], "not a list of codes")
    _fit(len(response) % 4 == 3, "a list of codes that is cut off")
    codes = tuple(_read_code(module, response[k : k + 4]) for k in range(3, len(response), 4))
    return DtcsRead(module, response[2], codes)


def _decode_snapshots(module: str, request: bytes, response: bytes) -> Response:
    code, rest = _one_code(module, request, response)
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


def _decode_counters(module: str, request: bytes, response: bytes) -> Response:
    code, rest = _one_code(module, request, response)
    records = dict(zip(rest[::2], rest[1::2], strict=False))
    numbers = (OCCURRENCE_RECORD, AGING_RECORD, COUNTER_RECORD)
    _fit(len(rest) == 6 and records.keys() == set(numbers), "other records than asked for")
    counter = int.from_bytes(bytes([records[COUNTER_RECORD]]), "big", signed=True)
    return CountersRead(code, records[OCCURRENCE_RECORD], records[AGING_RECORD], counter)


def _decode_data(module: str, request: bytes, response: bytes) -> Response:
    _fit(response[1:3] == request[1:3], "another data identifier than asked for")
    identifier, data = int.from_bytes(response[1:3], "big"), response[3:]
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


def _one_code(module: str, request: bytes, response: bytes) -> tuple[ReportedDtc, bytes]:
    """The code that a 19 04 or 19 06 response is about, and the records after it."""
    _fit(len(response) >= 6 and response[1:5] == request[1:5], "records of another code than asked for")
    return _read_code(module, response[2:6]), response[6:]


def _read_code(module: str, data: bytes) -> ReportedDtc:
    code = dtc_text(data[:3])
    return ReportedDtc(module, code, full_description(code), data[3])


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

_DTC_DECODERS: Final[dict[int, _Decoder]] = {
    DtcReport.NUMBER_OF_DTC_BY_STATUS_MASK: _decode_number,
    DtcReport.DTC_BY_STATUS_MASK: _decode_codes,
    DtcReport.DTC_SNAPSHOT_RECORD_BY_DTC_NUMBER: _decode_snapshots,
    DtcReport.DTC_EXT_DATA_RECORD_BY_DTC_NUMBER: _decode_counters,
    DtcReport.SUPPORTED_DTC: _decode_codes,
}
