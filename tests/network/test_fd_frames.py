"""CAN FD frames bit by bit, against published lengths, the catalogue of check sequences and a receiver."""

import pytest
from can.util import CAN_FD_DLC
from crccheck.crc import Crc17CanFd, Crc21CanFd
from hypothesis import given
from hypothesis import strategies as st

from sim.network.frames import (
    FD_SIZES,
    INTERMISSION_BITS,
    Frame,
    bit_starts_ns,
    crc_of_fd,
    fast_bits,
    frame_bits,
    frame_ns,
    longest_fd_ns,
    stuff_count_bits,
    wire_bits,
    worst_case_fd_bits,
)

NOMINAL_BPS, DATA_BPS = 500_000, 2_000_000
DATA = st.sampled_from(FD_SIZES).flatmap(lambda size: st.binary(min_size=size, max_size=size))
RATES = st.sampled_from([None, 1_000_000, DATA_BPS, 5_000_000])
FRAMES = st.builds(Frame, st.integers(0, 0x7FF), DATA, st.just(False), st.just(True), RATES) | st.builds(
    Frame, st.integers(0, 0x1FFFFFFF), DATA, st.just(True), st.just(True), RATES
)


def test_the_sizes_are_those_of_the_data_length_codes() -> None:
    """python-can's own table."""
    assert tuple(CAN_FD_DLC) == FD_SIZES


@pytest.mark.parametrize(
    ("extended", "plain", "stuffed"),
    [(False, 579, 712), (True, 598, 736)],
)
def test_published_greatest_lengths(extended: bool, plain: int, stuffed: int) -> None:
    """Change log of the Linux kernel's `include/linux/can/length.h` (2023): 64 bytes, with intermission."""
    assert stuffed == worst_case_fd_bits(64, extended) + INTERMISSION_BITS
    assert plain == stuffed - (22 + 19 * extended + 512 - 1) // 4


def test_published_fast_part() -> None:
    """The longest part at the data rate of Bosch's original format, 64 bytes: 673 bits, 128 of them stuffed.

    A paper's figure, quoted in a question of 2017 about that number. ISO 11898-1:2015 adds the stuff count
    (4 bits and a fixed stuff bit). Our limit may count one stuff bit more, at the seam of the two parts.
    """
    slow = 17 + 4 + 9
    assert 673 + 4 + 1 in (worst_case_fd_bits(64) - slow, worst_case_fd_bits(64) - slow - 1)


@pytest.mark.parametrize(("catalogue", "width", "size"), [(Crc17CanFd, 17, 16), (Crc21CanFd, 21, 20)])
@given(message=st.binary(min_size=1, max_size=80))
def test_check_sequences(catalogue: type[Crc17CanFd], width: int, size: int, message: bytes) -> None:
    """The polynomials of the CRC catalogue, begun with a one at the top."""
    bits = [byte >> shift & 1 for byte in message for shift in range(7, -1, -1)]
    assert (catalogue.calc(message, initvalue=1 << (width - 1)), width) == crc_of_fd(bits, size)


def test_the_stuff_count() -> None:
    """Neighbors differ in one bit of the Gray code; even parity (ISO 11898-1:2015, table from memory)."""
    assert ["0000", "0011", "0110", "0101", "1100", "1111", "1010", "1001"] == [
        "".join(map(str, stuff_count_bits(number))) for number in range(8)
    ]
    assert stuff_count_bits(3) == stuff_count_bits(11)


def received(bits: tuple[int, ...]) -> tuple[int, bytes, bool, bool]:
    """A receiver after the rules of ISO 11898-1:2015, written apart from the code under test."""
    stream = iter(bits)
    seen: list[int] = []  # as on the wire, for the check sequence
    stuffed = 0

    def take(number: int) -> int:
        nonlocal stuffed
        value = 0
        for _ in range(number):
            if len(seen) >= 5 and len(set(seen[-5:])) == 1 and (not places or len(seen) - places[-1] >= 5):
                bit = next(stream)
                assert bit != seen[-1], "six equal bits in a row"
                places.append(len(seen))
                seen.append(bit)
                stuffed += 1
            bit = next(stream)
            seen.append(bit)
            value = value << 1 | bit
        return value

    places: list[int] = []  # of stuff bits, each of which begins a new run
    assert take(1) == 0
    identifier = take(11)
    take(1)
    extended = bool(take(1))
    if extended:
        identifier = identifier << 18 | take(18)
        assert take(1) == 0, "RRS"
    assert (1, 0) == (take(1), take(1)), "FDF and res"
    switches = bool(take(1))
    assert take(1) == 0, "ESI"
    size = CAN_FD_DLC[take(4)]
    data = bytes(take(8) for _ in range(size))

    def fixed(number: int) -> list[int]:
        """The CRC field: a fixed stuff bit, then four bits, and again."""
        nonlocal last
        field: list[int] = []
        while len(field) < number:
            if len(field) % 4 == 0:
                stuff = next(stream)
                assert stuff != last, "fixed stuff bit"
                last = stuff
            last = next(stream)
            field.append(last)
        return field

    last = seen[-1]
    width = 17 if size <= 16 else 21
    field = fixed(4 + width)
    gray, parity = field[:3], field[3]
    count = gray[0] << 2 | (gray[0] ^ gray[1]) << 1 | (gray[0] ^ gray[1] ^ gray[2])
    assert (stuffed % 8, sum(gray) % 2) == (count, parity)
    register = 1 << (width - 1)
    for bit in seen + field:
        register ^= bit << (width - 1)
        top = register >> (width - 1)
        register = (register << 1) & ((1 << width) - 1)
        register ^= {17: 0x1685B, 21: 0x102899}[width] if top else 0
    assert register == 0, "a message with its check sequence leaves nothing"
    assert [1, 0, 1, *[1] * 7] == list(stream)
    return identifier, data, extended, switches


@given(frame=FRAMES)
def test_a_receiver_reads_what_was_sent(frame: Frame) -> None:
    """Stuff bits, stuff count, fixed stuff bits and check sequence all fit together."""
    switches = frame.data_bitrate_bps is not None
    assert (frame.can_id, frame.data, frame.extended, switches) == received(wire_bits(frame))


@given(frame=FRAMES)
def test_lengths_and_times(frame: Frame) -> None:
    """Nothing is longer than the longest; the bits' own times add up to the frame's."""
    size, rate_bps = len(frame.data), frame.data_bitrate_bps
    assert frame_bits(frame) <= worst_case_fd_bits(size, frame.extended)
    assert frame_ns(frame, NOMINAL_BPS) <= longest_fd_ns(size, NOMINAL_BPS, frame.extended, rate_bps)
    starts = bit_starts_ns(frame, NOMINAL_BPS)
    assert (len(wire_bits(frame)) + 1, frame_ns(frame, NOMINAL_BPS)) == (len(starts), starts[-1])
    slow = frame_bits(frame) - len(fast_bits(frame))
    by_hand = slow * 2000 + len(fast_bits(frame)) * (0 if rate_bps is None else 10**9 // rate_bps)
    assert by_hand == frame_ns(frame, NOMINAL_BPS)
    if rate_bps:
        assert 1 == wire_bits(frame)[fast_bits(frame).start - 1], "BRS"
        assert 8 + 1 == len(wire_bits(frame)) - fast_bits(frame).stop, "acknowledge, end of frame"


def test_a_frame_worked_by_hand() -> None:
    """Identifier 2AA, no data, no switch: one run of five in front of the CRC field."""
    frame = Frame(0x2AA, b"", fd=True)
    header = "0010101010100010000000"
    bits = "".join(map(str, wire_bits(frame)))
    # RRS and IDE make two more dominant bits after the identifier's last; FDF ends the run, res to DLC is
    # a run of seven that takes one stuff bit after its fifth
    assert header[:15] + "00000" + "1" + "00" == bits[:23]
    assert 22 + 1 + 21 + 6 + 1 + 2 + 7 == len(bits)


@pytest.mark.parametrize(
    ("size", "words"),
    [(9, "an FD frame has no 9 data bytes (0 to 8, 12, 16, 20, 24, 32, 48, 64)"),
     (65, "an FD frame has no 65 data bytes (0 to 8, 12, 16, 20, 24, 32, 48, 64)")],
)  # fmt: skip
def test_sizes_that_do_not_exist(size: int, words: str) -> None:
    """The limit and the sizes that are left."""
    with pytest.raises(ValueError, match="an FD frame") as caught:
        Frame(0x100, bytes(size), fd=True)
    assert words == str(caught.value)


def test_a_classical_frame_has_one_bit_rate() -> None:
    """The bit rate switch is a bit of FD frames only."""
    with pytest.raises(ValueError, match="a classical frame has one bit rate"):
        Frame(0x100, b"", data_bitrate_bps=DATA_BPS)
