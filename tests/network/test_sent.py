"""SENT frames against published check values, and against the table that open decoders use."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.network.sent import TICK_S, crc4, frame_nibbles, low_times_s, pulse_ticks, two_signals

# data nibbles and checksum as data sheets of Hall sensors print them after SAE J2716; from memory
PUBLISHED = {
    (5, 3, 14, 5, 3, 14): 15,
    (7, 4, 8, 7, 4, 8): 3,
    (4, 10, 12, 4, 10, 12): 10,
    (7, 8, 15, 7, 8, 15): 5,
    (9, 1, 13, 9, 1, 13): 6,
    (0, 0, 0, 0, 0, 0): 5,
}
# the table that open decoders of SAE J2716 share
TABLE = (0, 13, 7, 10, 14, 3, 9, 4, 1, 12, 6, 11, 15, 2, 8, 5)
NIBBLES = st.lists(st.integers(0, 15), min_size=1, max_size=6)


@pytest.mark.parametrize(("data", "checksum"), PUBLISHED.items())
def test_the_checksum_is_the_published_one(data: tuple[int, ...], checksum: int) -> None:
    """Six published frames."""
    assert checksum == crc4(data)


@given(NIBBLES)
def test_the_division_agrees_with_the_table(data: list[int]) -> None:
    """A lookup per nibble, and one more for the zeros at the end."""
    by_table = 5
    for nibble in data:
        by_table = nibble ^ TABLE[by_table]
    assert TABLE[by_table] == crc4(data)


@given(NIBBLES, st.integers(0, 5), st.integers(1, 15))
def test_one_wrong_nibble_is_always_found(data: list[int], place: int, changed: int) -> None:
    """Any change of a single nibble changes the checksum."""
    place %= len(data)
    spoiled = [*data[:place], data[place] ^ changed, *data[place + 1 :]]
    assert crc4(data) != crc4(spoiled)


@given(st.integers(0, 0xFFF))
def test_a_number_is_read_back_from_the_times_between_falling_edges(value: int) -> None:
    """As a receiver does it: a tick is a 56th of the first pulse, a nibble its ticks less twelve."""
    nibbles = frame_nibbles(0, two_signals(value))
    falls_s = [fall_s for fall_s, _ in low_times_s(nibbles)] + [sum(pulse_ticks(nibbles)) * TICK_S]
    lengths_s = [later - earlier for earlier, later in pairwise(falls_s)]
    read = [round(one / (lengths_s[0] / 56)) - 12 for one in lengths_s[1:]]
    status, *data, checksum = read
    assert (0, crc4(data)) == (status, checksum)
    assert value == data[0] << 8 | data[1] << 4 | data[2]
    assert 0xFFF - value == data[5] << 8 | data[4] << 4 | data[3]
