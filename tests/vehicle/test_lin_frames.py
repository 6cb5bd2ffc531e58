"""LIN frames against worked examples and an independent sum."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.vehicle.lin import (
    enhanced_checksum,
    frame_bits,
    header_bits,
    inverted_sum,
    longest_frame_s,
    protected_identifier,
    response_bits,
)

# The table of protected identifiers that data sheets of LIN controllers print (from memory, and computed here
# a second time by hand: 3C and 3D are the two that every description quotes).
PRINTED = {
    0x00: 0x80, 0x01: 0xC1, 0x02: 0x42, 0x03: 0x03, 0x04: 0xC4, 0x10: 0x50, 0x20: 0x20, 0x3B: 0xFB,
    0x3C: 0x3C, 0x3D: 0x7D, 0x3E: 0xFE, 0x3F: 0xBF,
}  # fmt: skip


@pytest.mark.parametrize(("frame_id", "protected"), PRINTED.items())
def test_protected_identifiers(frame_id: int, protected: int) -> None:
    """Parity over bits 0, 1, 2, 4 and, inverted, over 1, 3, 4, 5."""
    assert protected == protected_identifier(frame_id)


def test_an_identifier_of_seven_bits() -> None:
    """The limit is named."""
    with pytest.raises(ValueError, match=r"LIN identifier 0x40 does not fit 6 bits \(0\.\.0x3f\)"):
        protected_identifier(0x40)


def test_the_worked_example_of_the_specification() -> None:
    """LIN Specification Package 2.1, section 2.8.3, example of a checksum: 4A 55 93 E5 gives E6.

    From memory; the sum with carry is 19, and its inverse E6.
    """
    assert 0xE6 == inverted_sum(bytes.fromhex("4A5593E5"))


@given(data=st.binary(min_size=1, max_size=8), frame_id=st.integers(0, 0x3B))
def test_receivers_get_all_ones(data: bytes, frame_id: int) -> None:
    """The sum with carry of everything and its checksum is FF: modulo 255 it is nothing."""
    assert 0 == (sum(data) + inverted_sum(data)) % 255
    identifier = protected_identifier(frame_id)
    assert 0 == (identifier + sum(data) + enhanced_checksum(frame_id, data)) % 255
    assert inverted_sum(bytes([identifier, *data])) == enhanced_checksum(frame_id, data)


def test_a_frame_bit_by_bit() -> None:
    """Identifier 10 is sent as 50: break of 13, delimiter, sync 55, then byte fields, lowest bit first."""
    header = "0" * 13 + "1" + "0101010101" + "0000010101"
    assert header == "".join(map(str, header_bits(0x10)))
    # FF with 50: sum with carry 50, inverted AF
    assert "0111111111" + "0111101011" == "".join(map(str, response_bits(0x10, b"\xff")))


@given(data=st.binary(min_size=1, max_size=8), frame_id=st.integers(0, 0x3B))
def test_the_bits_are_as_many_as_the_time(data: bytes, frame_id: int) -> None:
    """Header and response together are the nominal frame."""
    assert frame_bits(len(data)) == len(header_bits(frame_id)) + len(response_bits(frame_id, data))


@pytest.mark.parametrize(
    ("data_bytes", "bits", "longest_ms"),
    [(1, 54, 3.94), (2, 64, 4.67), (4, 84, 6.13), (8, 124, 9.04)],
)
def test_times(data_bytes: int, bits: int, longest_ms: float) -> None:
    """34 bits of header, 10 for each byte and the checksum, 40 % more at most: at 19.2 kbit/s, by hand."""
    assert bits == frame_bits(data_bytes)
    assert longest_ms == pytest.approx(longest_frame_s(data_bytes, 19_200) * 1000, abs=0.006)
