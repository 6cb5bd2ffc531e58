"""CAN frames bit by bit, against the Bosch specification's rules and independent code."""

import pytest
from crccheck.crc import Crc15Can
from hypothesis import given
from hypothesis import strategies as st

from sim.network.frames import (
    INTERMISSION_BITS,
    Frame,
    arbitration_key,
    checked_bits,
    crc15,
    duration_ns,
    frame_bits,
    stuff_bits,
    wire_bits,
    worst_case_bits,
)

STANDARD = st.builds(Frame, st.integers(0, 0x7FF), st.binary(max_size=8))
EXTENDED = st.builds(Frame, st.integers(0, 0x1FFFFFFF), st.binary(max_size=8), st.just(True))
FRAMES = STANDARD | EXTENDED
BITS = st.lists(st.integers(0, 1), max_size=200)


def bits_of(data: bytes) -> list[int]:
    return [byte >> shift & 1 for byte in data for shift in range(7, -1, -1)]


def without_stuffing(bits: list[int]) -> list[int]:
    """Receiver's rule of Bosch CAN FD 1.0, section 5, written apart from the code under test."""
    plain: list[int] = []
    run = 0
    level = None
    for bit in bits:
        if run == 5:
            assert bit != level, "six equal bits in a row"
            run, level = 1, bit
            continue
        run = run + 1 if bit == level else 1
        level = bit
        plain.append(bit)
    return plain


# Identifier, data, check sequence, stuff bits, bits without and with intermission. Run on can-utils
# canframelen.c (mode EXACT) and computed a second time bit by bit from the Bosch specification's rules.
WORKED = [
    ("7DF", "0201000000000000", 0x1A00, 15, 123, 126),
    ("7E8", "037F2231CCCCCCCC", 0x5729, 4, 112, 115),
    ("000", "0000000000000000", 0x145B, 16, 124, 127),
    ("000", "", 0x0000, 6, 50, 53),
    ("100", "01", 0x0EC3, 3, 55, 58),
    ("18DB33F1", "0201000000000000", 0x41F5, 14, 142, 145),
]


@pytest.mark.parametrize(("identifier", "data", "crc", "stuff", "bits", "with_intermission"), WORKED)
def test_worked_frames(identifier, data, crc, stuff, bits, with_intermission):
    """Check sequence, stuff bits and length of six frames are those of independent code."""
    frame = Frame(int(identifier, 16), bytes.fromhex(data), extended=len(identifier) == 8)
    covered = checked_bits(frame)
    assert crc == crc15(covered)
    assert stuff == frame_bits(frame) - (len(covered) + 15 + 10)
    assert bits == frame_bits(frame)
    assert with_intermission == frame_bits(frame) + INTERMISSION_BITS


def test_crc_check_value():
    """The check value of CRC-15/CAN over "123456789" is 0x059E (table of crccheck 1.3.1)."""
    assert 0x059E == crc15(bits_of(b"123456789"))


@given(st.binary(max_size=40))
def test_crc_agrees_with_crccheck(data):
    """Over whole bytes the check sequence is that of an independent library."""
    assert Crc15Can.calc(data) == crc15(bits_of(data))


@given(BITS)
def test_check_sequence_leaves_no_remainder(bits):
    """Bits followed by their own check sequence divide evenly, as a receiver checks."""
    crc = crc15(bits)
    assert 0 == crc15(bits + [crc >> shift & 1 for shift in range(14, -1, -1)])


@given(BITS, st.sets(st.integers(0, 126), min_size=1, max_size=5))
def test_five_flipped_bits_are_found(bits, flips):
    """Up to five wrong bits never go unnoticed: Hamming distance 6, Bosch CAN FD 1.0, section 3.2.1.

    Up to 127 bits with the check sequence, the length of the code: from memory.
    """
    covered = bits[:112]
    covered += [0] * (112 - len(covered))
    crc = crc15(covered)
    sent = covered + [crc >> shift & 1 for shift in range(14, -1, -1)]
    assert 0 != crc15([bit ^ (place in flips) for place, bit in enumerate(sent)])


@given(BITS)
def test_stuffing_is_undone_by_the_receiver(bits):
    """A receiver that drops the bit after five equal ones gets the bits back and never sees six."""
    assert bits == without_stuffing(stuff_bits(bits))


def test_stuff_bit_counts_in_the_next_run():
    """Five zeros and four ones: the stuffed one begins the next five."""
    assert [0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 0] == stuff_bits([0, 0, 0, 0, 0, 1, 1, 1, 1])


@given(FRAMES)
def test_wire_bits_can_be_read_back(frame):
    """From the wire a receiver gets identifier, length, data and a check sequence that divides evenly."""
    wire = list(wire_bits(frame))
    assert [1, 0, 1] + [1] * 7 == wire[-10:]  # delimiter, acknowledge slot (dominant) and delimiter, end
    bits = without_stuffing(wire[:-10])
    assert 0 == crc15(bits)

    def number(first, last):
        return int("".join(map(str, bits[first:last])), 2)

    if frame.extended:
        assert [1, 1] == bits[12:14]
        identifier, header = number(1, 12) << 18 | number(14, 32), 39
    else:
        identifier, header = number(1, 12), 19
    size = number(header - 4, header)
    data = bytes(number(header + 8 * i, header + 8 * i + 8) for i in range(size))
    assert frame == Frame(identifier, data, frame.extended)
    assert header + 8 * size + 15 == len(bits)


@given(FRAMES)
def test_no_frame_is_longer_than_the_worst_case(frame):
    """The exact length lies between the length without stuff bits and the worst case."""
    plain = (67 if frame.extended else 47) + 8 * len(frame.data)
    worst = worst_case_bits(len(frame.data), frame.extended) + INTERMISSION_BITS
    assert plain <= frame_bits(frame) + INTERMISSION_BITS <= worst


def test_worst_case_lengths():
    """55 + 10s and 80 + 10s bits with intermission: Davis et al. 2007, as cited by can-utils canframelen.c.

    Tindell 1994 prints 130 for 8 bytes (a stuff bit each 5 instead of each 4 bits); Broster 2002 prints 52 +
    10s, the same without intermission.
    """
    sizes = range(9)
    assert [55, 65, 75, 85, 95, 105, 115, 125, 135] == [worst_case_bits(s) + INTERMISSION_BITS for s in sizes]
    assert [80, 90, 100, 110, 120, 130, 140, 150, 160] == [
        worst_case_bits(s, extended=True) + INTERMISSION_BITS for s in sizes
    ]
    assert [52, 62, 72, 82, 92, 102, 112, 122, 132] == [worst_case_bits(s) for s in sizes]


@pytest.mark.parametrize(
    ("bitrate_bps", "longest_ns"),
    [(125_000, 1_080_000), (250_000, 540_000), (500_000, 270_000), (1_000_000, 135_000)],
)
def test_duration_of_the_longest_frame(bitrate_bps, longest_ns):
    """8 bytes, 11-bit identifier, with intermission: 1080, 540, 270, 135 microseconds."""
    assert longest_ns == duration_ns(worst_case_bits(8) + INTERMISSION_BITS, bitrate_bps)


@given(FRAMES, FRAMES)
def test_arbitration_is_decided_on_the_wire(one, other):
    """The winner's first bit that differs is dominant, in the arbitration field as it is on the wire."""
    mine, theirs = arbitration_key(one.can_id, one.extended), arbitration_key(other.can_id, other.extended)
    if mine == theirs:
        assert (one.can_id, one.extended) == (other.can_id, other.extended)
        return
    first, second = (one, other) if mine < theirs else (other, one)
    # up to the bit after an 11-bit identifier, or after a 29-bit one (Bosch CAN FD 1.0, section 3.2.1)
    pairs = zip(checked_bits(first)[:33], checked_bits(second)[:33], strict=False)
    assert (0, 1) == next(pair for pair in pairs if pair[0] != pair[1])


def test_short_identifier_wins_against_long_one_of_the_same_base():
    """An 11-bit data frame beats a 29-bit frame with the same first 11 bits (RTR dominant, SRR recessive)."""
    assert arbitration_key(0x123) < arbitration_key(0x123 << 18, extended=True) < arbitration_key(0x124)


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        ((0x800,), "identifier 0x800 does not fit 11 bits (0..0x7ff)"),
        ((-1,), "identifier -0x1 does not fit 11 bits (0..0x7ff)"),
        ((0x20000000, b"", True), "identifier 0x20000000 does not fit 29 bits (0..0x1fffffff)"),
        ((0x100, bytes(9)), "9 data bytes do not fit one CAN frame (at most 8)"),
    ],
)
def test_impossible_frames(arguments, sentence):
    """What does not fit a frame is refused with the value and the limit."""
    with pytest.raises(ValueError, match=r"(does|do) not fit") as refused:
        Frame(*arguments)
    assert sentence == str(refused.value)


def test_text_of_a_frame():
    """Frames read as in a log: eight digits mark a 29-bit identifier."""
    assert ["7E8 03 7F 22", "18DB33F1 3E", "100"] == [
        str(Frame(0x7E8, b"\x03\x7f\x22")),
        str(Frame(0x18DB33F1, b"\x3e", True)),
        str(Frame(0x100)),
    ]
