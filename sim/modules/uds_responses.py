"""What a tester reads in a module's responses, as plain values.

`decode(module, request, response)` never raises: whatever the bytes are, it returns one of the classes below,
`Malformed` with a reason if they make no sense.

Not modeled: responses to several data identifiers in one request.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final

from sim.modules.dtc_reading import read_extended_records, read_snapshot_records
from sim.modules.fault_memory import SnapshotRecord, Status
from sim.modules.uds_data import DATA_IDENTIFIERS, BadResponse, expect
from sim.modules.uds_protocol import (
    ALL_RECORDS,
    NEGATIVE,
    POSITIVE,
    DtcReport,
    NegativeResponseCode,
    Service,
)
from sim.vehicle.codes import dtc_text, full_description

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


@dataclass(frozen=True, slots=True)
class ReportedDtc:
    """One trouble code as a module reported it."""

    module: str
    code: str
    description: str
    status: int

    @property
    def flags(self) -> tuple[str, ...]:
        """Names of the status bits that are set, from bit 0 up; a page shows them with the code."""
        return tuple(name for bit, name in FLAG_NAMES.items() if self.status & bit)

    @property
    def failing_now(self) -> bool:
        """The latest test failed."""
        return bool(self.status & Status.TEST_FAILED)


@dataclass(frozen=True, slots=True)
class DtcsRead:
    """DTCs by status mask, or all supported ones; `available_bits`: status bits that the module uses."""

    module: str
    available_bits: int
    codes: tuple[ReportedDtc, ...]


@dataclass(frozen=True, slots=True)
class SnapshotsRead:
    """Snapshot records of one DTC: number and content, from the first failure to the latest."""

    code: ReportedDtc
    snapshots: tuple[tuple[int, SnapshotRecord], ...]


@dataclass(frozen=True, slots=True)
class CountersRead:
    """Extended data records of one DTC."""

    code: ReportedDtc
    occurrences: int
    aging_count: int
    fault_detection_counter: int


@dataclass(frozen=True, slots=True)
class DataRead:
    """One data identifier: a name, and the value as a number in `unit` or as text."""

    module: str
    identifier: int
    name: str
    value: float | str
    unit: str


@dataclass(frozen=True, slots=True)
class PositiveResponse:
    """A positive response to any other request; `data` is what follows the service identifier."""

    module: str
    service: int
    data: bytes


@dataclass(frozen=True, slots=True)
class NegativeResponse:
    """A negative response."""

    module: str
    service: int
    reason: int

    @property
    def text(self) -> str:
        """Name of the negative response code."""
        if self.reason in set(NegativeResponseCode):
            return NegativeResponseCode(self.reason).text
        return f"negative response code {self.reason:02X}"

    @property
    def bytes_text(self) -> str:
        """The three bytes as a technician reads them."""
        return f"7F {self.service:02X} {self.reason:02X}"


@dataclass(frozen=True, slots=True)
class NoResponse:
    """No response came."""

    module: str


@dataclass(frozen=True, slots=True)
class Malformed:
    """A response that does not fit its request."""

    module: str
    data: bytes
    reason: str


Response = (
    DtcsRead
    | SnapshotsRead
    | CountersRead
    | DataRead
    | PositiveResponse
    | NegativeResponse
    | NoResponse
    | Malformed
)


def decode(module: str, request: bytes, response: bytes | None) -> Response:
    """What `module` responded to `request`; None: nothing."""
    if response is None:
        return NoResponse(module)
    if not request or not response:
        return Malformed(module, response, "an empty message")
    if response[0] == NEGATIVE:
        if len(response) != 3 or response[1] != request[0]:
            return Malformed(module, response, "a negative response to another request")
        return NegativeResponse(module, response[1], response[2])
    if response[0] != request[0] + POSITIVE:
        return Malformed(module, response, f"a response to another service than {request[0]:02X}")
    try:
        return _decoder(request)(module, request, response)
    except BadResponse as error:
        return Malformed(module, response, str(error))


def worded(response: Response, texts: Mapping[str, str]) -> Response:
    """The response with the texts that a car has for its codes."""
    match response:
        case DtcsRead(codes=codes) if texts:
            return replace(response, codes=tuple(_worded(one, texts) for one in codes))
        case SnapshotsRead(code=code) | CountersRead(code=code) if texts:
            return replace(response, code=_worded(code, texts))
    return response


def _worded(code: ReportedDtc, texts: Mapping[str, str]) -> ReportedDtc:
    return replace(code, description=full_description(code.code, texts))


_Decoder = Callable[[str, bytes, bytes], Response]


def _decoder(request: bytes) -> _Decoder:
    if request[0] == Service.READ_DATA_BY_IDENTIFIER and len(request) == 3:
        return _decode_data
    if request[0] == Service.READ_DTC_INFORMATION and len(request) > 1:
        one_of_many = request[1] == DtcReport.DTC_EXT_DATA_RECORD_BY_DTC_NUMBER and request[-1] != ALL_RECORDS
        return _decode_other if one_of_many else _DTC_DECODERS.get(request[1], _decode_other)
    return _decode_other


def _decode_other(module: str, request: bytes, response: bytes) -> Response:
    return PositiveResponse(module, request[0], response[1:])


def _decode_codes(module: str, request: bytes, response: bytes) -> Response:
    expect(len(response) >= 3 and response[1] == request[1], "not a list of codes")
    expect(len(response) % 4 == 3, "a list of codes that is cut off")
    codes = tuple(_read_code(module, response[k : k + 4]) for k in range(3, len(response), 4))
    return DtcsRead(module, response[2], codes)


def _decode_snapshots(module: str, request: bytes, response: bytes) -> Response:
    code, records = _one_code(module, request, response)
    return SnapshotsRead(code, read_snapshot_records(records))


def _decode_counters(module: str, request: bytes, response: bytes) -> Response:
    code, records = _one_code(module, request, response)
    return CountersRead(code, *read_extended_records(records))


def _decode_data(module: str, request: bytes, response: bytes) -> Response:
    expect(response[1:3] == request[1:3], "another data identifier than asked for")
    number, data = int.from_bytes(response[1:3], "big"), response[3:]
    known = DATA_IDENTIFIERS.get(number)
    if known is None:
        return DataRead(module, number, "unknown data", data.hex(" ").upper(), "")
    fits = known.size in (None, len(data))
    expect(fits, f"{known.name} with {len(data)} bytes instead of {known.size}")
    value = known.decode(data)
    return DataRead(module, number, known.name, "unknown" if value is None else value, known.unit)


def _one_code(module: str, request: bytes, response: bytes) -> tuple[ReportedDtc, bytes]:
    """The code that a 19 04 or 19 06 response is about, and the records after it."""
    expect(len(response) >= 6 and response[1:5] == request[1:5], "records of another code than asked for")
    return _read_code(module, response[2:6]), response[6:]


def _read_code(module: str, data: bytes) -> ReportedDtc:
    code = dtc_text(data[:3])
    return ReportedDtc(module, code, full_description(code), data[3])


_DTC_DECODERS: Final[dict[int, _Decoder]] = {
    DtcReport.DTC_BY_STATUS_MASK: _decode_codes,
    DtcReport.DTC_SNAPSHOT_RECORD_BY_DTC_NUMBER: _decode_snapshots,
    DtcReport.DTC_EXT_DATA_RECORD_BY_DTC_NUMBER: _decode_counters,
    DtcReport.SUPPORTED_DTC: _decode_codes,
}
