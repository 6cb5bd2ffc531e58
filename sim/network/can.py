"""Every CAN bus of one car, frame by frame, on the SimPy clock.

A *channel* is one transceiver of one module on one bus, named by a string such as "ECM.powertrain". A
*segment* is a group of channels that hear each other at this moment; it follows from the wiring and may
change at any time. A *stream* is a periodic message. Whoever needs to know asks to be called: when a stream
carries new data (`on_change`), when it fails to arrive (`watch`), when a single frame arrives (`listen`).

How it keeps up: releases, arbitrations and time limits of all buses stand in one calendar, and the network
works through it up to the next event of anyone else without an event of its own per frame. Only a frame that
somebody is to be called for takes one, so that the call happens with the SimPy clock at the end of that
frame.

Rules of the bus (Bosch CAN 2.0 / ISO 11898-1)
- Of the frames that wait when the bus becomes idle, the lowest identifier goes first
  (`frames.arbitration_key`); a release at exactly that instant takes part. Equal identifiers, which a real
  car must not have on one bus, go in the order of channel name, then stream name.
- A frame on the wire is never interrupted by another. Its length is exact, with stuff bits.
- A frame arrives at the end of its end-of-frame field. The bus is idle 3 bits later.
- A stream holds one frame at most: a newer release overwrites one that still waits (`Stream.overruns`).
- Without another member to acknowledge, nothing arrives; the frames wait.
- When segments change, a frame on the wire goes on as long as its sender keeps one member that was there from
  its start. Otherwise, and when two frames meet, it is destroyed and waits to be sent again.

Order of events at one instant
1. all other SimPy events of that instant, also those caused by the calls below;
2. ends of frames, by identifier; each calls the `on_change`, then the `on_back`, then the `listen` handlers;
3. time limits of watches, by identifier of the stream, then in the order of `watch`: a frame that ends
   exactly at the limit is in time;
4. releases of frames, by identifier;
5. arbitrations.
So a segment change at the very end of a frame finds the frame complete, and a release at the instant the bus
becomes idle competes.

Times are whole nanoseconds inside, so that equal times are equal; seconds outside.

Not modelled: error counters, error frames and bus-off (a sender without acknowledgement stays silent until
somebody joins, and a destroyed frame costs no error flag); listeners hear nothing from a sender that nobody
acknowledges; clock drift between modules; the order in which one controller offers its own frames (all take
part at once).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from heapq import heapify, heappop, heappush, heapreplace
from typing import Any

from simpy import Environment, Event
from simpy.events import EventPriority

from sim.network.frames import INTERMISSION_BITS, NS_PER_S, Frame, arbitration_key, duration_ns, frame_bits

# SimPy knows 0 (urgent) and 1 (normal); events of the network come behind all others of the same instant.
_LAST = EventPriority(2)

# How far the network works ahead when nobody else has an event: only bounds the memory of a tap's reader.
_LOOK_AHEAD_S = 1.0

_NEVER = -1  # a time before all others: no frame heard yet, no check planned
_UNKNOWN = -1  # a version that no data has: the receiver does not know the stream's data
_FOR_EVER = 1 << 62  # a time behind all others, in ns: 146 years

Listener = Callable[[Frame, str, float], None]
Tap = Callable[[float, float, Frame, str], None]


@dataclass(frozen=True, slots=True)
class Segment:
    """Channels that share a bus right now.

    members hear each other both ways; listeners hear the members but are not heard. A channel stands in one
    segment at most; one that stands in none, or is the only member, has nobody to acknowledge its frames.
    """

    members: tuple[str, ...]
    listeners: tuple[str, ...] = ()
    bitrate_bps: int = 500_000


class _Message:
    """What one channel has to send, and where it stands on the bus."""

    __slots__ = (
        "_attended", "_bus", "_duration_ns", "_end_ns", "_flight", "_prev_end_ns", "_rank", "_waits",
        "channel", "frame", "live",
    )  # fmt: skip

    def __init__(self, channel: str, frame: Frame, name: str) -> None:
        self.channel = channel
        self.frame = frame
        self.live = False  # its sender wants it sent
        self._rank = f"4 {arbitration_key(frame.can_id, frame.extended):08x} {channel} {name}"
        self._bus = _NO_BUS
        self._duration_ns = 0
        self._end_ns = _NEVER  # of the newest frame, which may still be on the wire
        self._prev_end_ns = _NEVER  # of the frame before
        self._attended = False  # somebody must be told when the next frame ends
        self._waits = False
        self._flight: _Flight | None = None

    def _last_end_ns(self, now_ns: int) -> int:
        """End of the last frame that is complete."""
        return self._end_ns if self._end_ns <= now_ns else self._prev_end_ns

    def _join(self, bus: _Bus) -> None:
        self._bus = bus
        self._duration_ns = duration_ns(frame_bits(self.frame), bus.bitrate_bps)
        self._end_ns = self._prev_end_ns = _NEVER


class Stream(_Message):
    """A message that its sender repeats.

    period_s: seconds between releases, or None for one that only a gateway releases (`CanNetwork.forward`).
    offset_s: from `CanNetwork.start` to the first release. data: 0 to 8 bytes, see `CanNetwork.set_data`.
    live: between start and stop. overruns: releases that overwrote a frame still waiting.
    delivered: data of the last frame somebody was called for; a handler reads here what the frame carried.
    Raises ValueError for an impossible identifier, length, period or offset.
    """

    __slots__ = (
        "_forwards", "_heard_ns", "_monitor", "_period_ns", "_readers", "_version",
        "delivered", "name", "offset_s", "overruns", "period_s",
    )  # fmt: skip

    def __init__(
        self,
        name: str,
        channel: str,
        can_id: int,
        period_s: float | None,
        offset_s: float = 0.0,
        data: bytes = b"",
        extended: bool = False,
    ) -> None:
        if period_s is not None and not 0 < round(period_s * NS_PER_S) < _FOR_EVER:
            raise ValueError(f"stream {name}: period {period_s} s must be above 0")
        if offset_s < 0:
            raise ValueError(f"stream {name}: offset {offset_s} s must not be below 0")
        super().__init__(channel, Frame(can_id, data, extended), name)
        self.name = name
        self.period_s = period_s
        self.offset_s = offset_s
        self.overruns = 0
        self.delivered = data
        self._period_ns = 0 if period_s is None else _ns(period_s)
        self._version = 0
        self._heard_ns: dict[str, int] = {}  # by receiver, from before its present segment was formed
        self._readers: list[_Reader] = []
        self._forwards: list[_Forward] = []
        self._monitor = _Monitor(self)

    def __repr__(self) -> str:
        return f"<Stream {self.name} {self.frame} from {self.channel}>"

    @property
    def can_id(self) -> int:
        return self.frame.can_id

    @property
    def data(self) -> bytes:
        """What the next frame will carry."""
        return self.frame.data

    def _heard_by(self, channel: str, now_ns: int) -> int:
        """End of the last complete frame that the channel received."""
        last_ns = self._last_end_ns(now_ns)
        if last_ns != _NEVER and channel in self._bus.audience:
            return last_ns
        return self._heard_ns.get(channel, _NEVER)

    def _keep_heard(self, now_ns: int) -> None:
        """Write down for every present receiver what it has heard, before the audience changes."""
        last_ns = self._last_end_ns(now_ns)
        if last_ns != _NEVER:
            self._heard_ns.update(dict.fromkeys(self._bus.audience, last_ns))


class _OneShot(_Message):
    """A frame that is sent once."""

    __slots__ = ("on_sent",)

    def __init__(
        self, channel: str, frame: Frame, serial: int, on_sent: Callable[[float], None] | None
    ) -> None:
        super().__init__(channel, frame, f"{serial:012d}")
        self.on_sent = on_sent
        self.live = True
        self._attended = True


class Watch:
    """A receiver's time limit for a stream. lost: the limit has passed and nothing has arrived since."""

    __slots__ = ("_limit_ns", "_since_ns", "channel", "lost", "on_back", "on_lost", "stream")

    def __init__(
        self,
        stream: Stream,
        channel: str,
        limit_ns: int,
        since_ns: int,
        on_lost: Callable[[float], None],
        on_back: Callable[[float], None],
    ) -> None:
        self.stream = stream
        self.channel = channel
        self.on_lost = on_lost
        self.on_back = on_back
        self.lost = False
        self._limit_ns = limit_ns
        self._since_ns = since_ns

    def cancel(self) -> None:
        """Call nobody any more. Cancelling twice does no harm."""
        monitor = self.stream._monitor
        if self in monitor.watches:
            monitor.watches.remove(self)
            monitor.calm = False

    def _deadline_ns(self, now_ns: int) -> int:
        return max(self._since_ns, self.stream._heard_by(self.channel, now_ns)) + self._limit_ns


class _Monitor:
    """All watches of one stream, checked together: one entry in the calendar, planned again only when it is
    due.

    calm: every watch is armed and hears the stream, so that the tightest limit behind the last frame is next.
    """

    __slots__ = ("calm", "due_ns", "rank", "stream", "tightest_ns", "watches")

    def __init__(self, stream: Stream) -> None:
        self.stream = stream
        self.rank = "3" + stream._rank[1:]
        self.watches: list[Watch] = []
        self.due_ns = _NEVER
        self.tightest_ns = 0
        self.calm = False


@dataclass(slots=True, eq=False)
class _Reader:
    """Someone to be called when the stream carries data that the channel does not know yet."""

    channel: str
    handler: Callable[[Stream, float], None]
    version: int = _UNKNOWN


@dataclass(slots=True, eq=False)
class _Forward:
    """A gateway's rule: what `receiver` hears of `source` goes out as `target`."""

    source: Stream
    receiver: str
    target: Stream
    delay_ns: int


@dataclass(slots=True, eq=False)
class _Relay:
    """A received frame on its way through a gateway."""

    forward: _Forward
    data: bytes


@dataclass(slots=True, eq=False)
class _Flight:
    """A frame on the wire that somebody must be told about when it ends.

    broken: the audience changed on the way, so that `audience` is those who can still receive it whole.
    """

    message: _Message
    frame: Frame
    version: int
    start_ns: int
    end_ns: int
    audience: frozenset[str]
    broken: bool = False


class _Bus:
    """A segment at work. One that has no two members (`acknowledges` is False) is never free: its frames
    wait.

    Error confinement belongs here: what such a sender does on the wire instead of waiting.
    """

    __slots__ = (
        "acknowledges", "audience", "bitrate_bps", "busy_ns", "formed_ns", "frames", "free_ns",
        "intermission_ns", "members", "rank", "segment", "sending", "waiting",
    )  # fmt: skip

    def __init__(self, segment: Segment, now_ns: int) -> None:
        self.segment = segment
        self.members = frozenset(segment.members)
        self.audience = self.members | frozenset(segment.listeners)
        self.acknowledges = len(self.members) > 1
        self.bitrate_bps = segment.bitrate_bps
        self.intermission_ns = duration_ns(INTERMISSION_BITS, segment.bitrate_bps)
        self.rank = f"5 {min(self.audience, default='')}"
        self.waiting: list[tuple[str, _Message]] = []  # heap, lowest identifier first
        self.sending: _Message | None = None  # on the wire, or the last that was
        self.free_ns = now_ns if self.acknowledges else _FOR_EVER
        self.formed_ns = now_ns
        self.busy_ns = 0
        self.frames = 0


_NO_BUS = _Bus(Segment((), (), 1), 0)


class _Alarm(Event):
    """Wakes the network at a time, behind all other events of that instant."""

    def __init__(self, env: Environment, delay_s: float, at_ns: int) -> None:
        super().__init__(env)
        self._ok = True
        self._value = None
        self.at_ns = at_ns
        env.schedule(self, _LAST, delay_s)


class CanNetwork:
    """All CAN buses of one car.

    on_event: called as (time_s, what, stream name or frame) when a change of the segments breaks a frame:
    "frame destroyed" or "frames collided".
    tap: assign a function to be called with (start_s, end_s, frame, sender channel) for every complete frame,
    in the order of its end. It may be called while the SimPy clock still stands before that end, never after.
    """

    def __init__(
        self, env: Environment, *, on_event: Callable[[float, str, str], None] | None = None
    ) -> None:
        self.tap: Tap | None = None
        self._env = env
        self._on_event = on_event
        self._calendar: list[tuple[int, str, Any]] = []  # heap of (time in ns, order at that instant, what)
        self._buses: dict[str, _Bus] = {}  # by channel
        self._streams: dict[str, list[Stream]] = {}  # by channel of the sender
        self._listeners: list[tuple[str, Listener]] = []
        self._alarm_ns = _FOR_EVER  # the next time that the network must be woken
        self._alarms: set[int] = set()  # times that have an alarm, never two at one time
        self._serial = 0
        self._frames_before = 0  # of segments that are no more

    # What modules do

    def start(self, stream: Stream) -> None:
        """Send the stream from now on, first after its offset; its first frame counts as new data everywhere.

        Raises ValueError when it is live already, or another stream has its channel, identifier and name.
        """
        if stream.live:
            raise ValueError(f"stream {stream.name} is started already")
        now_ns = self._now_ns()
        self._know(stream)
        stream.live = True
        self._renew(stream, stream.frame.data, now_ns)
        if stream.period_s is not None:
            self._plan(now_ns + _ns(stream.offset_s), stream._rank, stream)

    def stop(self, stream: Stream) -> None:
        """Send it no more. A frame on the wire is completed, one that waits is dropped."""
        if not stream.live:
            return
        self._withdraw(stream)

    def set_data(self, stream: Stream, data: bytes) -> None:
        """What frames carry from now on, also one that waits already. Receivers are told by `on_change`.

        Raises ValueError for more than 8 bytes.
        """
        if data != stream.frame.data:
            self._know(stream)
            self._renew(stream, data, self._now_ns())

    def send(
        self, channel: str, frame: Frame, on_sent: Callable[[float], None] | None = None
    ) -> Callable[[], None]:
        """Send one frame as soon as the bus lets it; frames of one channel and identifier keep their order.

        on_sent is called with the time when it has arrived somewhere. It waits as long as that takes; the
        function returned takes it back unless it is on the wire by then.
        """
        self._serial += 1
        message = _OneShot(channel, frame, self._serial, on_sent)
        message._join(self._bus(channel))
        self._plan(self._now_ns(), message._rank, message)
        return partial(self._withdraw, message)

    def drop(self, channel: str) -> None:
        """Forget the single frames that the channel has not sent yet, as a module does that loses power."""
        bus = self._bus(channel)
        messages = [bus.sending, *(message for _, message in bus.waiting)]
        messages += [item for _, _, item in self._calendar]
        for message in messages:
            if isinstance(message, _OneShot) and message.channel == channel:
                self._withdraw(message)

    def listen(self, channel: str, handler: Listener) -> None:
        """Call handler(frame, sender channel, time_s) for each single frame that the channel receives."""
        self._listeners.append((channel, handler))

    def on_change(self, stream: Stream, channel: str, handler: Callable[[Stream, float], None]) -> None:
        """Call handler(stream, time_s) at the end of each frame that tells the channel something new.

        That is the first frame after the stream's start, after new data, and after the channel joined the
        sender's segment. `stream.delivered` is what the frame carried.
        """
        self._know(stream)
        stream._readers.append(_Reader(channel, handler))
        self._attend(stream, self._now_ns())

    def watch(
        self,
        stream: Stream,
        channel: str,
        limit_s: float,
        on_lost: Callable[[float], None],
        on_back: Callable[[float], None],
    ) -> Watch:
        """Call on_lost(time_s) when the channel has not received the stream for limit_s.

        Counted from now or from the last complete frame it received, whichever is later. The next frame that
        it receives calls on_back(time_s) and arms the watch again. Raises ValueError for a limit that is not
        above 0.
        """
        if round(limit_s * NS_PER_S) <= 0:
            raise ValueError(f"watch of stream {stream.name} by {channel}: limit {limit_s} s must be above 0")
        now_ns = self._now_ns()
        self._know(stream)
        watch = Watch(stream, channel, _ns(limit_s), now_ns, on_lost, on_back)
        stream._monitor.watches.append(watch)
        self._plan_check(stream._monitor, now_ns)
        return watch

    def forward(self, source: Stream, receiver: str, target: Stream, delay_s: float) -> None:
        """Let a gateway pass on a stream: each frame of source that its channel `receiver` hears is released
        as
        target, with the same data, delay_s later, if target is live then.

        Raises ValueError for a negative delay.
        """
        if delay_s < 0:
            raise ValueError(f"forwarding of stream {source.name}: delay {delay_s} s must not be below 0")
        self._know(source)
        self._know(target)
        source._forwards.append(_Forward(source, receiver, target, _ns(delay_s)))
        self._attend(source, self._now_ns())

    def unforward(self, source: Stream, receiver: str, target: Stream) -> None:
        """Undo `forward`; frames already on their way through the gateway still go out."""
        source._forwards = [f for f in source._forwards if (f.receiver, f.target) != (receiver, target)]

    # What the wiring does

    def set_segments(self, segments: Iterable[Segment]) -> None:
        """Who hears whom from now on. Segments that stay as they are run on undisturbed.

        Raises ValueError when a channel stands in two places.
        """
        now_ns = self._now_ns()
        self._regroup(_by_channel(segments), now_ns)

    # What can be asked

    @property
    def frames_total(self) -> int:
        """Frames begun so far on all buses, without the destroyed."""
        return self._frames_before + sum(bus.frames for bus in self._all_buses())

    def heard_at(self, stream: Stream, channel: str) -> float | None:
        """When the last frame of the stream that the channel received ended; None if there was none.

        A frame on the wire is not heard yet.
        """
        heard_ns = stream._heard_by(channel, self._now_ns())
        return None if heard_ns == _NEVER else heard_ns / NS_PER_S

    def segment_of(self, channel: str) -> Segment:
        """The segment that the channel hears; alone in one if none."""
        return self._heard_bus(channel).segment

    def load(self, channel: str) -> float:
        """Share of time, 0 to 1, that frames filled the channel's segment since it was formed."""
        bus = self._heard_bus(channel)
        now_ns = self._now_ns()
        if now_ns <= bus.formed_ns:
            return 0.0
        ahead_ns = max(0, bus.sending._end_ns - now_ns) if bus.sending else 0
        return (bus.busy_ns - ahead_ns) / (now_ns - bus.formed_ns)

    def waiting(self, channel: str) -> list[Frame]:
        """The frames that the channel has not been able to send yet, first to go first."""
        return [
            message.frame for _, message in sorted(self._bus(channel).waiting) if message.channel == channel
        ]

    # The calendar

    def _plan(self, at_ns: int, rank: str, item: object) -> None:
        heappush(self._calendar, (at_ns, rank, item))
        self._wake_at(at_ns)

    def _cross_out(self, item: object) -> None:
        """Take every entry of the item from the calendar."""
        self._calendar[:] = [
            entry for entry in self._calendar
            if entry[2] is not item and not (entry[2].__class__ is _Relay and entry[2].forward.target is item)
        ]  # fmt: skip
        heapify(self._calendar)

    def _wake_at(self, at_ns: int) -> None:
        """Make sure that the network is woken at this time, with the clock exactly there."""
        if at_ns >= self._alarm_ns:
            return
        self._alarm_ns = at_ns
        if at_ns in self._alarms:
            return
        self._alarms.add(at_ns)
        at_s, now_s = at_ns / NS_PER_S, self._env.now
        delay_s = max(0.0, at_s - now_s)
        if delay_s and now_s + delay_s != at_s:
            delay_s /= 2  # SimPy's sum of clock and delay would be rounded; from half the way on it is exact
        _Alarm(self._env, delay_s, at_ns).callbacks.append(self._woken)

    def _wake_for_next(self) -> None:
        if self._calendar:
            self._wake_at(self._calendar[0][0])

    def _woken(self, alarm: Event) -> None:
        assert isinstance(alarm, _Alarm)
        self._alarms.discard(alarm.at_ns)
        if alarm.at_ns != self._alarm_ns:
            return  # an earlier alarm has done the work of this one
        self._alarm_ns = _NEVER  # the calls made below need no alarm of their own
        try:
            if self._env.now >= alarm.at_ns / NS_PER_S:
                self._run(alarm.at_ns)
        finally:
            self._alarm_ns = _FOR_EVER
            self._wake_for_next()

    def _horizon_ns(self) -> int:
        """The first nanosecond that must wait for an event of somebody else."""
        until_s = min(self._env.peek(), self._env.now + _LOOK_AHEAD_S)
        until_ns = _ns(until_s)
        return until_ns if until_ns / NS_PER_S >= until_s else until_ns + 1

    def _run(self, clock_ns: int) -> None:
        """Work through the calendar up to the horizon, or to the first call that must wait for the clock."""
        calendar = self._calendar
        horizon_ns = self._horizon_ns()
        tapped = self.tap is not None
        while calendar:
            now_ns, rank, item = calendar[0]
            if now_ns >= horizon_ns:
                return
            kind = item.__class__
            if kind is Stream:
                heapreplace(calendar, (now_ns + item._period_ns, rank, item))
                message = item
                bus = message._bus
            elif kind is _Bus:
                bus = item
                message = heappop(bus.waiting)[1]
                message._waits = False
                if bus.waiting:
                    next_ns = now_ns + message._duration_ns + bus.intermission_ns
                    heapreplace(calendar, (next_ns, rank, bus))
                else:
                    heappop(calendar)
            elif kind is _Monitor or kind is _Flight:
                calls = (self._check if kind is _Monitor else self._arrive)(item, now_ns, clock_ns)
                if calls is None:
                    return
                if calls:
                    horizon_ns = self._horizon_ns()
                    tapped = self.tap is not None
                continue
            else:
                heappop(calendar)
                message = self._released(item, now_ns)
                if message is None:
                    continue
                bus = message._bus

            if kind is not _Bus and (now_ns < bus.free_ns or bus.waiting):
                self._queue(message)
                continue
            end_ns = now_ns + message._duration_ns
            message._prev_end_ns = message._end_ns
            message._end_ns = end_ns
            bus.free_ns = end_ns + bus.intermission_ns
            bus.busy_ns += message._duration_ns
            bus.frames += 1
            bus.sending = message
            if tapped or message._attended:
                self._follow(message, now_ns)

    def _queue(self, message: _Message) -> None:
        """Let the message wait for its bus; the first that waits plans the arbitration."""
        bus = message._bus
        if message._waits:
            assert isinstance(message, Stream)
            message.overruns += 1
            return
        message._waits = True
        heappush(bus.waiting, (message._rank, message))
        if len(bus.waiting) == 1 and bus.acknowledges:
            heappush(self._calendar, (bus.free_ns, bus.rank, bus))

    def _withdraw(self, message: _Message) -> None:
        """Send it no more, unless it is on the wire and gets through."""
        message.live = False
        self._cross_out(message)
        if not message._waits:
            return
        message._waits = False
        bus = message._bus
        bus.waiting.remove((message._rank, message))
        heapify(bus.waiting)
        if not bus.waiting:
            self._cross_out(bus)

    def _released(self, item: _OneShot | _Relay, now_ns: int) -> _Message | None:
        """The message of a single frame, or the stream that a gateway releases with the data it received."""
        if isinstance(item, _OneShot):
            item._join(self._bus(item.channel))
            return item
        target = item.forward.target
        if not target.live:
            return None
        if item.data != target.frame.data:
            self._renew(target, item.data, now_ns)
        return target

    # Who must be told

    def _know(self, stream: Stream) -> None:
        """Put a stream on its channel's bus the first time it is mentioned."""
        siblings = self._streams.setdefault(stream.channel, [])
        if stream in siblings:
            return
        if any(stream._rank == other._rank for other in siblings):
            raise ValueError(
                f"stream {stream.name}: {stream.channel} has another of that name and identifier"
            )
        siblings.append(stream)
        stream._join(self._bus(stream.channel))

    def _renew(self, stream: Stream, data: bytes, now_ns: int) -> None:
        """New data; a frame already on the wire keeps what it carries."""
        self._follow_sent(stream, now_ns)
        stream.frame = Frame(stream.frame.can_id, data, stream.frame.extended)
        stream._duration_ns = duration_ns(frame_bits(stream.frame), stream._bus.bitrate_bps)
        stream._version += 1
        self._attend(stream, now_ns)

    def _attend(self, stream: Stream, now_ns: int) -> None:
        """Find out whether anybody must be told of the stream's next frame, or of the one on the wire."""
        audience = stream._bus.audience
        stream._attended = (
            bool(stream._forwards)
            or any(r.version != stream._version and r.channel in audience for r in stream._readers)
            or any(watch.lost and watch.channel in audience for watch in stream._monitor.watches)
        )
        if stream._attended:
            self._follow_sent(stream, now_ns)

    def _follow_sent(self, message: _Message, now_ns: int) -> None:
        """Follow the message's frame from here on if it is on the wire."""
        if message._bus.sending is message and message._end_ns > now_ns and message._flight is None:
            self._follow(message, message._end_ns - message._duration_ns)

    def _follow(self, message: _Message, start_ns: int) -> None:
        """Have the end of the message's frame in the calendar."""
        version = message._version if isinstance(message, Stream) else _UNKNOWN
        end_ns = message._end_ns
        audience = message._bus.audience - {message.channel}
        message._flight = _Flight(message, message.frame, version, start_ns, end_ns, audience)
        self._plan(end_ns, "2" + message._rank[1:], message._flight)

    def _arrive(self, flight: _Flight, now_ns: int, clock_ns: int) -> int | None:
        """End of a frame. Returns the number of calls made, None when they must wait for the clock."""
        message, audience = flight.message, flight.audience
        readers: list[_Reader] = []
        lost: list[Watch] = []
        listeners: list[Listener] = []
        on_sent: Callable[[float], None] | None = None
        if isinstance(message, Stream):
            readers = [r for r in message._readers if r.version != flight.version and r.channel in audience]
            lost = [watch for watch in message._monitor.watches if watch.lost and watch.channel in audience]
        elif isinstance(message, _OneShot):
            listeners = [handler for channel, handler in self._listeners if channel in audience]
            on_sent = message.on_sent
        calls = len(readers) + len(lost) + len(listeners) + (on_sent is not None)
        if calls and now_ns > clock_ns:
            return None

        heappop(self._calendar)
        message._flight = None
        end_s = now_ns / NS_PER_S
        if self.tap:
            self.tap(flight.start_ns / NS_PER_S, end_s, flight.frame, message.channel)
        if isinstance(message, Stream):
            if flight.broken:
                message._heard_ns.update(dict.fromkeys(audience, now_ns))
            for reader in readers:
                reader.version = flight.version
            for watch in lost:
                watch.lost = False
                watch._since_ns = now_ns
            message.delivered = flight.frame.data
            if lost:
                self._plan_check(message._monitor, now_ns)
            self._attend(message, now_ns)
            self._pass_on(message, flight)
            for reader in readers:
                reader.handler(message, end_s)
            for watch in lost:
                if watch in message._monitor.watches:
                    watch.on_back(end_s)
        if on_sent:
            on_sent(end_s)
        for handler in listeners:
            handler(flight.frame, message.channel, end_s)
        return calls

    def _pass_on(self, source: Stream, flight: _Flight) -> None:
        """Let gateways take the frame that has just ended."""
        for forward in source._forwards:
            if forward.receiver in flight.audience:
                rank = f"{forward.target._rank} {source.name} {forward.receiver}"
                relay = _Relay(forward, flight.frame.data)
                heappush(self._calendar, (flight.end_ns + forward.delay_ns, rank, relay))

    # Lost messages

    def _plan_check(self, monitor: _Monitor, now_ns: int) -> None:
        """Plan the next look at the stream's watches, at the earliest moment at which one can expire."""
        armed = [watch for watch in monitor.watches if not watch.lost]
        if not armed:
            return
        stream = monitor.stream
        audience = stream._bus.audience
        heard = stream._last_end_ns(now_ns) != _NEVER
        monitor.calm = heard and all(watch.channel in audience for watch in armed)
        monitor.tightest_ns = min(watch._limit_ns for watch in armed)
        due_ns = min(watch._deadline_ns(now_ns) for watch in armed)
        if monitor.due_ns == _NEVER or due_ns < monitor.due_ns:
            monitor.due_ns = due_ns
            self._plan(due_ns, monitor.rank, monitor)

    def _check(self, monitor: _Monitor, now_ns: int, clock_ns: int) -> int | None:
        """A limit may have passed. Returns the number of calls made, None if they must wait for the clock."""
        stream = monitor.stream
        if now_ns != monitor.due_ns:
            heappop(self._calendar)  # planned earlier since
            return 0
        if monitor.calm:
            due_ns = stream._last_end_ns(now_ns) + monitor.tightest_ns
            if due_ns > now_ns:
                monitor.due_ns = due_ns
                heapreplace(self._calendar, (due_ns, monitor.rank, monitor))
                return 0
        late = [watch for watch in monitor.watches if not watch.lost and watch._deadline_ns(now_ns) <= now_ns]
        if late and now_ns > clock_ns:
            return None
        heappop(self._calendar)
        monitor.due_ns = _NEVER
        for watch in late:
            watch.lost = True
        self._attend(stream, now_ns)
        self._plan_check(monitor, now_ns)
        for watch in late:
            if watch in monitor.watches:
                watch.on_lost(now_ns / NS_PER_S)
        return len(late)

    # Segments

    def _bus(self, channel: str) -> _Bus:
        """The segment at work that the channel sends in; alone in one until told otherwise."""
        bus = self._buses.get(channel)
        if bus is None:
            bus = self._buses[channel] = _Bus(Segment((channel,)), self._now_ns())
        return bus

    def _heard_bus(self, channel: str) -> _Bus:
        """The bus that the channel hears: its own unless it only listens."""
        listened = (bus for bus in self._all_buses() if channel in bus.segment.listeners)
        return next(listened, self._bus(channel))

    def _all_buses(self) -> list[_Bus]:
        return list(dict.fromkeys(self._buses.values()))

    def _regroup(self, wanted: dict[str, Segment], now_ns: int) -> None:
        """Form new buses where the segment of a channel changes, and carry over what the old ones did."""
        places = {
            channel: wanted.get(channel) or Segment((channel,), (), self._bus(channel).bitrate_bps)
            for channel in sorted(self._buses.keys() | wanted.keys())
        }
        changed = [channel for channel, place in places.items() if self._bus(channel).segment != place]
        old_buses = list(dict.fromkeys(self._buses[channel] for channel in changed))
        formed = {places[channel]: _Bus(places[channel], now_ns) for channel in changed}
        streams = [stream for channel in changed for stream in self._streams.get(channel, ())]

        waiting = [message for bus in old_buses for _, message in bus.waiting]
        carried = [(bus, flight) for bus in old_buses if (flight := self._on_the_wire(bus, now_ns))]
        for bus in old_buses:
            self._frames_before += bus.frames
            self._cross_out(bus)
        for stream in streams:
            stream._keep_heard(now_ns)
        for channel in changed:
            self._buses[channel] = formed[places[channel]]
        for message in (*streams, *waiting, *(flight.message for _, flight in carried)):
            message._join(self._buses[message.channel])

        for message in waiting:
            message._waits = False
        for message in (*waiting, *self._broken(carried, now_ns)):
            self._queue(message)
        for stream in streams:
            for reader in stream._readers:
                if reader.channel not in stream._bus.audience:
                    reader.version = _UNKNOWN
            stream._monitor.calm = False
            self._attend(stream, now_ns)
        self._wake_for_next()

    def _on_the_wire(self, bus: _Bus, now_ns: int) -> _Flight | None:
        """The frame that the bus carries at this moment."""
        if bus.sending is None:
            return None
        self._follow_sent(bus.sending, now_ns)
        return bus.sending._flight

    def _broken(self, carried: list[tuple[_Bus, _Flight]], now_ns: int) -> list[_Message]:
        """Let frames go on whose sender keeps company; destroy the others and return their messages."""
        going_on: dict[_Bus, list[_Flight]] = {}
        broken: list[tuple[_Flight, str]] = []
        for old, flight in carried:
            new = flight.message._bus
            flight.audience &= new.audience
            flight.broken = True
            if flight.end_ns == now_ns:
                continue  # complete: those who have left at this very instant are not called
            if flight.audience & old.members & new.members and new.bitrate_bps == old.bitrate_bps:
                going_on.setdefault(new, []).append(flight)
            else:
                broken.append((flight, "frame destroyed"))
        for new, flights in going_on.items():
            if len(flights) > 1:
                broken += [(flight, "frames collided") for flight in flights]
            else:
                new.sending = flights[0].message
                new.free_ns = flights[0].end_ns + new.intermission_ns
        for flight, what in broken:
            self._destroy(flight, what, now_ns)
        return [flight.message for flight, _ in broken if flight.message.live]

    def _destroy(self, flight: _Flight, what: str, now_ns: int) -> None:
        self._cross_out(flight)
        flight.message._flight = None
        self._frames_before -= 1
        if self._on_event:
            message = flight.message
            name = message.name if isinstance(message, Stream) else str(flight.frame)
            self._on_event(self._env.now, what, name)

    def _now_ns(self) -> int:
        return _ns(self._env.now)


def _ns(time_s: float) -> int:
    return round(time_s * NS_PER_S)


def _by_channel(segments: Iterable[Segment]) -> dict[str, Segment]:
    """Each member's segment, the names inside sorted so that equal segments compare equal.

    A listener has none to send in: its own frames get nowhere.
    """
    places: dict[str, Segment] = {}
    sending: dict[str, Segment] = {}
    for segment in segments:
        members, listeners = tuple(sorted(segment.members)), tuple(sorted(segment.listeners))
        place = Segment(members, listeners, segment.bitrate_bps)
        sending.update(dict.fromkeys(members, place))
        for channel in members + listeners:
            if channel in places:
                raise ValueError(f"channel {channel} stands in two places: {places[channel]} and {place}")
            places[channel] = place
    return sending
