"""What is in the calendar of the network at frame fidelity: messages, who waits for them, and the bus.

The words are those of `sim.network.streams`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from heapq import heapify

from sim.network.clock import to_ns
from sim.network.frames import INTERMISSION_BITS, Frame, arbitration_key, duration_ns, frame_ns
from sim.network.interface import Listeners
from sim.network.streams import NEVER, Call, Stream, Subscribers, Watch
from sim.wiring.segments import Segment

# Order at one instant, after other SimPy events: the calendar sorts by these.
ENDS, STATES, LIMITS, RELEASES, ARBITRATIONS = "2", "3", "4", "5", "6"

NOT_NOTED = -1


class BusMessage:
    """What one channel has to send, and where it is on the bus."""

    __slots__ = (
        "awaited", "bus", "channel", "duration_ns", "end_ns", "end_rank", "flight", "followed", "limit_ns",
        "live", "noted_as", "prev_end_ns", "rank", "receivers", "waits",
    )  # fmt: skip

    def __init__(self, channel: str, frame: Frame, name: str) -> None:
        self.channel = channel
        self.rank = f"{arbitration_key(frame.can_id, frame.extended):08x} {channel} {name}"
        self.end_rank = f"{ENDS} {self.rank}"
        self.live = True  # its sender still wants it sent
        self.bus = NO_BUS
        self.receivers = NO_BUS.audience
        self.duration_ns = 0
        self.end_ns = NEVER  # of the newest frame to this bus, which may still be on the wire
        self.prev_end_ns = NEVER  # of the frame before
        self.awaited = True  # the end of the next frame causes a call
        self.followed = True  # it must be in the calendar
        self.waits = False
        self.limit_ns = NEVER  # when it is given up if it has to wait for its bus
        self.flight: Flight | None = None
        self.noted_as = NOT_NOTED  # the number of its frames in a `FrameLog`

    @property
    def frame(self) -> Frame:
        raise NotImplementedError

    @property
    def version(self) -> int:
        """Counts the changes of what is sent."""
        return 0

    def calls(self, flight: Flight) -> list[Call]:
        """The calls that the end of this frame causes."""
        raise NotImplementedError

    def join(self, bus: LiveBus) -> None:
        self.bus = bus
        self.receivers = bus.audience - {self.channel}
        self.end_ns = self.prev_end_ns = NEVER
        self.measure()

    def measure(self) -> None:
        self.noted_as = NOT_NOTED
        self.duration_ns = frame_ns(self.frame, self.bus.bitrate_bps)

    def last_end_ns(self, now_ns: int) -> int:
        """End of the last complete frame to this bus."""
        return self.end_ns if self.end_ns <= now_ns else self.prev_end_ns


class Single(BusMessage):
    """A frame that is sent once."""

    __slots__ = ("_frame", "listeners", "on_sent")

    def __init__(
        self,
        channel: str,
        frame: Frame,
        serial: int,
        on_sent: Call | None,
        listeners: Listeners,
    ) -> None:
        super().__init__(channel, frame, f"{serial:012d}")
        self._frame = frame
        self.on_sent = on_sent
        self.listeners = listeners

    @property
    def frame(self) -> Frame:
        return self._frame

    def calls(self, flight: Flight) -> list[Call]:
        """The sender, then those who listen."""
        calls: list[Call] = [self.on_sent] if self.on_sent else []
        for channel, handler in self.listeners.to(flight.frame):
            if channel in flight.audience:
                calls.append(partial(handler, flight.frame, self.channel))
        return calls


class Repeated(BusMessage, Subscribers):
    """A stream at work."""

    __slots__ = ("forwards", "heard_forwards", "period_ns", "versions", "watch_group")

    def __init__(self, stream: Stream) -> None:
        BusMessage.__init__(self, stream.channel, stream.frame, stream.name)
        Subscribers.__init__(self, stream)
        self.live = False
        self.awaited = self.followed = False
        self.period_ns = 0 if stream.period_s is None else to_ns(stream.period_s)
        self.versions = 0
        self.forwards: list[Forward] = []
        self.heard_forwards: list[Forward] = []  # by gateways that hear it
        self.watch_group = WatchGroup(self)

    @property
    def frame(self) -> Frame:
        return self.stream.frame

    @property
    def version(self) -> int:
        return self.versions

    def calls(self, flight: Flight) -> list[Call]:
        """Readers that do not know the data yet, then watches that had given the stream up."""
        readers = self.new_to(flight.version, flight.audience)
        return [
            *(partial(one.handler, self.stream) for one in readers),
            *(one.found for one in self.lost_in(flight.audience)),
        ]

    def update_forwards(self) -> None:
        """Rules have come or gone, or its bus is another."""
        self.heard_forwards = [one for one in self.forwards if one.receiver in self.receivers]

    def update_awaited(self) -> None:
        """Find out whether the end of the next frame causes a call; of one on the wire it may."""
        self.awaited = self.flight is not None or self.awaits(self.versions, self.audience)
        self.followed = self.awaited or bool(self.forwards)

    def received(self, flight: Flight) -> None:
        """All of the frame's audience have it."""
        self.stream.delivered = flight.frame.data
        if flight.broken:
            self.heard_ns.update(dict.fromkeys(flight.audience, flight.end_ns))
        if not self.awaited:
            return
        for reader in self.new_to(flight.version, flight.audience & self.audience):
            reader.version = flight.version
        for watch in self.lost_in(flight.audience):
            watch.lost = False

    def join(self, bus: LiveBus) -> None:
        super().join(bus)
        self.audience = bus.audience
        self.update_forwards()


class WatchGroup:
    """All watches of one stream, checked together: one entry in the calendar, planned again when it is due.

    calm: every armed watch hears the stream, so that the tightest limit after the last frame is next.
    """

    __slots__ = ("calm", "due_ns", "message", "rank", "tightest_ns")

    def __init__(self, message: Repeated) -> None:
        self.message = message
        self.rank = f"{LIMITS} {message.rank}"
        self.due_ns = NEVER
        self.tightest_ns = 0
        self.calm = False

    def late(self, now_ns: int) -> list[Watch]:
        """The watches whose limit has passed just now."""
        return [
            watch for watch in self.message.watches if not watch.lost and watch.deadline_ns(now_ns) <= now_ns
        ]

    def next_due_ns(self, now_ns: int) -> int:
        """The earliest moment at which a watch can expire, NEVER if none is armed."""
        armed = [watch for watch in self.message.watches if not watch.lost]
        if not armed:
            return NEVER
        audience = self.message.bus.audience
        self.calm = all(watch.channel in audience for watch in armed)
        self.tightest_ns = min(watch.limit_ns for watch in armed)
        return min(watch.deadline_ns(now_ns) for watch in armed)


@dataclass(slots=True, eq=False)
class Forward:
    """A gateway's rule: what `receiver` hears goes out as `target`. newest: the last frame that did."""

    receiver: str
    target: Repeated
    delay_ns: int
    rank: str
    newest: GatewayFrame | None = None

    def carrying(self, data: bytes) -> GatewayFrame:
        """What goes out; the same again while the data stay the same."""
        if self.newest is None or self.newest.data is not data:
            self.newest = GatewayFrame(self, self.target, data)
        return self.newest


@dataclass(slots=True, eq=False)
class GatewayFrame:
    """A frame on its way through a gateway, entered in the calendar before it is received."""

    forward: Forward
    target: Repeated
    data: bytes


@dataclass(slots=True, eq=False)
class Flight:
    """A frame on the wire whose end causes a call.

    broken: the audience changed on the way, so that `audience` is those who can still receive it whole.
    """

    message: BusMessage
    frame: Frame
    version: int
    start_ns: int
    end_ns: int
    audience: frozenset[str]
    broken: bool = False


class BusMode:
    """What runs a bus that does not simply carry one frame after the other.

    This one sends nothing: for a channel in bus-off, or a bus that is just being formed.
    """

    def queued(self, message: BusMessage, now_ns: int) -> None:
        """A message waits that did not."""

    def changed(self, message: BusMessage, now_ns: int) -> None:
        """A message that waits has new data, or waits no more."""

    def arrived(self, flight: Flight, now_ns: int) -> None:
        """A frame has got through."""

    def restart(self, channel: str, now_ns: int) -> None:
        """The channel's controller has been reset."""

    def due(self, now_ns: int, before_ns: int) -> None:
        """What was planned for now. Whatever is due before `before_ns` may be done as well."""


class LiveBus:
    """A segment at work.

    mode: None on a healthy bus, which is free from `free_ns` on. With a mode it is never free:
    whatever is to be sent waits until the mode asks for it.
    """

    __slots__ = (
        "audience", "bitrate_bps", "bitrates_bps", "classical", "confused", "frames", "free_ns",
        "intermission_ns", "members", "mode", "rank", "segment", "sending", "waiting",
    )  # fmt: skip

    def __init__(self, segment: Segment, now_ns: int) -> None:
        self.segment = segment
        self.members = frozenset(segment.members)
        self.audience = self.members | frozenset(segment.listeners)
        own = {one.channel: one.bitrate_bps for one in segment.faults if one.bitrate_bps}
        self.bitrates_bps = {name: own.get(name, segment.bitrate_bps) for name in segment.members}
        rates = set(self.bitrates_bps.values())
        self.bitrate_bps = rates.pop() if len(rates) == 1 else segment.bitrate_bps
        self.classical = frozenset(one.channel for one in segment.faults if one.classical)
        self.confused = bool(rates) or any(one.confuses(segment) for one in segment.faults)
        self.intermission_ns = duration_ns(INTERMISSION_BITS, self.bitrate_bps)
        self.rank = f"{ARBITRATIONS} {min(self.audience, default='')}"
        self.waiting: list[tuple[str, BusMessage]] = []  # heap, lowest identifier first
        self.sending: BusMessage | None = None  # on the wire, or the last that was
        self.mode: BusMode | None = None
        self.free_ns = now_ns
        self.frames = 0

    def dequeue(self, message: BusMessage) -> None:
        """Let a message wait no more."""
        message.waits = False
        self.waiting.remove((message.rank, message))
        heapify(self.waiting)


@dataclass(slots=True, eq=False)
class LoneAttempt:
    """A frame that its sender has on the wire without a receiver. transmit: error counter at its start."""

    message: BusMessage
    frame: Frame
    version: int
    start_ns: int
    transmit: int


@dataclass(slots=True, eq=False)
class FrameInFlight:
    """A frame on the wires of a bus that is no more, and who was there from its start."""

    bus: LiveBus
    message: BusMessage
    participants: frozenset[str]
    what: Flight | LoneAttempt

    @property
    def flight(self) -> Flight:
        """The frame as one that had receivers."""
        assert isinstance(self.what, Flight)
        return self.what

    def attempt(self, transmit: int = 0) -> LoneAttempt:
        """The frame as one that may have lost them."""
        if isinstance(self.what, LoneAttempt):
            return self.what
        return LoneAttempt(self.message, self.what.frame, self.what.version, self.what.start_ns, transmit)

    def goes_on_in(self, new: LiveBus) -> bool:
        """Does its sender keep a member that was there from its start?"""
        return (
            isinstance(self.what, Flight)
            and self.message.channel in new.members
            and len(self.participants & new.members) > 1
            and self.bus.bitrate_bps == new.bitrate_bps
        )


NO_BUS = LiveBus(Segment((), (), 1), 0)
