"""Messages of ISO 13400-2 against the packer of PyPI doipclient, and bytes written down elsewhere."""

import struct

import pytest
from doipclient import messages as theirs
from doipclient.client import Parser

from sim.network import doip as ours
from sim.network.doip import (
    TCP_LENGTHS,
    UDP_LENGTHS,
    DiagnosticNackCode,
    Entity,
    Header,
    HeaderFault,
    Payload,
    PowerModeState,
    Routing,
)

ENTITY = Entity("BUSBAYTRAYNER0001", b"\x02\0\0\0\0\1", b"\x02\0\0\0\0\2")

# Published exchange between tester 0E00 and entity 0010, as produced by doipclient 1.2.2.
WRITTEN_DOWN = [
    ("02 FD 00 06 00 00 00 09 0E 00 00 10 10 00 00 00 00", ours.routing_answer(0x0E00, Routing.ACTIVATED)),
    ("02 FD 80 01 00 00 00 07 0E 00 00 10 22 F1 90", ours.diagnostic(0x0E00, 0x10, b"\x22\xf1\x90")),
    ("02 FD 80 02 00 00 00 05 00 10 0E 00 00", ours.acknowledge(0x10, 0x0E00, None)),
    (
        "02 FD 80 03 00 00 00 05 00 10 0E 00 03",
        ours.acknowledge(0x10, 0x0E00, DiagnosticNackCode.UNKNOWN_TARGET),
    ),
]


@pytest.mark.parametrize(("written", "built"), WRITTEN_DOWN)
def test_written_down_messages(written: str, built: bytes) -> None:
    """Each message is the bytes written down from ISO 13400-2."""
    assert bytes.fromhex(written) == built


PAIRS = [
    (theirs.GenericDoIPNegativeAcknowledge(4), ours.header_nack(HeaderFault.LENGTH)),
    (theirs.RoutingActivationResponse(0x0E80, 0x10, 6), ours.routing_answer(0x0E80, Routing.UNKNOWN_TYPE)),
    (
        theirs.DiagnosticMessage(0x07E0, 0x0E80, bytearray(b"\x50\x03")),
        ours.diagnostic(0x07E0, 0x0E80, b"\x50\x03"),
    ),
    (
        theirs.DiagnosticMessageNegativeAcknowledgement(0x07E0, 0x0E80, 6),
        ours.acknowledge(0x07E0, 0x0E80, DiagnosticNackCode.UNREACHABLE),
    ),
    (theirs.EntityStatusResponse(0, 64, 3, 4095), ours.entity_status(64, 3)),
    (theirs.DiagnosticPowerModeResponse(1), ours.power_mode(PowerModeState.READY)),
    (theirs.AliveCheckRequest(), ours.message(Payload.ALIVE_CHECK, b"")),
    (
        theirs.VehicleIdentificationResponse(ENTITY.vin, 0x10, ENTITY.eid, ENTITY.gid, 0, 0),
        ENTITY.announcement(),
    ),
]


@pytest.mark.parametrize(("their_message", "our_bytes"), PAIRS, ids=lambda value: type(value).__name__)
def test_same_bytes_as_doipclient(their_message: theirs.DoIPMessage, our_bytes: bytes) -> None:
    """Each message is the bytes that doipclient packs and parses."""
    payload = bytes(their_message.pack())
    header = struct.pack("!BBHL", 2, 0xFD, their_message.payload_type, len(payload))  # ISO 13400-2, generic
    assert header + payload == our_bytes
    assert str(their_message) == str(Parser().read_message(our_bytes))


@pytest.mark.parametrize("version", [1, 2, 3])
def test_the_client_s_version_is_used(version: int) -> None:
    """A header answer repeats the protocol version of the client."""
    header = Header.read(ours.header_nack(HeaderFault.LENGTH, version)[:8])
    assert (version, version ^ 0xFF, Payload.HEADER_NACK, 1) == (
        header.version, header.inverse, header.payload, header.length,
    )  # fmt: skip


# The checks in the standard's order: each header has the fault of its line and of lines below it.
FAULTS = [
    ("02 02 77 77 FF FF FF FF", HeaderFault.PATTERN),
    ("04 FB 77 77 FF FF FF FF", HeaderFault.PATTERN),
    ("FF 00 80 01 00 00 00 05", HeaderFault.PATTERN),  # any version: only in vehicle identification
    ("02 FD 77 77 FF FF FF FF", HeaderFault.UNKNOWN_PAYLOAD),
    ("02 FD 00 01 00 00 00 00", HeaderFault.UNKNOWN_PAYLOAD),  # comes by UDP
    ("02 FD 80 02 00 00 00 05", HeaderFault.UNKNOWN_PAYLOAD),  # only this side says that
    ("02 FD 80 01 00 00 10 04", HeaderFault.TOO_LARGE),
    ("02 FD 80 01 00 00 10 03", None),
    ("02 FD 80 01 00 00 00 04", HeaderFault.LENGTH),
    ("02 FD 80 01 00 00 00 05", None),
    ("02 FD 00 05 00 00 00 08", HeaderFault.LENGTH),
    ("02 FD 00 05 00 00 00 07", None),
    ("02 FD 00 05 00 00 00 0B", None),
    ("02 FD 00 08 00 00 00 02", None),
    ("03 FC 00 07 00 00 00 00", None),
]


@pytest.mark.parametrize(("header", "fault"), FAULTS)
def test_header_checks_by_tcp(header: str, fault: HeaderFault | None) -> None:
    """Each wrong header gets the fault of the standard's order of checks."""
    assert fault == Header.read(bytes.fromhex(header)).fault(TCP_LENGTHS)


def test_header_checks_by_udp() -> None:
    """The same for datagrams, with their own payloads and lengths."""
    checks = {
        "FF 00 00 01 00 00 00 00": None,
        "FF 00 00 03 00 00 00 11": None,
        "FF 00 00 05 00 00 00 07": HeaderFault.PATTERN,
        "02 FD 00 05 00 00 00 07": HeaderFault.UNKNOWN_PAYLOAD,
        "02 FD 00 02 00 00 00 05": HeaderFault.LENGTH,
        "02 FD 40 01 00 00 00 00": None,
        "02 FD 40 03 00 00 00 01": HeaderFault.LENGTH,
    }
    found = {text: Header.read(bytes.fromhex(text)).fault(UDP_LENGTHS) for text in checks}
    assert checks == found


def test_who_is_meant() -> None:
    """A vehicle answers an identification request only if it is meant."""
    asked = [
        (Payload.IDENTIFY, b""),
        (Payload.IDENTIFY_BY_EID, ENTITY.eid),
        (Payload.IDENTIFY_BY_EID, ENTITY.gid),
        (Payload.IDENTIFY_BY_VIN, ENTITY.vin.encode()),
        (Payload.IDENTIFY_BY_VIN, b"ANOTHER0000000001"),
    ]
    assert [True, True, False, True, False] == [ENTITY.is_meant(*one) for one in asked]
