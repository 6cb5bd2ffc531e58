"""Streams and buses at stream fidelity: what was heard last, and what will be heard next, by arithmetic."""

from __future__ import annotations

from dataclasses import dataclass, field

from sim.network.clock import to_ns
from sim.network.frames import Frame, frame_ns
from sim.network.streams import NEVER, Call, Stream, Subscribers
from sim.vehicle.ethernet import BITRATE_BPS as ETHERNET_BPS
from sim.wiring.segments import Segment


@dataclass(eq=False)
class ForwardRule:
    """A gateway's rule: what `receiver` hears goes out as `target`."""

    receiver: str
    target: StreamState
    delay_ns: int


@dataclass(eq=False)
class StreamBus:
    """A segment at work. free_ns: when the single frames queued so far are through."""

    segment: Segment
    audience: frozenset[str]
    free_ns: int = 0
    waiting: list[QueuedFrame] = field(default_factory=list)

    @property
    def acknowledges(self) -> bool:
        """Does a frame of one member find another?"""
        return len(self.segment.members) > 1

    @property
    def is_link(self) -> bool:
        """Is it an Ethernet link, which counts no errors?"""
        return self.segment.bitrate_bps == ETHERNET_BPS

    def duration_ns(self, frame: Frame) -> int:
        """Time that a frame takes."""
        return frame_ns(frame, self.segment.bitrate_bps)


@dataclass(eq=False)
class QueuedFrame:
    """A single frame to be sent. taken_back: by its sender; limit_ns: when it is given up, if ever."""

    channel: str
    frame: Frame
    on_sent: Call | None
    limit_ns: int = NEVER
    taken_back: bool = False

    def is_gone(self, now_ns: int) -> bool:
        """Is it sent no more?"""
        return self.taken_back or NEVER < self.limit_ns <= now_ns


class StreamState(Subscribers):
    """What a stream does since its last change: releases at first_ns, first_ns + period_ns, ..."""

    def __init__(self, stream: Stream, bus: StreamBus) -> None:
        super().__init__(stream)
        self.join(bus)
        self.version = 0
        self.start_ns = 0
        self.period_ns = 0
        self.first_ns = NEVER  # first release of this epoch; NEVER: it delivers nothing
        self.early_ns = NEVER  # end of a frame that waited for company and goes before the next release
        self.lone_ns = NEVER  # since when it is live without acknowledgement
        self.fresh_ns = 0  # a frame that ends before this was on the wire when the data changed
        self.epoch = 0
        self.forwards: list[ForwardRule] = []
        self.sources: list[tuple[StreamState, ForwardRule]] = []

    def join(self, bus: StreamBus) -> None:
        """Go to this bus from now on."""
        self.bus, self.audience = bus, bus.audience
        self.duration_ns = bus.duration_ns(self.stream.frame)

    def last_end_ns(self, now_ns: int) -> int:
        """End of the last frame of this epoch."""
        first_end_ns = self.first_ns + self.duration_ns
        if self.first_ns == NEVER or now_ns < first_end_ns:
            return self.early_ns if self.early_ns <= now_ns else NEVER
        end_ns = now_ns - (now_ns - first_end_ns) % self.period_ns
        return self.early_ns if end_ns < self.early_ns <= now_ns else end_ns

    def next_end_ns(self, now_ns: int) -> int:
        """End of the first frame that ends after now, NEVER if none will."""
        ends = [self.early_ns] if self.early_ns > now_ns else []
        if self.first_ns != NEVER:
            first_end_ns = self.first_ns + self.duration_ns
            late_ns = (now_ns - first_end_ns) % self.period_ns
            ends.append(first_end_ns if now_ns < first_end_ns else now_ns + self.period_ns - late_ns)
        return min(ends, default=NEVER)

    def release_ns(self, from_ns: int, period_s: float) -> int:
        """The sender's first release of its own from a time on."""
        return self.start_ns + -(-max(0, from_ns - self.start_ns) // to_ns(period_s)) * to_ns(period_s)

    def released_between(self, since_ns: int, now_ns: int) -> bool:
        """Has its sender put a frame up for sending from `since_ns` to `now_ns`, both included?"""
        if self.stream.period_s is not None:
            releases = [self.release_ns(since_ns, self.stream.period_s)]
        else:
            heard = [(source.heard_by(rule.receiver, now_ns), rule) for source, rule in self.sources]
            releases = [heard_ns + rule.delay_ns for heard_ns, rule in heard if heard_ns != NEVER]
        return any(since_ns <= release_ns <= now_ns for release_ns in releases)
