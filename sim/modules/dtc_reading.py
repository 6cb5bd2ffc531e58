"""ReadDTCInformation and ClearDiagnosticInformation of ISO 14229-1 over a module's fault memory.

Not modelled: groups of DTCs other than all, severity, mirror memory.
"""

from sim.modules.fault_memory import Dtc, FaultMemory, SnapshotRecord
from sim.modules.uds_data import power_mode_bytes, time_bytes, voltage_bytes
from sim.modules.uds_protocol import (
    AGING_RECORD,
    ALL_DTCS,
    ALL_RECORDS,
    COUNTER_RECORD,
    DTC_FORMAT,
    FIRST_SNAPSHOT,
    LAST_SNAPSHOT,
    OCCURRENCE_RECORD,
    POWER_MODE_DID,
    SUPPLY_VOLTAGE_DID,
    TIME_DID,
    DtcReport,
    NegativeResponseCode,
    RequestRejected,
    require,
)
from sim.vehicle.codes import dtc_bytes, dtc_text

_LENGTHS = {
    DtcReport.NUMBER_OF_DTC_BY_STATUS_MASK: 1,
    DtcReport.DTC_BY_STATUS_MASK: 1,
    DtcReport.DTC_SNAPSHOT_RECORD_BY_DTC_NUMBER: 4,
    DtcReport.DTC_EXT_DATA_RECORD_BY_DTC_NUMBER: 4,
    DtcReport.SUPPORTED_DTC: 0,
}  # of a request after its sub-function


def clear_diagnostic_information(memory: FaultMemory, body: bytes) -> bytes:
    """Clear one DTC or all; `body` is what follows the service identifier. Raises RequestRejected."""
    require(len(body) == 3, NegativeResponseCode.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT)
    if int.from_bytes(body, "big") == ALL_DTCS:
        memory.clear()
    else:
        memory.clear(_dtc(memory, body).code)
    return b""


def read_dtc_information(memory: FaultMemory, body: bytes) -> bytes:
    """Report DTCs; `body` begins with one of `DtcReport`. Raises RequestRejected."""
    report, rest = DtcReport(body[0]), body[1:]
    lengths_fit = len(rest) == _LENGTHS[report]
    require(lengths_fit, NegativeResponseCode.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT)
    available = body[:1] + bytes([memory.available_bits])
    match report:
        case DtcReport.NUMBER_OF_DTC_BY_STATUS_MASK:
            number = len(memory.matching(rest[0]))
            return available + bytes([DTC_FORMAT]) + number.to_bytes(2, "big")
        case DtcReport.DTC_BY_STATUS_MASK:
            return available + b"".join(map(_with_status, memory.matching(rest[0])))
        case DtcReport.SUPPORTED_DTC:
            return available + b"".join(map(_with_status, memory.dtcs))
    return body[:1] + _records(report, _dtc(memory, rest[:3]), rest[3])


def _records(report: DtcReport, dtc: Dtc, wanted: int) -> bytes:
    snapshots = report is DtcReport.DTC_SNAPSHOT_RECORD_BY_DTC_NUMBER
    records = _snapshot_records(dtc) if snapshots else _extended_records(dtc)
    numbers = sorted(records) if wanted == ALL_RECORDS else [wanted]
    require(all(number in records for number in numbers), NegativeResponseCode.REQUEST_OUT_OF_RANGE)
    return _with_status(dtc) + b"".join(records[number] for number in numbers)


def _dtc(memory: FaultMemory, data: bytes) -> Dtc:
    wanted = dtc_text(data)
    for dtc in memory.dtcs:
        if dtc.code == wanted:
            return dtc
    raise RequestRejected(NegativeResponseCode.REQUEST_OUT_OF_RANGE)


def _with_status(dtc: Dtc) -> bytes:
    return dtc_bytes(dtc.code) + bytes([dtc.status])


def _snapshot_records(dtc: Dtc) -> dict[int, bytes]:
    """Record number and content, empty if the DTC is not stored."""
    return {
        number: b"" if snapshot is None else bytes([number]) + _snapshot_bytes(snapshot)
        for number, snapshot in ((FIRST_SNAPSHOT, dtc.first), (LAST_SNAPSHOT, dtc.last))
    }


def _snapshot_bytes(snapshot: SnapshotRecord) -> bytes:
    values = (
        (SUPPLY_VOLTAGE_DID, voltage_bytes(snapshot.supply_v)),
        (POWER_MODE_DID, power_mode_bytes(snapshot.power_mode)),
        (TIME_DID, time_bytes(snapshot.time_s)),
    )
    return bytes([len(values)]) + b"".join(did.to_bytes(2, "big") + data for did, data in values)


def _extended_records(dtc: Dtc) -> dict[int, bytes]:
    values = {
        OCCURRENCE_RECORD: dtc.occurrences,
        AGING_RECORD: dtc.aging_count,
        COUNTER_RECORD: dtc.counter & 0xFF,
    }
    return {number: bytes([number, value]) for number, value in values.items()}
