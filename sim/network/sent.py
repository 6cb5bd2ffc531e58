"""SENT: how a sensor tells numbers by the time between falling edges (SAE J2716).

A frame is a pulse of 56 ticks for the receiver to take its time from, then one pulse of 12 to 27 ticks for
each nibble: status, six of data, checksum. Each pulse begins with a falling edge and some ticks of low. All
figures are from memory and agree with open decoders.

    frame_nibbles(0, (5, 3, 14, 5, 3, 14))     # (0, 5, 3, 14, 5, 3, 14, 15)

Not modeled: the slow channel in the status nibble, a pause pulse, drift of the sensor's clock.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate

TICK_S = 3e-6  # the usual one of 3 to 90 us
SYNC_TICKS, ZERO_TICKS, LOW_TICKS = 56, 12, 5
SEED, POLYNOMIAL = 0b0101, 0b1101  # x^4 + x^3 + x^2 + 1, its highest power left out
MOST = 0xFFF  # of a signal of three nibbles


def crc4(nibbles: Sequence[int]) -> int:
    """The checksum of data nibbles, each 0 to 15: division with a nibble of zeros after."""
    rest = SEED
    for nibble in (*nibbles, 0):
        for _ in range(4):
            rest = (rest << 1) ^ POLYNOMIAL if rest & 8 else rest << 1
            rest &= 0xF
        rest ^= nibble
    return rest


def two_signals(value: int) -> tuple[int, ...]:
    """A number of 12 bits, high nibble first, and its complement, low nibble first: six nibbles of data."""
    return (*_nibbles(value), *reversed(_nibbles(MOST - value)))


def _nibbles(value: int) -> tuple[int, int, int]:
    return value >> 8 & 0xF, value >> 4 & 0xF, value & 0xF


def frame_nibbles(status: int, data: Sequence[int]) -> tuple[int, ...]:
    """Status, data and checksum."""
    return (status, *data, crc4(data))


def pulse_ticks(nibbles: Sequence[int]) -> tuple[int, ...]:
    """The lengths of a frame's pulses from falling edge to falling edge, in ticks."""
    return (SYNC_TICKS, *(ZERO_TICKS + nibble for nibble in nibbles))


def low_times_s(nibbles: Sequence[int]) -> tuple[tuple[float, float], ...]:
    """When a frame's line is low, from when to when in s after its first falling edge."""
    edges = (0, *accumulate(pulse_ticks(nibbles)))[:-1]
    return tuple((edge * TICK_S, (edge + LOW_TICKS) * TICK_S) for edge in edges)
