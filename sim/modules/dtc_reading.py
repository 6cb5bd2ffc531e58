"""ReadDTCInformation and ClearDiagnosticInformation of ISO 14229-1: a module's reports, a tester's reading.

Numbers of records: 01..8F are the maker's, our own choice.

Not modeled: groups of DTCs other than all, severity, mirror memory, records of modules that are not of this
program.
"""

from typing import Final

from sim.modules.fault_memory import AVAILABLE_BITS, Dtc, FaultMemory, SnapshotRecord
from sim.modules.uds_data import (
    COOLANT,
    ENGINE_SPEED,
    POWER_MODE,
    SUPPLY_VOLTAGE,
    TIME,
    VEHICLE_SPEED,
    BadResponse,
    expect,
)
from sim.modules.uds_protocol import (
    ALL_DTCS,
    ALL_RECORDS,
    DtcReport,
    NegativeResponseCode,
    RequestRejected,
    require,
    require_length,
)
from sim.vehicle.codes import dtc_bytes, dtc_text

DTC_FORMAT: Final = 0x00  # SAE J2012-DA format 00: two bytes and a failure type, named by udsoncan
FIRST_SNAPSHOT, LAST_SNAPSHOT = 0x01, 0x02
_ALWAYS: Final = (SUPPLY_VOLTAGE, POWER_MODE, TIME)  # in a snapshot
_WHERE_KNOWN: Final = (COOLANT, ENGINE_SPEED, VEHICLE_SPEED)  # in the order of `SnapshotRecord`
OCCURRENCE_RECORD, AGING_RECORD, COUNTER_RECORD = 0x01, 0x02, 0x03

_LENGTHS: Final = {
    DtcReport.NUMBER_OF_DTC_BY_STATUS_MASK: 1,
    DtcReport.DTC_BY_STATUS_MASK: 1,
    DtcReport.DTC_SNAPSHOT_RECORD_BY_DTC_NUMBER: 4,
    DtcReport.DTC_EXT_DATA_RECORD_BY_DTC_NUMBER: 4,
    DtcReport.SUPPORTED_DTC: 0,
}  # of a request after its sub-function


def clear_diagnostic_information(memory: FaultMemory, body: bytes) -> bytes:
    """Clear one DTC or all; `body` is what follows the service identifier. Raises RequestRejected."""
    memory.clear(None if int.from_bytes(body, "big") == ALL_DTCS else _dtc(memory, body).code)
    return b""


def read_dtc_information(memory: FaultMemory, body: bytes) -> bytes:
    """Report DTCs; `body` begins with one of `DtcReport`. Raises RequestRejected."""
    report, rest = DtcReport(body[0]), body[1:]
    require_length(len(rest) == _LENGTHS[report])
    available = body[:1] + bytes([AVAILABLE_BITS])
    match report:
        case DtcReport.NUMBER_OF_DTC_BY_STATUS_MASK:
            number = len(memory.matching(rest[0]))
            return available + bytes([DTC_FORMAT]) + number.to_bytes(2, "big")
        case DtcReport.DTC_BY_STATUS_MASK:
            return available + b"".join(map(_with_status, memory.matching(rest[0])))
        case DtcReport.SUPPORTED_DTC:
            return available + b"".join(map(_with_status, memory.dtcs))
    dtc, wanted = _dtc(memory, rest[:3]), rest[3]
    snapshots = report is DtcReport.DTC_SNAPSHOT_RECORD_BY_DTC_NUMBER
    records = _snapshot_records(dtc) if snapshots else _extended_records(dtc)
    if wanted != ALL_RECORDS:
        require(wanted in records, NegativeResponseCode.REQUEST_OUT_OF_RANGE)
        records = {wanted: records[wanted]}
    return body[:1] + _with_status(dtc) + b"".join(records.values())


def _dtc(memory: FaultMemory, data: bytes) -> Dtc:
    wanted = dtc_text(data)
    for dtc in memory.dtcs:
        if dtc.code == wanted:
            return dtc
    raise RequestRejected(NegativeResponseCode.REQUEST_OUT_OF_RANGE)


def _with_status(dtc: Dtc) -> bytes:
    return dtc_bytes(dtc.code) + bytes([dtc.status])


# -- records: as a module writes them, and as a tester reads them ----------------------------------------


def _snapshot_records(dtc: Dtc) -> dict[int, bytes]:
    """Record number and content, empty if the DTC is not stored."""
    records = {}
    for number, snapshot in ((FIRST_SNAPSHOT, dtc.first), (LAST_SNAPSHOT, dtc.last)):
        records[number] = b""
        if snapshot is not None:
            values = [
                SUPPLY_VOLTAGE.number_bytes + SUPPLY_VOLTAGE.encode(snapshot.supply_v),
                POWER_MODE.number_bytes + POWER_MODE.encode(snapshot.power_mode),
                TIME.number_bytes + TIME.encode(snapshot.time_s),
            ]
            known = zip(
                _WHERE_KNOWN, (snapshot.coolant_c, snapshot.engine_rpm, snapshot.speed_kph), strict=True
            )
            values += [one.number_bytes + one.encode(value) for one, value in known if value is not None]
            records[number] = bytes([number, len(values)]) + b"".join(values)
    return records


def read_snapshot_records(data: bytes) -> tuple[tuple[int, SnapshotRecord], ...]:
    """Record numbers and snapshots. Raises BadResponse."""
    sizes = {one.number: one.size or 0 for one in (*_ALWAYS, *_WHERE_KNOWN)}
    snapshots = []
    while data:
        expect(len(data) >= 2, "a snapshot that is cut off")
        number, count, data = data[0], data[1], data[2:]
        values: dict[int, bytes] = {}
        for _ in range(count):
            identifier = int.from_bytes(data[:2], "big")
            if identifier not in sizes:
                raise BadResponse(f"data identifier {identifier:04X} in a snapshot")
            values[identifier], data = data[2 : 2 + sizes[identifier]], data[2 + sizes[identifier] :]
            expect(len(values[identifier]) == sizes[identifier], "a snapshot that is cut off")
        expect({one.number for one in _ALWAYS} <= values.keys(), "a snapshot without all its values")
        known = (one.decode(values[one.number]) if one.number in values else None for one in _WHERE_KNOWN)
        snapshot = SnapshotRecord(
            TIME.decode(values[TIME.number]),
            SUPPLY_VOLTAGE.decode(values[SUPPLY_VOLTAGE.number]),
            POWER_MODE.decode(values[POWER_MODE.number]),
            *known,
        )
        snapshots.append((number, snapshot))
    return tuple(snapshots)


def _extended_records(dtc: Dtc) -> dict[int, bytes]:
    values = {
        OCCURRENCE_RECORD: dtc.occurrences,
        AGING_RECORD: dtc.aging_count,
        COUNTER_RECORD: dtc.counter & 0xFF,
    }
    return {number: bytes([number, value]) for number, value in values.items()}


def read_extended_records(data: bytes) -> tuple[int, int, int]:
    """Occurrences, aging count, fault detection counter. Raises BadResponse."""
    records = dict(zip(data[::2], data[1::2], strict=False))
    numbers = {OCCURRENCE_RECORD, AGING_RECORD, COUNTER_RECORD}
    expect(len(data) == 6 and records.keys() == numbers, "other records than asked for")
    counter = int.from_bytes(bytes([records[COUNTER_RECORD]]), "big", signed=True)
    return records[OCCURRENCE_RECORD], records[AGING_RECORD], counter
