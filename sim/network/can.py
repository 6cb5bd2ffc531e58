"""Every CAN bus of one car, frame by frame, on the SimPy clock.

Words and interface are those of `streams.py`. How it keeps up: releases, arbitrations and time limits of all
buses stand in one calendar, and the network works through it up to the next event of anyone else without an
event of its own per frame. Only a frame that somebody is to be called for takes one, so that the call happens
with the SimPy clock at the end of that frame.

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

from simpy import Environment

from sim.network.alarm import AlarmClock, to_ns
from sim.network.frames import INTERMISSION_BITS, NS_PER_S, Frame, arbitration_key, duration_ns, frame_bits
from sim.network.streams import Listener, Network, Segment, Stream, Watch

__all__ = ["CanNetwork", "Segment", "Stream", "Tap", "Watch"]

# How far it works ahead when nobody else has an event, so that even an endless run returns to SimPy.
_LOOK_AHEAD_S = 1.0

_NEVER = -1  # a time before all others: no frame heard yet, no check planned
_UNKNOWN = -1  # a version that no data has: the receiver does not know the stream's data
_NEVER_FREE = 1 << 62  # a time behind all others

Call = Callable[[float], None]
Tap = Callable[[float, float, Frame, str], None]


class _Message:
    """What one channel has to send, and where it stands on the bus."""

    __slots__ = (
        "awaited", "bus", "channel", "duration_ns", "end_ns", "end_rank", "flight", "followed", "live",
        "prev_end_ns", "rank", "receivers", "waits",
    )  # fmt: skip

    def __init__(self, channel: str, frame: Frame, name: str) -> None:
        self.channel = channel
        self.rank = f"{arbitration_key(frame.can_id, frame.extended):08x} {channel} {name}"
        self.end_rank = f"{_ENDS} {self.rank}"
        self.live = True  # its sender still wants it sent
        self.bus = _NO_BUS
        self.receivers = _NO_BUS.audience
        self.duration_ns = 0
        self.end_ns = _NEVER  # of the newest frame to this bus, which may still be on the wire
        self.prev_end_ns = _NEVER  # of the frame before
        self.awaited = True  # the end of the next frame concerns somebody
        self.followed = True  # it must stand in the calendar
        self.waits = False
        self.flight: _Flight | None = None

    @property
    def frame(self) -> Frame:
        raise NotImplementedError

    @property
    def version(self) -> int:
        """Counts the changes of what is sent."""
        return 0

    def calls(self, flight: _Flight) -> list[Call]:
        """Whom the end of this frame concerns."""
        raise NotImplementedError

    def join(self, bus: _Bus) -> None:
        self.bus = bus
        self.receivers = bus.audience - {self.channel}
        self.end_ns = self.prev_end_ns = _NEVER
        self.measure()

    def measure(self) -> None:
        self.duration_ns = duration_ns(frame_bits(self.frame), self.bus.bitrate_bps)

    def last_end_ns(self, now_ns: int) -> int:
        """End of the last complete frame to this bus."""
        return self.end_ns if self.end_ns <= now_ns else self.prev_end_ns


class _Single(_Message):
    """A frame that is sent once."""

    __slots__ = ("_frame", "listeners", "on_sent")

    def __init__(
        self,
        channel: str,
        frame: Frame,
        serial: int,
        on_sent: Call | None,
        listeners: dict[str, list[Listener]],
    ) -> None:
        super().__init__(channel, frame, f"{serial:012d}")
        self._frame = frame
        self.on_sent = on_sent
        self.listeners = listeners

    @property
    def frame(self) -> Frame:
        return self._frame

    def calls(self, flight: _Flight) -> list[Call]:
        """The sender, then those who listen."""
        calls: list[Call] = [self.on_sent] if self.on_sent else []
        for channel, handlers in self.listeners.items():
            if channel in flight.audience:
                calls += [partial(handler, flight.frame, self.channel) for handler in handlers]
        return calls


class _Repeated(_Message):
    """A stream at work."""

    __slots__ = ("forwards", "heard_ns", "monitor", "period_ns", "readers", "stream", "versions")

    def __init__(self, stream: Stream) -> None:
        super().__init__(stream.channel, stream.frame, stream.name)
        self.stream = stream
        self.live = False
        self.awaited = self.followed = False
        self.period_ns = 0 if stream.period_s is None else to_ns(stream.period_s)
        self.versions = 0
        self.heard_ns: dict[str, int] = {}  # by receiver, from before the present segment was formed
        self.readers: list[_Reader] = []
        self.forwards: list[_Forward] = []
        self.monitor = _Monitor(self)

    @property
    def frame(self) -> Frame:
        return self.stream.frame

    @property
    def version(self) -> int:
        return self.versions

    def calls(self, flight: _Flight) -> list[Call]:
        """Readers that do not know the data yet, then watches that had given the stream up."""
        calls: list[Call] = [
            partial(reader.handler, self.stream)
            for reader in self.readers
            if reader.version != flight.version and reader.channel in flight.audience
        ]
        return calls + [
            watch.found for watch in self.monitor.watches if watch.lost and watch.channel in flight.audience
        ]

    def look_who_waits(self) -> None:
        """Find out whether the end of the next frame concerns anybody; of one on the wire it may."""
        audience = self.bus.audience
        self.awaited = (
            self.flight is not None
            or any(r.version != self.versions and r.channel in audience for r in self.readers)
            or any(watch.lost and watch.channel in audience for watch in self.monitor.watches)
        )
        self.followed = self.awaited or bool(self.forwards)

    def arrived(self, flight: _Flight) -> None:
        """Everybody in the frame's audience has it."""
        self.stream.delivered = flight.frame.data
        if flight.broken:
            self.heard_ns.update(dict.fromkeys(flight.audience, flight.end_ns))
        if not self.awaited:
            return
        for reader in self.readers:
            if reader.channel in flight.audience & self.bus.audience:
                reader.version = flight.version
        for watch in self.monitor.watches:
            if watch.channel in flight.audience:
                watch.lost = False

    def heard_by(self, channel: str, now_ns: int) -> int:
        """End of the last complete frame that the channel received."""
        last_ns = self.last_end_ns(now_ns)
        if last_ns != _NEVER and channel in self.bus.audience:
            return last_ns
        return self.heard_ns.get(channel, _NEVER)

    def leave(self, now_ns: int) -> None:
        """Write down what every present receiver has heard, before the audience changes."""
        last_ns = self.last_end_ns(now_ns)
        if last_ns != _NEVER:
            self.heard_ns.update(dict.fromkeys(self.bus.audience, last_ns))

    def forget_who_is_away(self) -> None:
        """Who does not hear the stream any more must be told again when it is back."""
        self.monitor.calm = False
        for reader in self.readers:
            if reader.channel not in self.bus.audience:
                reader.version = _UNKNOWN


class _Watch(Watch):
    """A watch at work."""

    __slots__ = (
        "cancelled",
        "channel",
        "limit_ns",
        "lost",
        "monitor",
        "on_back",
        "on_lost",
        "since_ns",
        "stream",
    )

    def __init__(
        self, monitor: _Monitor, channel: str, limit_ns: int, since_ns: int, on_lost: Call, on_back: Call
    ) -> None:
        self.monitor = monitor
        self.stream = monitor.message.stream
        self.channel = channel
        self.limit_ns = limit_ns
        self.since_ns = since_ns
        self.on_lost = on_lost
        self.on_back = on_back
        self.lost = False
        self.cancelled = False

    def cancel(self) -> None:
        if not self.cancelled:
            self.cancelled = True
            self.monitor.watches.remove(self)

    def deadline_ns(self, now_ns: int) -> int:
        return max(self.since_ns, self.monitor.message.heard_by(self.channel, now_ns)) + self.limit_ns

    def missed(self, time_s: float) -> None:
        if not self.cancelled:
            self.on_lost(time_s)

    def found(self, time_s: float) -> None:
        if not self.cancelled:
            self.on_back(time_s)


class _Monitor:
    """All watches of one stream, looked at together: one entry in the calendar, planned again when it is due.

    calm: every armed watch hears the stream, so that the tightest limit behind the last frame is next.
    """

    __slots__ = ("calm", "due_ns", "message", "rank", "tightest_ns", "watches")

    def __init__(self, message: _Repeated) -> None:
        self.message = message
        self.rank = f"{_LIMITS} {message.rank}"
        self.watches: list[_Watch] = []
        self.due_ns = _NEVER
        self.tightest_ns = 0
        self.calm = False

    def late(self, now_ns: int) -> list[_Watch]:
        """The watches whose limit has passed just now."""
        return [watch for watch in self.watches if not watch.lost and watch.deadline_ns(now_ns) <= now_ns]

    def next_due_ns(self, now_ns: int) -> int:
        """The earliest moment at which a watch can expire, _NEVER if none is armed."""
        armed = [watch for watch in self.watches if not watch.lost]
        if not armed:
            return _NEVER
        audience = self.message.bus.audience
        self.calm = all(watch.channel in audience for watch in armed)
        self.tightest_ns = min(watch.limit_ns for watch in armed)
        return min(watch.deadline_ns(now_ns) for watch in armed)


@dataclass(slots=True, eq=False)
class _Reader:
    """Someone to be called when the stream carries data that the channel does not know yet."""

    channel: str
    handler: Callable[[Stream, float], None]
    version: int = _UNKNOWN


@dataclass(slots=True, eq=False)
class _Forward:
    """A gateway's rule: what `receiver` hears goes out as `target`."""

    receiver: str
    target: _Repeated
    delay_ns: int
    rank: str


@dataclass(slots=True, eq=False)
class _Relay:
    """A received frame on its way through a gateway."""

    target: _Repeated
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
    """A segment at work.

    One without two members does not acknowledge: it is never free and its frames wait. Error confinement
    belongs here: what such a sender does on the wire instead.
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
        self.rank = f"{_ARBITRATIONS} {min(self.audience, default='')}"
        self.waiting: list[tuple[str, _Message]] = []  # heap, lowest identifier first
        self.sending: _Message | None = None  # on the wire, or the last that was
        self.free_ns = now_ns if self.acknowledges else _NEVER_FREE
        self.formed_ns = now_ns
        self.busy_ns = 0
        self.frames = 0


# Order at one instant, behind other SimPy events: the calendar sorts by these.
_ENDS, _LIMITS, _RELEASES, _ARBITRATIONS = "2", "3", "4", "5"
_NO_BUS = _Bus(Segment((), (), 1), 0)


class CanNetwork(Network):
    """All CAN buses of one car. Methods without a text of their own are described in `streams.Network`.

    on_event: called as (time_s, what, stream name or frame) when a change of the segments breaks a frame:
    "frame destroyed" or "frames collided".
    tap: assign a function to be called with (start_s, end_s, frame, sender channel) for every complete frame,
    in the order of its end. It may be called while the SimPy clock still stands before that end, never after.
    """

    def __init__(
        self, env: Environment, *, on_event: Callable[[float, str, str], None] | None = None
    ) -> None:
        self.tap: Tap | None = None
        self._on_event = on_event
        self._clock = AlarmClock(env, self._woken)
        self._running = False
        self._calendar: list[tuple[int, str, Any]] = []  # heap of (time in ns, order at that instant, what)
        self._messages: dict[Stream, _Repeated] = {}
        self._ranks: set[str] = set()  # of streams
        self._buses: dict[str, _Bus] = {}  # by channel that sends in it
        self._listeners: dict[str, list[Listener]] = {}
        self._serial = 0  # of single frames
        self._frames_before = 0  # on buses that are no more

    # What modules do

    def start(self, stream: Stream) -> None:
        if stream.live:
            raise ValueError(f"stream {stream.name} is started already")
        message = self._message(stream)
        now_ns = self._clock.now_ns()
        stream.live = message.live = True
        self._renew(message, stream.data, now_ns)
        if stream.period_s is not None:
            self._plan(now_ns + to_ns(stream.offset_s), f"{_RELEASES} {message.rank}", message)

    def stop(self, stream: Stream) -> None:
        if stream.live:
            stream.live = False
            self._withdraw(self._message(stream))

    def set_data(self, stream: Stream, data: bytes) -> None:
        if data != stream.data:
            self._renew(self._message(stream), data, self._clock.now_ns())

    def send(self, channel: str, frame: Frame, on_sent: Call | None = None) -> Callable[[], None]:
        self._serial += 1
        message = _Single(channel, frame, self._serial, on_sent, self._listeners)
        self._plan(self._clock.now_ns(), f"{_RELEASES} {message.rank}", message)
        return partial(self._withdraw, message)

    def drop(self, channel: str) -> None:
        bus = self._bus(channel)
        messages = [bus.sending, *(message for _, message in bus.waiting)]
        messages += [item for _, _, item in self._calendar]
        for message in messages:
            if isinstance(message, _Single) and message.channel == channel:
                self._withdraw(message)

    def listen(self, channel: str, handler: Listener) -> None:
        self._listeners.setdefault(channel, []).append(handler)

    def on_change(self, stream: Stream, channel: str, handler: Callable[[Stream, float], None]) -> None:
        message = self._message(stream)
        message.readers.append(_Reader(channel, handler))
        self._attend(message, self._clock.now_ns())

    def watch(self, stream: Stream, channel: str, limit_s: float, on_lost: Call, on_back: Call) -> Watch:
        if not limit_s >= 1 / NS_PER_S:
            raise ValueError(f"watch of stream {stream.name} by {channel}: limit {limit_s} s must be above 0")
        monitor = self._message(stream).monitor
        now_ns = self._clock.now_ns()
        watch = _Watch(monitor, channel, to_ns(limit_s), now_ns, on_lost, on_back)
        monitor.watches.append(watch)
        self._plan_check(monitor, now_ns)
        return watch

    def forward(self, source: Stream, receiver: str, target: Stream, delay_s: float) -> None:
        if not delay_s >= 0:
            raise ValueError(f"forwarding of stream {source.name}: delay {delay_s} s must not be below 0")
        message, released = self._message(source), self._message(target)
        rank = f"{_RELEASES} {released.rank} from {message.rank} by {receiver}"
        message.forwards.append(_Forward(receiver, released, to_ns(delay_s), rank))
        self._attend(message, self._clock.now_ns())

    def unforward(self, source: Stream, receiver: str, target: Stream) -> None:
        message, gone = self._message(source), self._message(target)
        message.forwards = [f for f in message.forwards if (f.receiver, f.target) != (receiver, gone)]

    # What the wiring does

    def set_segments(self, segments: Iterable[Segment]) -> None:
        self._regroup(_by_member(segments), self._clock.now_ns())

    # What can be asked

    def heard_at(self, stream: Stream, channel: str) -> float | None:
        heard_ns = self._message(stream).heard_by(channel, self._clock.now_ns())
        return None if heard_ns == _NEVER else heard_ns / NS_PER_S

    @property
    def frames_total(self) -> int:
        """Frames begun so far on all buses, without the destroyed."""
        return self._frames_before + sum(bus.frames for bus in self._all_buses())

    def segment_of(self, channel: str) -> Segment:
        """The segment that the channel hears; alone in one if none."""
        return self._heard_bus(channel).segment

    def load(self, channel: str) -> float:
        """Share of time, 0 to 1, that frames filled the channel's segment since it was formed."""
        bus = self._heard_bus(channel)
        now_ns = self._clock.now_ns()
        if now_ns <= bus.formed_ns:
            return 0.0
        ahead_ns = max(0, bus.sending.end_ns - now_ns) if bus.sending else 0
        return (bus.busy_ns - ahead_ns) / (now_ns - bus.formed_ns)

    def waiting(self, channel: str) -> list[Frame]:
        """The frames that the channel has not been able to send yet, first to go first."""
        waiting = sorted(self._bus(channel).waiting)
        return [message.frame for _, message in waiting if message.channel == channel]

    # The calendar

    def _plan(self, at_ns: int, rank: str, item: object) -> None:
        heappush(self._calendar, (at_ns, rank, item))
        if not self._running:
            self._clock.set(at_ns)

    def _cross_out(self, gone: object) -> None:
        """Take every entry of the item from the calendar, and frames that a gateway has for it."""
        self._calendar[:] = [
            entry for entry in self._calendar
            if entry[2] is not gone and not (entry[2].__class__ is _Relay and entry[2].target is gone)
        ]  # fmt: skip
        heapify(self._calendar)

    def _woken(self, now_ns: int) -> None:
        self._running = True
        try:
            self._run(now_ns)
        finally:
            self._running = False
            self._wake_for_next()

    def _wake_for_next(self) -> None:
        if self._calendar and not self._running:
            self._clock.set(self._calendar[0][0])

    def _run(self, clock_ns: int) -> None:
        """Work through the calendar up to the next event of others or a call that must wait for the clock."""
        calendar = self._calendar
        quiet_before_ns = self._clock.quiet_before_ns(_LOOK_AHEAD_S)
        tapped = self.tap is not None
        while calendar:
            now_ns, rank, item = calendar[0]
            if now_ns >= quiet_before_ns:
                return
            kind = item.__class__
            if kind is _Repeated:
                heapreplace(calendar, (now_ns + item.period_ns, rank, item))
                message = item
                bus = message.bus
            elif kind is _Bus:
                bus = item
                message = heappop(bus.waiting)[1]
                message.waits = False
                if bus.waiting:
                    next_ns = now_ns + message.duration_ns + bus.intermission_ns
                    heapreplace(calendar, (next_ns, rank, bus))
                else:
                    heappop(calendar)
            elif kind is _Monitor or kind is _Flight:
                calls = (self._check if kind is _Monitor else self._arrive)(item, now_ns, clock_ns)
                if calls is None:
                    return
                if calls:
                    quiet_before_ns = self._clock.quiet_before_ns(_LOOK_AHEAD_S)
                    tapped = self.tap is not None
                continue
            elif kind is _Relay:
                heappop(calendar)
                message = item.target
                if not message.live:
                    continue
                if item.data != message.stream.frame.data:
                    self._renew(message, item.data, now_ns)
                bus = message.bus
            else:
                heappop(calendar)
                message = item
                message.join(self._bus(message.channel))
                bus = message.bus

            if kind is not _Bus and (now_ns < bus.free_ns or bus.waiting):
                self._queue(message)
                continue
            end_ns = now_ns + message.duration_ns
            message.prev_end_ns = message.end_ns
            message.end_ns = end_ns
            bus.free_ns = end_ns + bus.intermission_ns
            bus.busy_ns += message.duration_ns
            bus.frames += 1
            bus.sending = message
            if tapped or message.followed:
                self._follow(message, now_ns)

    def _queue(self, message: _Message) -> None:
        """Let the message wait for its bus; the first that waits plans the arbitration."""
        bus = message.bus
        if message.waits:
            assert isinstance(message, _Repeated)
            message.stream.overruns += 1
            return
        message.waits = True
        heappush(bus.waiting, (message.rank, message))
        if len(bus.waiting) == 1 and bus.acknowledges:
            heappush(self._calendar, (bus.free_ns, bus.rank, bus))

    def _withdraw(self, message: _Message) -> None:
        """Send it no more, unless it is on the wire and gets through."""
        message.live = False
        self._cross_out(message)
        if message.waits:
            message.waits = False
            bus = message.bus
            bus.waiting.remove((message.rank, message))
            heapify(bus.waiting)
            if not bus.waiting:
                self._cross_out(bus)

    # Who must be told

    def _message(self, stream: Stream) -> _Repeated:
        """The stream at work; it joins its channel's bus the first time it is mentioned."""
        message = self._messages.get(stream)
        if message is None:
            message = _Repeated(stream)
            if message.rank in self._ranks:
                raise ValueError(
                    f"stream {stream.name}: {stream.channel} has another of that name and identifier"
                )
            self._ranks.add(message.rank)
            self._messages[stream] = message
            message.join(self._bus(stream.channel))
        return message

    def _renew(self, message: _Repeated, data: bytes, now_ns: int) -> None:
        """New data; a frame already on the wire keeps what it carries."""
        frame = Frame(message.frame.can_id, data, message.frame.extended)
        self._follow_sent(message, now_ns)
        message.stream.frame = frame
        message.versions += 1
        message.measure()
        self._attend(message, now_ns)

    def _attend(self, message: _Repeated, now_ns: int) -> None:
        """Find out whether anybody must be told of the next frame, or of the one on the wire."""
        message.look_who_waits()
        if message.followed:
            self._follow_sent(message, now_ns)

    def _follow_sent(self, message: _Message, now_ns: int) -> None:
        """Follow the message's frame from here on if it is on the wire."""
        if message.bus.sending is message and message.end_ns > now_ns and message.flight is None:
            self._follow(message, message.end_ns - message.duration_ns)

    def _follow(self, message: _Message, start_ns: int) -> None:
        """Have the end of the message's frame in the calendar."""
        end_ns = message.end_ns
        flight = _Flight(message, message.frame, message.version, start_ns, end_ns, message.receivers)
        message.flight = flight
        self._plan(end_ns, message.end_rank, flight)

    def _arrive(self, flight: _Flight, now_ns: int, clock_ns: int) -> int | None:
        """End of a frame. Returns the number of calls made, None if they must wait for the clock."""
        message = flight.message
        calls = message.calls(flight) if message.awaited else ()
        if calls and now_ns > clock_ns:
            return None
        heappop(self._calendar)
        message.flight = None
        end_s = now_ns / NS_PER_S
        if self.tap:
            self.tap(flight.start_ns / NS_PER_S, end_s, flight.frame, message.channel)
        if isinstance(message, _Repeated):
            message.arrived(flight)
            if message.forwards:
                self._pass_on(message, flight)
            if message.awaited:
                self._plan_check(message.monitor, now_ns)
                self._attend(message, now_ns)
        for call in calls:
            call(end_s)
        return len(calls)

    def _pass_on(self, source: _Repeated, flight: _Flight) -> None:
        """Let gateways take the frame that has just ended."""
        data, end_ns, audience = flight.frame.data, flight.end_ns, flight.audience
        for forward in source.forwards:
            if forward.receiver in audience:
                relay = _Relay(forward.target, data)
                heappush(self._calendar, (end_ns + forward.delay_ns, forward.rank, relay))

    # Lost messages

    def _plan_check(self, monitor: _Monitor, now_ns: int) -> None:
        """Plan a look at the watches for the earliest moment at which one can expire, if none is before."""
        due_ns = monitor.next_due_ns(now_ns)
        if due_ns != _NEVER and (monitor.due_ns == _NEVER or due_ns < monitor.due_ns):
            monitor.due_ns = due_ns
            self._plan(due_ns, monitor.rank, monitor)

    def _check(self, monitor: _Monitor, now_ns: int, clock_ns: int) -> int | None:
        """A limit may have passed. Returns the number of calls made, None if they must wait for the clock."""
        if now_ns != monitor.due_ns:
            heappop(self._calendar)  # planned for an earlier time since
            return 0
        if monitor.calm:
            due_ns = monitor.message.last_end_ns(now_ns) + monitor.tightest_ns
            if due_ns > now_ns:
                monitor.due_ns = due_ns
                heapreplace(self._calendar, (due_ns, monitor.rank, monitor))
                return 0
        late = monitor.late(now_ns)
        if late and now_ns > clock_ns:
            return None
        heappop(self._calendar)
        monitor.due_ns = _NEVER
        for watch in late:
            watch.lost = True
        self._plan_check(monitor, now_ns)
        self._attend(monitor.message, now_ns)
        for watch in late:
            watch.missed(now_ns / NS_PER_S)
        return len(late)

    # Segments

    def _bus(self, channel: str) -> _Bus:
        """The segment at work that the channel sends in; alone in one until told otherwise."""
        bus = self._buses.get(channel)
        if bus is None:
            bus = self._buses[channel] = _Bus(Segment((channel,)), self._clock.now_ns())
        return bus

    def _heard_bus(self, channel: str) -> _Bus:
        """The bus that the channel hears: the one it sends in unless it only listens."""
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
        new_buses = {places[channel]: _Bus(places[channel], now_ns) for channel in changed}
        moved = [message for message in self._messages.values() if message.bus in old_buses]
        waiting = [message for bus in old_buses for _, message in bus.waiting]
        on_the_wire = [(bus, flight) for bus in old_buses if (flight := self._flight(bus, now_ns))]

        for bus in old_buses:
            self._frames_before += bus.frames
            self._cross_out(bus)
        for message in moved:
            message.leave(now_ns)
        for channel in changed:
            self._buses[channel] = new_buses[places[channel]]
        for carried in (*moved, *waiting, *(flight.message for _, flight in on_the_wire)):
            carried.join(self._buses[carried.channel])
            carried.waits = False
        for left_over in (*waiting, *self._break(on_the_wire, now_ns)):
            self._queue(left_over)
        for message in moved:
            message.forget_who_is_away()
            self._attend(message, now_ns)
        self._wake_for_next()

    def _flight(self, bus: _Bus, now_ns: int) -> _Flight | None:
        """The frame that the bus carries at this moment."""
        if bus.sending is None:
            return None
        self._follow_sent(bus.sending, now_ns)
        return bus.sending.flight

    def _break(self, on_the_wire: list[tuple[_Bus, _Flight]], now_ns: int) -> list[_Message]:
        """Let frames go on whose sender keeps company, destroy the others; returns what to send again."""
        going_on: dict[_Bus, list[_Flight]] = {}
        destroyed: list[tuple[_Flight, str]] = []
        for old, flight in on_the_wire:
            if flight.end_ns == now_ns:
                continue  # complete
            new = flight.message.bus
            flight.audience &= new.audience
            flight.broken = True
            if flight.audience & new.members and new.bitrate_bps == old.bitrate_bps:
                going_on.setdefault(new, []).append(flight)
            else:
                destroyed.append((flight, "frame destroyed"))
        for new, flights in going_on.items():
            if len(flights) > 1:
                destroyed += [(flight, "frames collided") for flight in flights]
            else:
                new.sending = flights[0].message
                new.free_ns = flights[0].end_ns + new.intermission_ns
        for flight, what in destroyed:
            self._destroy(flight, what, now_ns)
        return [flight.message for flight, _ in destroyed if flight.message.live]

    def _destroy(self, flight: _Flight, what: str, now_ns: int) -> None:
        message = flight.message
        self._cross_out(flight)
        message.flight = None
        self._frames_before -= 1
        if self._on_event:
            who = message.stream.name if isinstance(message, _Repeated) else str(flight.frame)
            self._on_event(now_ns / NS_PER_S, what, who)


def _by_member(segments: Iterable[Segment]) -> dict[str, Segment]:
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
