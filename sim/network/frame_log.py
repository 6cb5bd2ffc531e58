"""All complete frames of a car's CAN buses, noted in bulk.

    log = FrameLog(reader)          # reader(frames) gets some thousand at a time
    network.log = log
    ...
    log.hand_over(network_time_ns)  # the rest

A call for each frame costs as much as the frame itself. Here a frame on a healthy bus is two numbers,
noted when it begins; what does not get through is taken back (`Delivery.follow_sent`).
"""

from __future__ import annotations

from array import array
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.network.frames import Frame
from sim.network.messages import NOT_NOTED, BusMessage
from sim.wiring.segments import Segment

HAND_OVER_AT = 20_000  # frames: some seconds of a busy car


class FrameKind(NamedTuple):
    """What is the same for all frames of a message as long as its data and its bus stay the same.

    rank: the order of frames that end at the same instant.
    """

    rank: str
    channel: str
    segment: Segment
    frame: Frame


class Frames(NamedTuple):
    """Frames in the order of their ends. ends_ns and numbers have shape (frames,); a number is a kind's."""

    ends_ns: NDArray[np.int64]
    numbers: NDArray[np.int64]
    kinds: list[FrameKind]


class FrameLog:
    """Notes frames and hands them over to `reader`, those first that ended first."""

    def __init__(self, reader: Callable[[Frames], None]) -> None:
        self._reader = reader
        self.ends_ns = array("q")
        self.numbers = array("q")
        self._kinds: list[FrameKind] = []
        self._numbered: list[BusMessage] = []

    def number_of(self, message: BusMessage) -> int:
        """The number of the frames that this message sends now."""
        message.noted_as = len(self._kinds)
        self._numbered.append(message)
        self._kinds.append(_kind(message, message.frame))
        return message.noted_as

    def note(self, message: BusMessage, frame: Frame, end_ns: int) -> None:
        """A frame has ended that was followed."""
        self.ends_ns.append(end_ns)
        self.numbers.append(len(self._kinds))
        self._kinds.append(_kind(message, frame))

    def take_back(self, message: BusMessage) -> None:
        """The frame of this message that is on the wire is not complete yet."""
        for place in range(len(self.ends_ns) - 1, -1, -1):
            kind = self._kinds[self.numbers[place]]
            if self.ends_ns[place] == message.end_ns and kind.channel == message.channel:
                del self.ends_ns[place], self.numbers[place]
                return

    @property
    def is_full(self) -> bool:
        """Is it time to hand over?"""
        return len(self.ends_ns) >= HAND_OVER_AT

    def hand_over(self, now_ns: int) -> None:
        """Give the reader what has ended up to now; what is on the wires stays."""
        ends_ns = np.frombuffer(self.ends_ns.tobytes(), np.int64)
        numbers = np.frombuffer(self.numbers.tobytes(), np.int64)
        order = np.argsort(ends_ns, kind="stable")
        sorted_ns = ends_ns[order]
        same = np.flatnonzero(sorted_ns[1:] == sorted_ns[:-1])
        if len(same):  # the lowest identifier first
            tied = np.union1d(same, same + 1)
            order[tied] = order[tied][np.lexsort((self._places()[numbers[order[tied]]], sorted_ns[tied]))]
        ended = int(np.searchsorted(sorted_ns, now_ns, "right"))
        rest = [(int(ends_ns[k]), self._kinds[numbers[k]]) for k in order[ended:]]
        if ended:
            self._reader(Frames(sorted_ns[:ended], numbers[order[:ended]], self._kinds))
        self._begin_anew(rest)

    def _places(self) -> NDArray[np.intp]:
        """The place of each kind among those that end at one instant."""
        places = np.empty(len(self._kinds), np.intp)
        places[sorted(range(len(places)), key=lambda k: self._kinds[k].rank)] = np.arange(len(places))
        return places

    def _begin_anew(self, rest: list[tuple[int, FrameKind]]) -> None:
        for message in self._numbered:
            message.noted_as = NOT_NOTED
        self._numbered.clear()
        self._kinds = [kind for _, kind in rest]
        self.ends_ns[:] = array("q", [end_ns for end_ns, _ in rest])
        self.numbers[:] = array("q", range(len(rest)))


def _kind(message: BusMessage, frame: Frame) -> FrameKind:
    return FrameKind(message.end_rank, message.channel, message.bus.segment, frame)
