"""ISO 14229-1 as both sides know it: services, negative response codes, sessions, timing.

Layouts, service and response numbers: ISO 14229-1 as given by the open packages udsoncan and `uds`; the
standard itself was not read.

Not modeled: the safety session, the authentication service.
"""

from enum import IntEnum
from typing import Final


class Service(IntEnum):
    """Service identifiers; a positive response begins with 0x40 more."""

    DIAGNOSTIC_SESSION_CONTROL = 0x10
    ECU_RESET = 0x11
    CLEAR_DIAGNOSTIC_INFORMATION = 0x14
    READ_DTC_INFORMATION = 0x19
    READ_DATA_BY_IDENTIFIER = 0x22
    SECURITY_ACCESS = 0x27
    COMMUNICATION_CONTROL = 0x28
    WRITE_DATA_BY_IDENTIFIER = 0x2E
    INPUT_OUTPUT_CONTROL_BY_IDENTIFIER = 0x2F
    ROUTINE_CONTROL = 0x31
    REQUEST_DOWNLOAD = 0x34
    TRANSFER_DATA = 0x36
    REQUEST_TRANSFER_EXIT = 0x37
    TESTER_PRESENT = 0x3E
    CONTROL_DTC_SETTING = 0x85


class NegativeResponseCode(IntEnum):
    """Why a request is refused."""

    GENERAL_REJECT = 0x10
    SERVICE_NOT_SUPPORTED = 0x11
    SUB_FUNCTION_NOT_SUPPORTED = 0x12
    INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT = 0x13
    RESPONSE_TOO_LONG = 0x14
    BUSY_REPEAT_REQUEST = 0x21
    CONDITIONS_NOT_CORRECT = 0x22
    REQUEST_SEQUENCE_ERROR = 0x24
    NO_RESPONSE_FROM_SUBNET_COMPONENT = 0x25
    FAILURE_PREVENTS_EXECUTION_OF_REQUESTED_ACTION = 0x26
    REQUEST_OUT_OF_RANGE = 0x31
    SECURITY_ACCESS_DENIED = 0x33
    AUTHENTICATION_REQUIRED = 0x34
    INVALID_KEY = 0x35
    EXCEED_NUMBER_OF_ATTEMPTS = 0x36
    REQUIRED_TIME_DELAY_NOT_EXPIRED = 0x37
    UPLOAD_DOWNLOAD_NOT_ACCEPTED = 0x70
    TRANSFER_DATA_SUSPENDED = 0x71
    GENERAL_PROGRAMMING_FAILURE = 0x72
    WRONG_BLOCK_SEQUENCE_COUNTER = 0x73
    REQUEST_CORRECTLY_RECEIVED_RESPONSE_PENDING = 0x78
    SUB_FUNCTION_NOT_SUPPORTED_IN_ACTIVE_SESSION = 0x7E
    SERVICE_NOT_SUPPORTED_IN_ACTIVE_SESSION = 0x7F
    VOLTAGE_TOO_HIGH = 0x92
    VOLTAGE_TOO_LOW = 0x93

    @property
    def text(self) -> str:
        """Its name in words."""
        words = self.name.lower().replace("_", " ")
        return words.replace("sub f", "sub-f").replace("busy ", "busy, ").replace("received ", "received, ")


class DtcReport(IntEnum):
    """Sub-functions of ReadDTCInformation that modules of this program have."""

    NUMBER_OF_DTC_BY_STATUS_MASK = 0x01
    DTC_BY_STATUS_MASK = 0x02
    DTC_SNAPSHOT_RECORD_BY_DTC_NUMBER = 0x04
    DTC_EXT_DATA_RECORD_BY_DTC_NUMBER = 0x06
    SUPPORTED_DTC = 0x0A


class Session(IntEnum):
    """Diagnostic sessions."""

    DEFAULT = 0x01
    PROGRAMMING = 0x02
    EXTENDED = 0x03


class ResetType(IntEnum):
    """Sub-functions of ECUReset."""

    HARD = 0x01
    SOFT = 0x03


class SecurityStep(IntEnum):
    """Sub-functions of SecurityAccess, one level."""

    REQUEST_SEED = 0x01
    SEND_KEY = 0x02


class CommunicationControl(IntEnum):
    """Sub-functions of CommunicationControl: what a module receives and sends."""

    ENABLE_RX_AND_TX = 0x00
    ENABLE_RX_DISABLE_TX = 0x01
    DISABLE_RX_ENABLE_TX = 0x02
    DISABLE_RX_AND_TX = 0x03

    @property
    def receives(self) -> bool:
        """Does the module still take notice of messages?"""
        return self in (self.ENABLE_RX_AND_TX, self.ENABLE_RX_DISABLE_TX)

    @property
    def sends(self) -> bool:
        """Does the module still send messages?"""
        return self in (self.ENABLE_RX_AND_TX, self.DISABLE_RX_ENABLE_TX)


class OutputControl(IntEnum):
    """Control parameters of InputOutputControlByIdentifier."""

    RETURN_CONTROL = 0x00
    RESET_TO_DEFAULT = 0x01
    FREEZE_CURRENT_STATE = 0x02
    SHORT_TERM_ADJUSTMENT = 0x03


class RoutineControl(IntEnum):
    """Sub-functions of RoutineControl."""

    START = 0x01
    STOP = 0x02
    REQUEST_RESULTS = 0x03


class DtcSetting(IntEnum):
    """Sub-functions of ControlDTCSetting."""

    ON = 0x01
    OFF = 0x02


NEGATIVE: Final = 0x7F
POSITIVE: Final = 0x40
SUPPRESS: Final = 0x80  # suppressPosRspMsgIndicationBit of the sub-function

P2_MS: Final = 50  # ISO 14229-2 P2Server, as given by the open package `uds`
P2_STAR_MS: Final = 5000  # P2*Server, the same; sent in units of 10 ms
S3_S: Final = 5.0  # S3Server, the same
MAX_RESPONSE_BYTES: Final = 4095  # ISO 15765-2 12-bit length

NORMAL_MESSAGES: Final = 0x01  # bits of the communication type
MANAGEMENT_MESSAGES: Final = 0x02

ALL_DTCS: Final = 0xFFFFFF
ALL_RECORDS: Final = 0xFF


class RequestRejected(Exception):
    """A request that gets a negative response."""

    def __init__(self, code: NegativeResponseCode) -> None:
        super().__init__(code.name)
        self.code = code


def require(condition: bool, otherwise: NegativeResponseCode) -> None:
    """Raise RequestRejected unless the condition holds."""
    if not condition:
        raise RequestRejected(otherwise)


def require_length(fits: bool) -> None:
    """Raise RequestRejected unless the length of a request fits."""
    require(fits, NegativeResponseCode.INCORRECT_MESSAGE_LENGTH_OR_INVALID_FORMAT)


def negative_response(service: int, code: NegativeResponseCode) -> bytes:
    """The three bytes of a negative response."""
    return bytes([NEGATIVE, service, code])


def response_pending(service: int) -> bytes:
    """The negative response that asks for patience."""
    return negative_response(service, NegativeResponseCode.REQUEST_CORRECTLY_RECEIVED_RESPONSE_PENDING)
