"""The tester's side of ISO 14229-1: requests as bytes.

Not modeled: several data identifiers in one request (ask for one at a time).
"""

from typing import Final

from sim.modules.uds_protocol import (
    ALL_DTCS,
    ALL_RECORDS,
    SUPPRESS,
    DtcReport,
    DtcSetting,
    SecurityStep,
    Service,
)
from sim.vehicle.codes import dtc_bytes, with_failure_type

# Status bits that a technician asks for: present, this cycle, pending, confirmed.
WORKSHOP_MASK: Final = 0x0F


def diagnostic_session_control(session: int) -> bytes:
    """DiagnosticSessionControl: 1 default, 2 programming, 3 extended."""
    return bytes([Service.DIAGNOSTIC_SESSION_CONTROL, session])


def ecu_reset(kind: int) -> bytes:
    """ECUReset: 1 hard, 3 soft."""
    return bytes([Service.ECU_RESET, kind])


def send_tester_present(*, response_wanted: bool = False) -> bytes:
    """TesterPresent, which keeps a session from ending."""
    return bytes([Service.TESTER_PRESENT, 0 if response_wanted else SUPPRESS])


def clear_diagnostic_information(code: str | None = None) -> bytes:
    """ClearDiagnosticInformation: one code, or all. Raises CodeError for a bad code."""
    group = ALL_DTCS.to_bytes(3, "big") if code is None else _dtc(code)
    return bytes([Service.CLEAR_DIAGNOSTIC_INFORMATION]) + group


def report_dtc_by_status_mask(mask: int = WORKSHOP_MASK) -> bytes:
    """ReadDTCInformation 02: the codes that have a status bit of `mask`."""
    return bytes([Service.READ_DTC_INFORMATION, DtcReport.DTC_BY_STATUS_MASK, mask])


def report_dtc_snapshot_record(code: str) -> bytes:
    """ReadDTCInformation 04, all records of one code. Raises CodeError for a bad code."""
    return _records(DtcReport.DTC_SNAPSHOT_RECORD_BY_DTC_NUMBER, code)


def report_dtc_ext_data_record(code: str) -> bytes:
    """ReadDTCInformation 06, all records of one code. Raises CodeError for a bad code."""
    return _records(DtcReport.DTC_EXT_DATA_RECORD_BY_DTC_NUMBER, code)


def read_data_by_identifier(identifier: int) -> bytes:
    """ReadDataByIdentifier, for instance VIN_DID."""
    return bytes([Service.READ_DATA_BY_IDENTIFIER]) + identifier.to_bytes(2, "big")


def write_data_by_identifier(identifier: int, data: bytes) -> bytes:
    """WriteDataByIdentifier, for instance VIN_DID."""
    return bytes([Service.WRITE_DATA_BY_IDENTIFIER]) + identifier.to_bytes(2, "big") + data


def request_download(address: int, size: int) -> bytes:
    """RequestDownload, not compressed or encrypted; address and size in four bytes each."""
    return (
        bytes([Service.REQUEST_DOWNLOAD, 0x00, 0x44]) + address.to_bytes(4, "big") + size.to_bytes(4, "big")
    )


def transfer_data(counter: int, block: bytes) -> bytes:
    """TransferData: one block, counted from 1."""
    return bytes([Service.TRANSFER_DATA, counter % 256]) + block


def request_transfer_exit() -> bytes:
    """RequestTransferExit."""
    return bytes([Service.REQUEST_TRANSFER_EXIT])


def request_seed() -> bytes:
    """SecurityAccess, first step."""
    return bytes([Service.SECURITY_ACCESS, SecurityStep.REQUEST_SEED])


def send_key(key: bytes) -> bytes:
    """SecurityAccess, second step."""
    return bytes([Service.SECURITY_ACCESS, SecurityStep.SEND_KEY]) + key


def input_output_control(identifier: int, parameter: int, state: bytes = b"") -> bytes:
    """InputOutputControlByIdentifier: 0 give back, 1 default, 2 freeze, 3 adjust to `state`."""
    service = Service.INPUT_OUTPUT_CONTROL_BY_IDENTIFIER
    return bytes([service]) + identifier.to_bytes(2, "big") + bytes([parameter]) + state


def routine_control(kind: int, identifier: int, data: bytes = b"") -> bytes:
    """RoutineControl: 1 start, 2 stop, 3 results."""
    return bytes([Service.ROUTINE_CONTROL, kind]) + identifier.to_bytes(2, "big") + data


def control_dtc_setting(on: bool) -> bytes:
    """ControlDTCSetting: whether tests may set codes."""
    return bytes([Service.CONTROL_DTC_SETTING, DtcSetting.ON if on else DtcSetting.OFF])


def _records(report: DtcReport, code: str) -> bytes:
    return bytes([Service.READ_DTC_INFORMATION, report]) + _dtc(code) + bytes([ALL_RECORDS])


def _dtc(code: str) -> bytes:
    return dtc_bytes(with_failure_type(code))
