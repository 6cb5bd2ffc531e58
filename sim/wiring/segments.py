"""Who shares a bus line, and what is wrong between each of them and the line.

A *channel* is one transceiver of one module on one bus, such as "ECM.powertrain". The wiring
solves segments from the levels on the lines; the network simulates what becomes of the frames on them.
"""

from __future__ import annotations

from typing import NamedTuple

SAMPLE_POINT_PCT = 80  # share of a bit before a receiver reads it; common practice


class ChannelFault(NamedTuple):
    """What is wrong between one channel and its segment's line. A channel without one is healthy.

    bitrate_bps: its own bit rate, if it differs from the segment's.
    misses: channels whose dominant bits it reads as recessive; itself if it cannot read back its own.
    swapped: its two wires are exchanged, so that dominant bits of others and its own cancel.
    held: it reads dominant whatever is sent.
    bit_error_rate: share of bits that noise makes it read wrong, 0 to 1.
    classical: it does not know CAN FD, which the others use.
    """

    channel: str
    bitrate_bps: int | None = None
    misses: tuple[str, ...] = ()
    swapped: bool = False
    held: bool = False
    bit_error_rate: float = 0.0
    classical: bool = False

    @property
    def misreads(self) -> bool:
        """Does the channel read other bits than the rest of its segment, apart from noise?"""
        return bool(self.bitrate_bps or self.misses or self.swapped or self.held or self.classical)

    def confuses(self, segment: Segment) -> bool:
        """Does it keep the segment from being one bus, on which all members read the same bits?"""
        others = len(segment.members) > 1
        alien = (self.swapped or self.classical) and others
        return self.held or alien or any(name in segment.members for name in self.misses)


class Segment(NamedTuple):
    """Channels that share a line: members hear each other both ways, listeners hear members unheard.

    If there are faults, members may fail to hear each other as the faults say. A listener sends nothing, no
    error flag either (listen-only). A channel is a member of one segment at most. One that is in none, or is
    the only member, has no other to acknowledge its frames; it may listen in another segment.
    """

    members: tuple[str, ...]
    listeners: tuple[str, ...] = ()
    bitrate_bps: int = 500_000
    faults: tuple[ChannelFault, ...] = ()

    @property
    def understands(self) -> bool:
        """Do all members read the same bits, apart from noise?"""
        return not any(fault.misreads for fault in self.faults)
