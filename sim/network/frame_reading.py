"""From the bits that a controller reads to a frame, or an error.

Source: as for `sim.network.controller`.
"""

from __future__ import annotations

from functools import lru_cache

from sim.network.frames import CRC15_BITS, RECESSIVE, Frame, crc15


class DetectedError(Exception):
    """An error that the controller has found in what it reads."""


class FrameReading:
    """What has been read of a frame so far, stuff bits taken out."""

    __slots__ = ("bits", "complete", "header", "last", "length", "run")

    def __init__(self) -> None:
        self.bits: list[int] = []
        self.run = 0
        self.last = -1
        self.header = 14  # to the bit that tells how long the identifier is
        self.length = 0  # with the check sequence, once it is known
        self.complete = False

    @property
    def stuffing(self) -> bool:
        """Is the next bit a stuff bit?"""
        return self.run == 5

    @property
    def is_fd(self) -> bool:
        """Is the bit read last FDF, and recessive?"""
        position = 33 if len(self.bits) > 13 and self.bits[13] == RECESSIVE else 14
        return len(self.bits) == position + 1 and self.bits[position] == RECESSIVE and self.last == RECESSIVE

    @property
    def in_arbitration(self) -> bool:
        """Does the next bit belong to the arbitration field?"""
        read = len(self.bits)
        return read < 13 or (read < 33 and (read == 13 or self.bits[13] == RECESSIVE))

    def take(self, bit: int) -> None:
        """The next bit. Raises DetectedError for a sixth equal one."""
        if self.run == 5:
            if bit == self.last:
                raise DetectedError
            self.last, self.run = bit, 1
        else:
            self.run = self.run + 1 if bit == self.last else 1
            self.last = bit
            self.bits.append(bit)
            read = len(self.bits)
            if read == self.header:
                self._foresee_length(read)
        self.complete = self.run < 5 and len(self.bits) == self.length

    def _foresee_length(self, read: int) -> None:
        if read == 14:
            self.header = 39 if self.bits[13] == RECESSIVE else 19
        else:
            code = self.bits[-4] << 3 | self.bits[-3] << 2 | self.bits[-2] << 1 | self.bits[-1]
            self.length = read + 8 * min(code, 8) + CRC15_BITS

    def frame(self) -> Frame | None:
        """The frame, None if its check sequence is wrong."""
        return _decoded(tuple(self.bits), self.header)


@lru_cache(maxsize=1024)
def _decoded(bits: tuple[int, ...], header: int) -> Frame | None:
    covered, check = bits[:-CRC15_BITS], bits[-CRC15_BITS:]
    if crc15(covered) != _number(check):
        return None
    data = bytes(_number(covered[at : at + 8]) for at in range(header, len(covered), 8))
    if header == 39:
        can_id = _number(bits[1:12]) << 18 | _number(bits[14:32])
        return Frame(can_id, data, extended=True, for_fd=bits[33] == RECESSIVE)
    return Frame(_number(bits[1:12]), data, for_fd=bits[14] == RECESSIVE)


def _number(bits: tuple[int, ...]) -> int:
    number = 0
    for bit in bits:
        number = number << 1 | bit
    return number
