"""Messages of diagnostics over IP (ISO 13400-2) as bytes: header, what is wrong with one, answers.

Layouts and numbers: ISO 13400-2 as given by PyPI doipclient; the order of the header checks and which of them
close a connection are from memory. The standard itself was not read.

Not modeled: TLS, authentication and confirmation, IPv6 announcements.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Final

PORT: Final = 13400  # TCP and UDP
VERSIONS: Final = (0x01, 0x02, 0x03)  # 2010, 2012, 2019
ANY_VERSION: Final = 0xFF  # vehicle identification requests of testers that do not know the version yet
VERSION: Final = 0x02  # of what this side sends before a client has spoken
HEADER_BYTES: Final = 8
MAX_DIAGNOSTIC_BYTES: Final = 4095  # ISO 15765-2 12-bit length: the longest that goes on to a module
ADDRESSES_BYTES: Final = 4
MAX_PAYLOAD_BYTES: Final = ADDRESSES_BYTES + MAX_DIAGNOSTIC_BYTES

# Timers: ISO 13400-2 as given by doipclient and open notes.
INITIAL_INACTIVITY_S: Final = 2.0  # from connection to routing activation
GENERAL_INACTIVITY_S: Final = 300.0
ALIVE_CHECK_S: Final = 0.5  # for a client to prove that it is there
CONTROL_S: Final = 2.0  # A_DoIP_Ctrl: a client waits this long for an answer by the entity itself
MESSAGE_S: Final = 2.0  # A_DoIP_Diagnostic_Message: and this long for an acknowledge
ANNOUNCE_WAIT_S: Final = 0.5  # an answer to a broadcast waits up to this long
ANNOUNCE_INTERVAL_S: Final = 0.5
ANNOUNCEMENTS: Final = 3

TESTER_ADDRESSES: Final = range(0x0E00, 0x1000)  # of client entities
ENTITY_ADDRESS: Final = 0x0010  # our own choice, in the range left to the vehicle's maker
# entity and group identifier of the one edge node: a locally administered hardware address, invented
EID: Final = bytes.fromhex("020000000001")
CONVERSATION: Final = 0x7FF  # identifier of frames between a tester and the edge node; our own choice
EVERY_MODULE: Final = 0xE400  # first of the functional group addresses


class Payload(IntEnum):
    """Payload types."""

    HEADER_NACK = 0x0000
    IDENTIFY = 0x0001
    IDENTIFY_BY_EID = 0x0002
    IDENTIFY_BY_VIN = 0x0003
    ANNOUNCEMENT = 0x0004
    ACTIVATE_ROUTING = 0x0005
    ROUTING_ANSWER = 0x0006
    ALIVE_CHECK = 0x0007
    ALIVE_ANSWER = 0x0008
    ENTITY_STATUS = 0x4001
    ENTITY_STATUS_ANSWER = 0x4002
    POWER_MODE = 0x4003
    POWER_MODE_ANSWER = 0x4004
    DIAGNOSTIC = 0x8001
    DIAGNOSTIC_ACK = 0x8002
    DIAGNOSTIC_NACK = 0x8003


class HeaderFault(IntEnum):
    """Codes of a header negative acknowledge."""

    PATTERN = 0x00
    UNKNOWN_PAYLOAD = 0x01
    TOO_LARGE = 0x02
    OUT_OF_MEMORY = 0x03
    LENGTH = 0x04


class Routing(IntEnum):
    """Codes of a routing activation answer."""

    UNKNOWN_SOURCE = 0x00
    NO_SOCKET_LEFT = 0x01
    OTHER_SOURCE_ON_SOCKET = 0x02
    SOURCE_IN_USE = 0x03
    UNKNOWN_TYPE = 0x06
    ACTIVATED = 0x10


class DiagnosticNackCode(IntEnum):
    """Diagnostic message negative acknowledge codes."""

    SOURCE = 0x02
    UNKNOWN_TARGET = 0x03
    TOO_LARGE = 0x04
    OUT_OF_MEMORY = 0x05
    UNREACHABLE = 0x06
    TRANSPORT = 0x08


NACK_WORDS: Final = {
    DiagnosticNackCode.SOURCE: "invalid source address",
    DiagnosticNackCode.UNKNOWN_TARGET: "unknown target address",
    DiagnosticNackCode.TOO_LARGE: "diagnostic message too large",
    DiagnosticNackCode.OUT_OF_MEMORY: "out of memory",
    DiagnosticNackCode.UNREACHABLE: "target unreachable",
    DiagnosticNackCode.TRANSPORT: "transport protocol error",
}


class PowerModeState(IntEnum):
    """Diagnostic power mode."""

    NOT_READY = 0x00
    READY = 0x01
    NOT_SUPPORTED = 0x02


# Which types come by TCP and by UDP, and the lengths of their payloads.
TCP_LENGTHS: Final[dict[int, range]] = {
    Payload.HEADER_NACK: range(1, 2),
    Payload.ACTIVATE_ROUTING: range(7, 12, 4),
    Payload.ALIVE_CHECK: range(0, 1),
    Payload.ALIVE_ANSWER: range(2, 3),
    Payload.DIAGNOSTIC: range(ADDRESSES_BYTES + 1, MAX_PAYLOAD_BYTES + 1),
}
UDP_LENGTHS: Final[dict[int, range]] = {
    Payload.HEADER_NACK: range(1, 2),
    Payload.IDENTIFY: range(0, 1),
    Payload.IDENTIFY_BY_EID: range(6, 7),
    Payload.IDENTIFY_BY_VIN: range(17, 18),
    Payload.ENTITY_STATUS: range(0, 1),
    Payload.POWER_MODE: range(0, 1),
}
# doipclient: default, required by regulation
ACTIVATION_TYPES: Final = (0x00, 0x01)


@dataclass(frozen=True, slots=True)
class Header:
    """The first eight bytes of a message; `length` is that of the payload after them."""

    version: int
    inverse: int
    payload: int
    length: int

    @classmethod
    def read(cls, data: bytes) -> Header:
        """The header that eight bytes make."""
        return cls(data[0], data[1], int.from_bytes(data[2:4], "big"), int.from_bytes(data[4:8], "big"))

    def fault(self, lengths: dict[int, range]) -> HeaderFault | None:
        """What is wrong with it, checked in the standard's order; `lengths` are those of the transport."""
        by_anybody = self.version == ANY_VERSION and self.payload in UDP_LENGTHS and lengths is UDP_LENGTHS
        if self.inverse != self.version ^ 0xFF or not (self.version in VERSIONS or by_anybody):
            return HeaderFault.PATTERN
        if self.payload not in lengths:
            return HeaderFault.UNKNOWN_PAYLOAD
        if self.length > MAX_PAYLOAD_BYTES:
            return HeaderFault.TOO_LARGE
        if self.length not in lengths[self.payload]:
            return HeaderFault.LENGTH
        return None


@dataclass(frozen=True, slots=True)
class Entity:
    """What this side says about itself. eid, gid: six bytes as of a network card, invented."""

    vin: str
    eid: bytes
    gid: bytes

    def announcement(self, version: int = VERSION) -> bytes:
        """Vehicle announcement, also the answer to an identification request."""
        fields = (
            self.vin.encode("ascii"), ENTITY_ADDRESS.to_bytes(2, "big"), self.eid, self.gid,
            b"\x00",  # no further action needed
            b"\x00",  # VIN and GID are synchronized
        )  # fmt: skip
        return message(Payload.ANNOUNCEMENT, b"".join(fields), version)

    def is_meant(self, payload: int, wanted: bytes) -> bool:
        """Is an identification request about this vehicle?"""
        if payload == Payload.IDENTIFY_BY_EID:
            return wanted == self.eid
        return payload == Payload.IDENTIFY or wanted == self.vin.encode("ascii")


@dataclass(frozen=True, slots=True)
class DoipMessage:
    """A whole message as it came: its header and its payload."""

    header: Header
    data: bytes

    @classmethod
    def read(cls, data: bytes) -> DoipMessage | None:
        """The message that these bytes make; None where they are none, or not as long as they say."""
        if len(data) < HEADER_BYTES:
            return None
        header = Header.read(data[:HEADER_BYTES])
        whole = header.inverse == header.version ^ 0xFF and len(data) == HEADER_BYTES + header.length
        return cls(header, data[HEADER_BYTES:]) if whole else None

    @property
    def source(self) -> int:
        """Of a diagnostic message, its acknowledge or a routing activation: who sends it."""
        return int.from_bytes(self.data[:2], "big")

    @property
    def target(self) -> int:
        """Of a diagnostic message or its acknowledge: whom it is for."""
        return int.from_bytes(self.data[2:4], "big")

    @property
    def user_data(self) -> bytes:
        """What a diagnostic message carries, or the code of its acknowledge."""
        return self.data[ADDRESSES_BYTES:]


def routing_code(source: int, kind: int, active: int | None) -> Routing:
    """How a request for routing is answered, as far as its own connection goes. active: who has it there."""
    if source not in TESTER_ADDRESSES:
        return Routing.UNKNOWN_SOURCE
    if active not in (None, source):
        return Routing.OTHER_SOURCE_ON_SOCKET
    return Routing.ACTIVATED if kind in ACTIVATION_TYPES else Routing.UNKNOWN_TYPE


def message(payload: Payload, data: bytes, version: int = VERSION) -> bytes:
    """A whole message."""
    return bytes([version, version ^ 0xFF]) + payload.to_bytes(2, "big") + len(data).to_bytes(4, "big") + data


def header_nack(fault: HeaderFault, version: int = VERSION) -> bytes:
    """Header negative acknowledge."""
    return message(Payload.HEADER_NACK, bytes([fault]), version)


def routing_answer(tester: int, code: Routing, version: int = VERSION) -> bytes:
    """Routing activation answer."""
    data = tester.to_bytes(2, "big") + ENTITY_ADDRESS.to_bytes(2, "big") + bytes([code]) + bytes(4)
    return message(Payload.ROUTING_ANSWER, data, version)


def diagnostic(source: int, target: int, data: bytes, version: int = VERSION) -> bytes:
    """A diagnostic message."""
    return message(Payload.DIAGNOSTIC, _addresses(source, target) + data, version)


def acknowledge(
    source: int, target: int, refusal: DiagnosticNackCode | None, version: int = VERSION
) -> bytes:
    """Positive (`refusal` None) or negative acknowledge of a message from `target` to `source`."""
    payload = Payload.DIAGNOSTIC_ACK if refusal is None else Payload.DIAGNOSTIC_NACK
    return message(payload, _addresses(source, target) + bytes([refusal or 0]), version)


def entity_status(sockets: int, open_sockets: int, version: int = VERSION) -> bytes:
    """Entity status: a gateway, how many connections it takes and has, the longest message."""
    data = bytes([0, sockets, min(open_sockets, 255)]) + MAX_DIAGNOSTIC_BYTES.to_bytes(4, "big")
    return message(Payload.ENTITY_STATUS_ANSWER, data, version)


def power_mode(state: PowerModeState, version: int = VERSION) -> bytes:
    """Diagnostic power mode answer."""
    return message(Payload.POWER_MODE_ANSWER, bytes([state]), version)


def _addresses(source: int, target: int) -> bytes:
    return source.to_bytes(2, "big") + target.to_bytes(2, "big")
