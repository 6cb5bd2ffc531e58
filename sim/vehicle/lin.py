"""LIN frames: protected identifier, checksum, time on the wire.

Sources: LIN Specification Package 2.1 (2006), sections 2.3.1 (frame structure), 2.3.1.3 (protected
identifier), 2.3.1.5 (checksum) and 2.3.2 (frame slots), carried over by ISO 17987-3; its rules as open
descriptions and packages agree on them, the standard itself was not read.

Not modeled: event-triggered and sporadic frames, the configuration and diagnostic frames (identifiers 3C and
3D), wake-up signals of slaves, a slave's own report of errors in its response.
"""

from __future__ import annotations

from collections.abc import Iterable

HIGHEST_ID = 0x3B  # 3C and 3D carry diagnosis, 3E and 3F are reserved
MOST_DATA_BYTES = 8

# A byte field is a start bit, eight bits and a stop bit; the header is a break of 13 bits with its delimiter
# of one, the sync byte and the protected identifier.
BYTE_FIELD_BITS = 10
HEADER_BITS = 34
BREAK_BITS = 13
SYNC_BYTE = 0x55
# A frame may take 40 % longer than its nominal time: spaces between bytes and after the header.
LONGEST_SHARE = 1.4


def protected_identifier(frame_id: int) -> int:
    """The identifier with its two parity bits: P0 = 0^1^2^4, P1 = not (1^3^4^5), in bits 6 and 7.

    Raises ValueError for anything but 0..3F.
    """
    if not 0 <= frame_id <= 0x3F:
        raise ValueError(f"LIN identifier {frame_id:#x} does not fit 6 bits (0..0x3f)")
    bit = [frame_id >> place & 1 for place in range(6)]
    low = bit[0] ^ bit[1] ^ bit[2] ^ bit[4]
    high = 1 - (bit[1] ^ bit[3] ^ bit[4] ^ bit[5])
    return frame_id | low << 6 | high << 7


def enhanced_checksum(frame_id: int, data: bytes) -> int:
    """The inverted sum over the protected identifier and the data bytes (LIN 2.x)."""
    return inverted_sum((protected_identifier(frame_id), *data))


def inverted_sum(values: Iterable[int]) -> int:
    """The inverted sum with carry of bytes: over the data alone it is the classic checksum of LIN 1.x."""
    total = 0
    for value in values:
        total += value
        if total > 0xFF:
            total -= 0xFF
    return 0xFF - total


def frame_bits(data_bytes: int) -> int:
    """Nominal length of a frame: header, data and checksum."""
    return HEADER_BITS + BYTE_FIELD_BITS * (data_bytes + 1)


def header_bits(frame_id: int) -> tuple[int, ...]:
    """A header as it is on the wire, 0 dominant: break and delimiter, sync byte, protected identifier."""
    return (*[0] * BREAK_BITS, 1, *_byte_fields((SYNC_BYTE, protected_identifier(frame_id))))


def response_bits(frame_id: int, data: bytes) -> tuple[int, ...]:
    """A response as it is on the wire: data and enhanced checksum, each lowest bit first."""
    return _byte_fields((*data, enhanced_checksum(frame_id, data)))


def _byte_fields(values: Iterable[int]) -> tuple[int, ...]:
    return tuple(bit for value in values for bit in (0, *(value >> place & 1 for place in range(8)), 1))


def frame_s(data_bytes: int, bitrate_bps: int) -> float:
    """Nominal time of a frame."""
    return frame_bits(data_bytes) / bitrate_bps


def longest_frame_s(data_bytes: int, bitrate_bps: int) -> float:
    """The most that a frame may take, which its slot must hold."""
    return LONGEST_SHARE * frame_s(data_bytes, bitrate_bps)
