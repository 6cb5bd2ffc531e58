"""CAN data frames, classical and FD, bit by bit: identifier, check sequence, stuff bits, time on the wire.

Sources: Bosch, "CAN with Flexible Data-Rate", specification 1.0 (April 2012), whose classical rules are those
of CAN 2.0 and ISO 11898-1 (frame fields, section 3.2.1; bit stuffing, section 5); Davis, Burns, Bril and
Lukkien, "Controller Area Network (CAN) schedulability analysis: refuted, revisited and revised", Real-Time
Systems 35 (2007), equations 1 to 3 (longest frame). FD frames as in ISO 11898-1:2015, which adds the stuff
count to Bosch's: sections 10.4.2.6 and 10.5 as quoted in the Linux kernel's `include/linux/can/length.h` and
its change log; start values of the check sequences from memory.

Not modeled: remote frames, CAN XL; FD frames sent by a controller that is error passive (ESI recessive).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from itertools import accumulate

from sim.vehicle import ethernet
from sim.wiring.segments import SAMPLE_POINT_PCT

# Bosch CAN FD 1.0, section 3.2.1: the fields after the check sequence are fixed and not stuffed.
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

# ISO 11898-1:2015, data length codes 0 to 15 of an FD frame (python-can has the same table)
FD_SIZES = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
# Polynomials x17+x16+x14+x13+x11+x6+x4+x3+x1+1 and x21+x20+x13+x11+x7+x4+x3+1, the longer above 16 bytes
# (Bosch CAN FD 1.0, section 3.2.1; the catalogue of the package crccheck). Registers start with a 1 at the
# top, so that leading dominant bits count (ISO 11898-1:2015, from memory).
CRC17_POLYNOMIAL, CRC17_BITS = 0x1685B, 17
CRC21_POLYNOMIAL, CRC21_BITS = 0x102899, 21
CRC17_UP_TO_BYTES = 16
FIXED_STUFF_EVERY_BITS = 4
STUFF_COUNT_BITS = 4  # three bits in Gray code and their parity
DOMINANT, RECESSIVE = 0, 1
NS_PER_S = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Frame:
    """One CAN data frame.

    can_id: identifier, 0..0x7FF, or 0..0x1FFFFFFF when `extended`; data: 0 to 8 bytes, of an FD frame one of
    `FD_SIZES`. data_bitrate_bps: what an FD frame switches to after its BRS bit; None: it does not switch.
    for_fd: a classical frame that replaces one of FD, and says so in the bit that is FDF there.
    ip: no CAN frame but a message by TCP or UDP on an Ethernet link, of any length; its identifier says which
    conversation it belongs to.
    Raises ValueError for an identifier or a length that does not fit.
    """

    can_id: int
    data: bytes = b""
    extended: bool = False
    fd: bool = False
    data_bitrate_bps: int | None = None
    for_fd: bool = False
    ip: bool = False

    def __post_init__(self) -> None:
        bits = EXTENDED_ID_BITS if self.extended else STANDARD_ID_BITS
        highest = (1 << bits) - 1
        if not 0 <= self.can_id <= highest:
            raise ValueError(f"identifier {self.can_id:#x} does not fit {bits} bits (0..{highest:#x})")
        size = len(self.data)
        if self.fd and size not in FD_SIZES:
            sizes = ", ".join(map(str, FD_SIZES[MAX_DATA_BYTES + 1 :]))
            raise ValueError(f"an FD frame has no {size} data bytes (0 to {MAX_DATA_BYTES}, {sizes})")
        if not self.fd and not self.ip and size > MAX_DATA_BYTES:
            raise ValueError(f"{size} data bytes do not fit one CAN frame (at most {MAX_DATA_BYTES})")
        if self.data_bitrate_bps is not None and not self.fd:
            raise ValueError("a classical frame has one bit rate")

    def carrying(self, data: bytes) -> Frame:
        """The same frame with other data."""
        return Frame(self.can_id, data, self.extended, self.fd, self.data_bitrate_bps)

    @property
    def in_classical_shape(self) -> Frame:
        """A classical frame that arbitrates as this one, with its first 8 bytes."""
        if not self.fd:
            return self
        return Frame(self.can_id, self.data[:MAX_DATA_BYTES], self.extended, for_fd=True)

    def __str__(self) -> str:
        """For example "7E8 03 7F 22 31"; eight digits mark a 29-bit identifier."""
        identifier = f"{self.can_id:08X}" if self.extended else f"{self.can_id:03X}"
        return f"{identifier} {self.data.hex(' ').upper()}".rstrip()


def arbitration_key(can_id: int, extended: bool = False) -> int:
    """A number whose order is the order of winning the bus: the lower wins.

    The arbitration field as it is on the wire: 11 base bits, then the bit that is dominant (0) in an
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
    return _crc(bits, CRC15_POLYNOMIAL, CRC15_BITS, 0)


def crc_of_fd(bits: Iterable[int], data_bytes: int) -> tuple[int, int]:
    """The check sequence of an FD frame and its width, 17 or 21 bits.

    Over the bits from start of frame to the end of the data with their stuff bits, then the stuff count;
    fixed stuff bits are left out.
    """
    if data_bytes <= CRC17_UP_TO_BYTES:
        return _crc(bits, CRC17_POLYNOMIAL, CRC17_BITS, 1 << (CRC17_BITS - 1)), CRC17_BITS
    return _crc(bits, CRC21_POLYNOMIAL, CRC21_BITS, 1 << (CRC21_BITS - 1)), CRC21_BITS


def _crc(bits: Iterable[int], polynomial: int, width: int, start: int) -> int:
    register = start
    for bit in bits:
        feedback = bit ^ register >> (width - 1)
        register = register << 1 & (1 << width) - 1
        if feedback:
            register ^= polynomial
    return register


def stuff_bits(bits: Iterable[int]) -> list[int]:
    """The bits with one of opposite level after every five equal ones (it counts in the next run)."""
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
        identifier = [*_bits_of(frame.can_id >> 18, 11), 1, 1, *_bits_of(frame.can_id & 0x3FFFF, 18)]
        header = [0, *identifier, 0, int(frame.for_fd), 0]
    else:
        # start of frame, identifier, then RTR, IDE, r0 dominant
        header = [0, *_bits_of(frame.can_id, 11), 0, 0, int(frame.for_fd)]
    data = [bit for byte in frame.data for bit in _bits_of(byte, 8)]
    return header + _bits_of(len(frame.data), 4) + data


@lru_cache(maxsize=4096)
def wire_bits(frame: Frame) -> tuple[int, ...]:
    """Every bit of an acknowledged frame as it is on the wire, start of frame to end of frame.

    0 is dominant, 1 recessive; stuff bits and the dominant acknowledge slot are in, the intermission is not.
    """
    if frame.fd:
        return _fd_wire_bits(frame)
    covered = checked_bits(frame)
    stuffed = stuff_bits(covered + _bits_of(crc15(covered), CRC15_BITS))
    return (*stuffed, *[1] * CRC_DELIMITER_BITS, 0, 1, *[1] * END_OF_FRAME_BITS)


def _fd_header(frame: Frame) -> list[int]:
    """Start of frame to the BRS bit of an FD frame, unstuffed."""
    if frame.extended:
        # base, SRR and IDE recessive, extension, RRS dominant
        identifier = [*_bits_of(frame.can_id >> 18, 11), 1, 1, *_bits_of(frame.can_id & 0x3FFFF, 18), 0]
    else:
        # identifier, RRS and IDE dominant
        identifier = [*_bits_of(frame.can_id, 11), 0, 0]
    # start of frame; FDF recessive, res dominant, BRS
    return [0, *identifier, 1, 0, int(frame.data_bitrate_bps is not None)]


def fd_stuffed_bits(frame: Frame) -> list[int]:
    """Start of frame to the end of the data of an FD frame, with stuff bits.

    None after the last bit: the fixed stuff bit that follows replaces it.
    """
    # ESI dominant: error active
    control = [0, *_bits_of(FD_SIZES.index(len(frame.data)), 4)]
    data = [bit for byte in frame.data for bit in _bits_of(byte, 8)]
    bits = [*_fd_header(frame), *control, *data]
    return [*stuff_bits(bits[:-1]), bits[-1]]


def stuff_count_bits(stuffed: int) -> list[int]:
    """The stuff count: a number of stuff bits modulo 8 in Gray code, and even parity."""
    number = stuffed % 8
    gray = number ^ number >> 1
    return [*_bits_of(gray, 3), gray.bit_count() % 2]


def _fd_wire_bits(frame: Frame) -> tuple[int, ...]:
    stuffed = fd_stuffed_bits(frame)
    count = stuff_count_bits(len(stuffed) - _fd_plain_bits(len(frame.data), frame.extended))
    crc, width = crc_of_fd([*stuffed, *count], len(frame.data))
    field = count + _bits_of(crc, width)
    bits = stuffed
    for place, bit in enumerate(field):
        if place % FIXED_STUFF_EVERY_BITS == 0:
            bits.append(1 - bits[-1])
        bits.append(bit)
    return (*bits, *[1] * CRC_DELIMITER_BITS, 0, 1, *[1] * END_OF_FRAME_BITS)


def _fd_plain_bits(data_bytes: int, extended: bool) -> int:
    """From start of frame to the end of the data, without stuff bits."""
    return (41 if extended else 22) + 8 * data_bytes


def _fd_checked_bits(data_bytes: int) -> int:
    """Stuff count and check sequence with their fixed stuff bits."""
    field = STUFF_COUNT_BITS + (CRC17_BITS if data_bytes <= CRC17_UP_TO_BYTES else CRC21_BITS)
    return field + -(-field // FIXED_STUFF_EVERY_BITS)


@lru_cache(maxsize=4096)
def fast_bits(frame: Frame) -> range:
    """Places of the bits that go at the data bit rate: from ESI to the CRC delimiter; empty without BRS.

    The switch is within the BRS bit and within the CRC delimiter, at the sample point: what the first gains
    the other loses, so that both together take one bit of each rate.
    """
    if frame.data_bitrate_bps is None:
        return range(0)
    return range(len(stuff_bits(_fd_header(frame))), frame_bits(frame) - ACK_BITS - END_OF_FRAME_BITS)


def frame_ns(frame: Frame, bitrate_bps: int) -> int:
    """Time that a frame takes, start of frame to end of frame, in whole nanoseconds.

    On an Ethernet link it is that of the Ethernet frame that carries it.
    """
    if frame.ip:
        return ethernet.tcp_ns(len(frame.data))
    if bitrate_bps == ethernet.BITRATE_BPS:
        return ethernet.frame_ns(len(frame.data))
    fast = len(fast_bits(frame))
    slow_ns = duration_ns(frame_bits(frame) - fast, bitrate_bps)
    return slow_ns + duration_ns(fast, frame.data_bitrate_bps) if frame.data_bitrate_bps else slow_ns


def bit_starts_ns(frame: Frame, bitrate_bps: int) -> list[int]:
    """When each bit of `wire_bits` begins, and when the last ends, counted from the start of frame."""
    bit_ns = duration_ns(1, bitrate_bps)
    lengths = [bit_ns] * frame_bits(frame)
    fast = fast_bits(frame)
    if frame.data_bitrate_bps and fast:
        fast_ns = duration_ns(1, frame.data_bitrate_bps)
        lengths[fast.start : fast.stop] = [fast_ns] * len(fast)
        moved_ns = (bit_ns - fast_ns) * (100 - SAMPLE_POINT_PCT) // 100
        lengths[fast.start - 1] -= moved_ns
        lengths[fast.stop - 1] += moved_ns
    return [0, *accumulate(lengths)]


def frame_bits(frame: Frame) -> int:
    """Exact length in bits with stuff bits, start of frame to end of frame."""
    return len(wire_bits(frame))


def worst_case_bits(data_bytes: int, extended: bool = False) -> int:
    """Upper limit of the length in bits for a number of data bytes, without the intermission.

    g + 8s + 10 + floor((g + 8s - 1) / 4) with g = 34 (11-bit) or 54 (29-bit).
    """
    stuffed_region = (54 if extended else 34) + 8 * data_bytes
    return stuffed_region + (stuffed_region - 1) // 4 + UNSTUFFED_TAIL_BITS


@lru_cache(maxsize=4096)
def dominant_ns(frame: Frame, bitrate_bps: int) -> int:
    """How long the bits of a frame are dominant, the acknowledge slot included, in whole nanoseconds."""
    starts_ns = bit_starts_ns(frame, bitrate_bps)
    bits = zip(wire_bits(frame), starts_ns, starts_ns[1:], strict=False)
    return sum(end_ns - start_ns for bit, start_ns, end_ns in bits if bit == 0)


def longest_fd_ns(
    data_bytes: int, bitrate_bps: int, extended: bool = False, data_bitrate_bps: int | None = None
) -> int:
    """Upper limit of the time that an FD frame takes, without the intermission, in whole nanoseconds.

    As many stuff bits as there can be at all, as many of them as there can be at the nominal rate.
    """
    header = 36 if extended else 17
    slow = header + (header - 1) // 4 + ACK_BITS + END_OF_FRAME_BITS
    fast = worst_case_fd_bits(data_bytes, extended) - slow
    return duration_ns(slow, bitrate_bps) + duration_ns(fast, data_bitrate_bps or bitrate_bps)


def worst_case_fd_bits(data_bytes: int, extended: bool = False) -> int:
    """The same of an FD frame."""
    plain = _fd_plain_bits(data_bytes, extended)
    return plain + (plain - 1) // 4 + _fd_checked_bits(data_bytes) + UNSTUFFED_TAIL_BITS


def duration_ns(bits: float, bitrate_bps: int) -> int:
    """Time that the bits take, in whole nanoseconds.

    Bit times of the usual rates are whole nanoseconds (1 Mbit/s 1000, 500 kbit/s 2000, 125 kbit/s 8000 ns),
    so that sums of them stay exact and equal times are really equal.
    """
    return round(bits * NS_PER_S / bitrate_bps)


def _bits_of(number: int, width: int) -> list[int]:
    """The number's bits, most significant first."""
    return [number >> shift & 1 for shift in range(width - 1, -1, -1)]
