"""Classical CAN data frames, bit by bit: identifier, check sequence, stuff bits, length on the wire.

Sources: Bosch, "CAN with Flexible Data-Rate", specification 1.0 (April 2012), whose classical rules are those
of CAN 2.0 and ISO 11898-1 (frame fields, section 3.2.1; bit stuffing, section 5); Davis, Burns, Bril and
Lukkien, "Controller Area Network (CAN) schedulability analysis: refuted, revisited and revised", Real-Time
Systems 35 (2007), equations 1 to 3 (longest frame).

Not modelled: remote frames, CAN FD, CAN XL.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

# Bosch CAN FD 1.0, section 3.2.1: the fields behind the check sequence are fixed and not stuffed.
CRC_DELIMITER_BITS = 1
ACK_BITS = 2  # slot and delimiter
END_OF_FRAME_BITS = 7
INTERMISSION_BITS = 3
UNSTUFFED_TAIL_BITS = CRC_DELIMITER_BITS + ACK_BITS + END_OF_FRAME_BITS

# Bosch CAN FD 1.0, section 5: after five equal bits the transmitter inserts one of the opposite level.
STUFF_AFTER_BITS = 5

# Bosch CAN FD 1.0, section 3.2.1 "CRC SEQUENCE": x15+x14+x10+x8+x7+x4+x3+1, register starts at 0.
CRC15_POLYNOMIAL = 0x4599
CRC15_BITS = 15

STANDARD_ID_BITS = 11
EXTENDED_ID_BITS = 29
MAX_DATA_BYTES = 8
NS_PER_S = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Frame:
    """One CAN data frame.

    can_id: identifier, 0..0x7FF, or 0..0x1FFFFFFF when `extended`; data: 0 to 8 bytes.
    Raises ValueError for an identifier or a length that does not fit.
    """

    can_id: int
    data: bytes = b""
    extended: bool = False

    def __post_init__(self) -> None:
        check_identifier(self.can_id, self.extended)
        check_data(self.data)

    def __str__(self) -> str:
        """For example "7E8 03 7F 22 31"; eight digits mark a 29-bit identifier."""
        identifier = f"{self.can_id:08X}" if self.extended else f"{self.can_id:03X}"
        return f"{identifier} {self.data.hex(' ').upper()}".rstrip()


def check_identifier(can_id: int, extended: bool) -> None:
    """Raise ValueError unless the identifier fits the format."""
    bits = EXTENDED_ID_BITS if extended else STANDARD_ID_BITS
    if not 0 <= can_id < 1 << bits:
        raise ValueError(f"identifier {can_id:#x} does not fit {bits} bits (0..{(1 << bits) - 1:#x})")


def check_data(data: bytes) -> None:
    """Raise ValueError when the data do not fit one frame."""
    if len(data) > MAX_DATA_BYTES:
        raise ValueError(f"{len(data)} data bytes do not fit one CAN frame (at most {MAX_DATA_BYTES})")


def arbitration_key(can_id: int, extended: bool = False) -> int:
    """A number whose order is the order of winning the bus: the lower wins.

    The arbitration field as it stands on the wire: 11 base bits, then the bit that is dominant (0) in an
    11-bit data frame (RTR) and recessive (1) in a 29-bit frame (SRR), then the 18 extension bits. So an
    11-bit frame wins against a 29-bit frame of the same base. Source: Bosch CAN FD 1.0, section 3.2.1,
    ARBITRATION FIELD.
    """
    if extended:
        return (can_id >> 18) << 19 | 1 << 18 | can_id & 0x3FFFF
    return can_id << 19


def crc15(bits: Iterable[int]) -> int:
    """The 15-bit check sequence over unstuffed bits, start of frame to the end of the data.

    Source: the shift register of Bosch CAN FD 1.0, section 3.2.1, CRC SEQUENCE.
    """
    register = 0
    for bit in bits:
        feedback = bit ^ register >> (CRC15_BITS - 1)
        register = register << 1 & (1 << CRC15_BITS) - 1
        if feedback:
            register ^= CRC15_POLYNOMIAL
    return register


def stuff_bits(bits: Iterable[int]) -> list[int]:
    """The bits with one of opposite level behind every five equal ones (it counts in the next run)."""
    stuffed: list[int] = []
    run = 0
    for bit in bits:
        run = run + 1 if stuffed and stuffed[-1] == bit else 1
        stuffed.append(bit)
        if run == STUFF_AFTER_BITS:
            stuffed.append(1 - bit)
            run = 1
    return stuffed


def checked_bits(frame: Frame) -> list[int]:
    """The unstuffed bits that the check sequence covers: start of frame to the end of the data."""
    if frame.extended:
        # start of frame, base, SRR and IDE recessive, extension, then RTR, r1, r0 dominant
        header = [0, *_bits_of(frame.can_id >> 18, 11), 1, 1, *_bits_of(frame.can_id & 0x3FFFF, 18), 0, 0, 0]
    else:
        # start of frame, identifier, then RTR, IDE, r0 dominant
        header = [0, *_bits_of(frame.can_id, 11), 0, 0, 0]
    data = [bit for byte in frame.data for bit in _bits_of(byte, 8)]
    return header + _bits_of(len(frame.data), 4) + data


@lru_cache(maxsize=4096)
def wire_bits(frame: Frame) -> tuple[int, ...]:
    """Every bit of an acknowledged frame as it stands on the wire, start of frame to end of frame.

    0 is dominant, 1 recessive; stuff bits and the dominant acknowledge slot are in, the intermission is not.
    """
    covered = checked_bits(frame)
    stuffed = stuff_bits(covered + _bits_of(crc15(covered), CRC15_BITS))
    return (*stuffed, *[1] * CRC_DELIMITER_BITS, 0, 1, *[1] * END_OF_FRAME_BITS)


def frame_bits(frame: Frame, *, intermission: bool = False) -> int:
    """Exact length in bits with stuff bits, start of frame to end of frame, intermission on request."""
    return len(wire_bits(frame)) + (INTERMISSION_BITS if intermission else 0)


def worst_case_bits(data_bytes: int, extended: bool = False, *, intermission: bool = False) -> int:
    """Upper limit of the length in bits for a number of data bytes.

    g + 8s + 10 + floor((g + 8s - 1) / 4) with g = 34 (11-bit) or 54 (29-bit); 3 more with the intermission,
    which is Davis 2007's own convention: 55 + 10s and 80 + 10s.
    """
    stuffed_region = (54 if extended else 34) + 8 * data_bytes
    tail = UNSTUFFED_TAIL_BITS + (INTERMISSION_BITS if intermission else 0)
    return stuffed_region + (stuffed_region - 1) // 4 + tail


def duration_ns(bits: int, bitrate_bps: int) -> int:
    """Time that the bits take, in whole nanoseconds.

    Bit times of the usual rates are whole nanoseconds (1 Mbit/s 1000, 500 kbit/s 2000, 125 kbit/s 8000 ns),
    so that sums of them stay exact and equal times are really equal.
    """
    return round(bits * NS_PER_S / bitrate_bps)


def _bits_of(number: int, width: int) -> list[int]:
    """The number's bits, most significant first."""
    return [number >> shift & 1 for shift in range(width - 1, -1, -1)]
