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
- Error confinement as in `controller.py`. A bus in good health goes frame by frame and counts nothing; what
  others do is in `trouble.py`: alone by arithmetic, with error counters above 0 frame by frame, bit by bit as
  long as anything else is the matter.
- When segments change, a frame on the wire goes on as long as its sender keeps one member that was there from
  its start. Otherwise its sender goes on unheard, its receivers answer with an error frame, and two frames
  that meet destroy each other. Who joins takes part from the next frame on.
- A channel in bus-off is no member of its segment. Its software lets it recover (`streams.Recovery`).

Order of events at one instant
1. all other SimPy events of that instant, also those caused by the calls below;
2. ends of frames, by identifier; each calls the `on_change`, then the `on_back`, then the `listen` handlers;
3. error states, by channel, and recoveries from bus-off;
4. time limits of watches, by identifier of the stream, then in the order of `watch`: a frame that ends
   exactly at the limit is in time;
5. releases of frames, by identifier;
6. arbitrations, and bits.
So a segment change at the very end of a frame finds the frame complete, and a release at the instant the bus
becomes idle competes.

Times are whole nanoseconds inside, so that equal times are equal; seconds outside.

Not modelled: the 11 recessive bits that a module waits for when it comes to a bus; what listeners make of
frames that nobody acknowledges; a frame that arrives twice because its last bit was disturbed; bit error
rates while a bus is taken bit by bit for another reason; clock drift between modules; the order in which one
controller offers its own frames (all take part at once); FD frames on a bus that is taken bit by bit, which
go in the shape of classical ones with the first 8 bytes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from heapq import heapify, heappop, heappush, heapreplace
from typing import Any

from simpy import Environment

from sim.network.alarm import AlarmClock, to_ns
from sim.network.bus_modes import Air, Attempt, Lone, Silent, Station, Strained, Struggle, take
from sim.network.frames import NS_PER_S, Frame
from sim.network.messages import (
    NEVER,
    NEVER_FREE,
    RELEASES,
    STATES,
    Bus,
    Call,
    Flight,
    Forward,
    Message,
    Monitor,
    Reader,
    Relay,
    Repeated,
    Single,
)
from sim.network.streams import (
    ErrorState,
    LimitWatch,
    Listener,
    Network,
    Recovery,
    StateHandler,
    Stream,
    Watch,
)
from sim.wiring.segments import Segment

__all__ = ["CanNetwork", "Recovery", "Stream", "Tap", "Watch"]

# How far it works ahead when nobody else has an event, so that even an endless run returns to SimPy.
_LOOK_AHEAD_S = 1.0

Tap = Callable[[float, float, Frame, str], None]
LevelTap = Callable[[float, Segment, tuple[str, ...]], None]


class CanNetwork(Network):
    """All CAN buses of one car. Methods without a text of their own are described in `streams.Network`.

    seed: for what is left to chance, the bit error rates of `ChannelFault`.
    on_event: called as (time_s, "frame destroyed", stream name or frame) for each frame that is broken off by
    an error or by a change of the segments.
    tap: assign a function to be called with (start_s, end_s, frame, sender channel) for every complete frame,
    in the order of its end. It may be called while the SimPy clock still stands before that end, never after.
    level_tap: the same for buses that are taken bit by bit, with (time_s, segment, who drives it dominant)
    whenever that changes: error flags, collisions, and the frames that get through in between.
    """

    def __init__(
        self,
        env: Environment,
        *,
        seed: int = 0,
        on_event: Callable[[float, str, str], None] | None = None,
    ) -> None:
        self.tap: Tap | None = None
        self.level_tap: LevelTap | None = None
        self._on_event = on_event
        self._clock = AlarmClock(env, self._woken)
        self._running = False
        self._calendar: list[tuple[int, str, Any]] = []  # heap of (time in ns, order at that instant, what)
        self._messages: dict[Stream, Repeated] = {}
        self._ranks: set[str] = set()  # of streams
        self._buses: dict[str, Bus] = {}  # by channel that sends in it
        self._listeners: dict[str, list[Listener]] = {}
        self._stations: dict[str, Station] = {}
        self._wanted: dict[str, Segment] = {}  # by member, as the wiring says
        self._off: set[str] = set()  # channels in bus-off that do not recover yet
        self._seed = seed
        self._serial = 0  # of what must not be confused at one instant
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
            message.period_ns = to_ns(stream.period_s)
            self.plan(now_ns + to_ns(stream.offset_s), f"{RELEASES} {message.rank}", message)

    def stop(self, stream: Stream) -> None:
        if stream.live:
            stream.live = False
            self._withdraw(self._message(stream))

    def set_data(self, stream: Stream, data: bytes) -> None:
        if data != stream.data:
            self._renew(self._message(stream), data, self._clock.now_ns())

    def send(self, channel: str, frame: Frame, on_sent: Call | None = None) -> Callable[[], None]:
        self._serial += 1
        message = Single(channel, frame, self._serial, on_sent, self._listeners)
        self.plan(self._clock.now_ns(), f"{RELEASES} {message.rank}", message)
        return partial(self._withdraw, message)

    def drop(self, channel: str) -> None:
        bus = self._bus(channel)
        messages = [bus.sending, *(message for _, message in bus.waiting)]
        messages += [item for _, _, item in self._calendar]
        for message in messages:
            if isinstance(message, Single) and message.channel == channel:
                self._withdraw(message)
        self._restart(channel)

    def listen(self, channel: str, handler: Listener) -> None:
        self._listeners.setdefault(channel, []).append(handler)

    def on_change(self, stream: Stream, channel: str, handler: Callable[[Stream, float], None]) -> None:
        message = self._message(stream)
        message.readers.append(Reader(channel, handler))
        self._attend(message, self._clock.now_ns())

    def watch(self, stream: Stream, channel: str, limit_s: float, on_lost: Call, on_back: Call) -> Watch:
        if not limit_s >= 1 / NS_PER_S:
            raise ValueError(f"watch of stream {stream.name} by {channel}: limit {limit_s} s must be above 0")
        message, now_ns = self._message(stream), self._clock.now_ns()
        watch = LimitWatch(
            stream, channel, to_ns(limit_s), now_ns, on_lost, on_back,
            message.heard_by, message.monitor.watches,
        )  # fmt: skip
        self._plan_check(message.monitor, now_ns)
        return watch

    def forward(self, source: Stream, receiver: str, target: Stream, delay_s: float) -> None:
        if not delay_s >= 0:
            raise ValueError(f"forwarding of stream {source.name}: delay {delay_s} s must not be below 0")
        message, released = self._message(source), self._message(target)
        rank = f"{RELEASES} {released.rank} from {message.rank} by {receiver}"
        message.forwards.append(Forward(receiver, released, to_ns(delay_s), rank))
        self._attend(message, self._clock.now_ns())

    def unforward(self, source: Stream, receiver: str, target: Stream) -> None:
        message, gone = self._message(source), self._message(target)
        message.forwards = [f for f in message.forwards if (f.receiver, f.target) != (receiver, gone)]

    # Error confinement

    def on_state(self, channel: str, handler: StateHandler) -> None:
        self._station(channel).handlers.append(handler)

    def set_recovery(self, channel: str, recovery: Recovery | None) -> None:
        self._station(channel).recovery = recovery

    def state_of(self, channel: str) -> ErrorState:
        self.error_counters(channel)
        return self._station(channel).counters.state

    def error_counters(self, channel: str) -> tuple[int, int]:
        """Transmit and receive error counter (TEC, REC) of the channel's controller."""
        trouble = self._bus(channel).trouble
        if isinstance(trouble, Lone):
            trouble.count(self._clock.now_ns())
        counters = self._station(channel).counters
        return counters.transmit, counters.receive

    # What the wiring does

    def set_segments(self, segments: Iterable[Segment]) -> None:
        self._wanted = _by_member(segments)
        self._regroup(self._clock.now_ns())

    # What can be asked

    def heard_at(self, stream: Stream, channel: str) -> float | None:
        heard_ns = self._message(stream).heard_by(channel, self._clock.now_ns())
        return None if heard_ns == NEVER else heard_ns / NS_PER_S

    def tell_apart(self, gap_s: float) -> None:
        """Every frame has its own time here."""

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
        if isinstance(bus.trouble, Struggle):
            bus.trouble.note_busy(now_ns)
        ahead_ns = max(0, bus.sending.end_ns - now_ns) if bus.sending else 0
        return (bus.busy_ns - ahead_ns) / (now_ns - bus.formed_ns)

    def waiting(self, channel: str) -> list[Frame]:
        """The frames that the channel has not been able to send yet, first to go first."""
        waiting = sorted(self._bus(channel).waiting)
        return [message.frame for _, message in waiting if message.channel == channel]

    # The calendar

    def _cross_out(self, gone: object) -> None:
        """Take every entry of the item from the calendar, and frames that a gateway has for it."""
        self._calendar[:] = [
            entry for entry in self._calendar
            if entry[2] is not gone and not (entry[2].__class__ is Relay and entry[2].target is gone)
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
            if kind is Repeated:
                heapreplace(calendar, (now_ns + item.period_ns, rank, item))
                message = item
                bus = message.bus
            elif kind is Bus:
                bus = item
                message = heappop(bus.waiting)[1]
                message.waits = False
                if bus.waiting:
                    next_ns = now_ns + message.duration_ns + bus.intermission_ns
                    heapreplace(calendar, (next_ns, rank, bus))
                else:
                    heappop(calendar)
            elif kind is Monitor or kind is Flight:
                calls = (self._check if kind is Monitor else self._arrive)(item, now_ns, clock_ns)
                if calls is None:
                    return
                if calls:
                    quiet_before_ns = self._clock.quiet_before_ns(_LOOK_AHEAD_S)
                    tapped = self.tap is not None
                continue
            elif kind is Relay:
                heappop(calendar)
                message = item.target
                if not message.live:
                    continue
                if item.data != message.stream.frame.data:
                    self._renew(message, item.data, now_ns)
                bus = message.bus
            elif kind is Single:
                heappop(calendar)
                message = item
                message.join(self._bus(message.channel))
                bus = message.bus
            elif kind is _News:
                calls = self._spread(item, now_ns, clock_ns)
                if calls is None:
                    return
                if calls:
                    quiet_before_ns = self._clock.quiet_before_ns(_LOOK_AHEAD_S)
                    tapped = self.tap is not None
                continue
            else:
                heappop(calendar)
                item.due(now_ns, quiet_before_ns)
                continue

            if kind is not Bus and (now_ns < bus.free_ns or bus.waiting):
                self.queue(message, now_ns)
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

    def _withdraw(self, message: Message) -> None:
        """Send it no more, unless it is on the wire and gets through."""
        message.live = False
        self._cross_out(message)
        if message.waits:
            bus = message.bus
            take(bus, message)
            if bus.trouble:
                bus.trouble.changed(message, self._clock.now_ns())
            elif not bus.waiting:
                self._cross_out(bus)

    # What buses in trouble ask for (`trouble.Kernel`)

    def level(self, segment: Segment, at_ns: int, names: tuple[str, ...]) -> None:
        """From now on these drive a bus dominant that is taken bit by bit."""
        if self.level_tap:
            self.level_tap(at_ns / NS_PER_S, segment, names)

    def plan(self, at_ns: int, rank: str, item: object) -> None:
        """Put an item into the calendar."""
        heappush(self._calendar, (at_ns, rank, item))
        if not self._running:
            self._clock.set(at_ns)

    def next_ns(self) -> int:
        """Time of the next entry of the calendar."""
        return self._calendar[0][0] if self._calendar else NEVER_FREE

    def queue(self, message: Message, now_ns: int) -> None:
        """Let the message wait for its bus; the first that waits plans the arbitration."""
        bus = message.bus
        if message.waits:
            assert isinstance(message, Repeated)
            message.stream.overruns += 1
            return
        message.waits = True
        heappush(bus.waiting, (message.rank, message))
        if bus.trouble:
            bus.trouble.queued(message, now_ns)
        elif len(bus.waiting) == 1:
            self.plan(bus.free_ns, bus.rank, bus)

    def begin(self, message: Message, now_ns: int) -> None:
        """Put a message on the wire, alone, and follow it to its end."""
        bus = message.bus
        message.prev_end_ns = message.end_ns
        message.end_ns = now_ns + message.duration_ns
        bus.busy_ns += message.duration_ns
        bus.frames += 1
        bus.sending = message
        self._follow(message, now_ns)

    def settle(self, bus: Bus, now_ns: int) -> None:
        """Give a bus at rest the way to work that its members need from now on."""
        stations = {name: self._station(name) for name in sorted(bus.members)}
        bus.free_ns = NEVER_FREE
        self._serial += 1
        rank = f"{self._serial:012d}"
        if not stations or any(name in self._off for name in stations):
            bus.trouble = Silent()
        elif bus.confused or any(station.recovering for station in stations.values()):
            Struggle(self, bus, stations, rank).form(now_ns)
        elif len(stations) == 1:
            (station,) = stations.values()
            bus.trouble = Lone(self, bus, station, rank, now_ns)
        elif any(one.bit_error_rate for one in bus.segment.faults) or any(
            station.ailing for station in stations.values()
        ):
            bus.trouble = Strained(self, bus, stations, rank, now_ns)
        else:
            bus.trouble = None
            bus.free_ns = now_ns
            if bus.waiting:
                self.plan(now_ns, bus.rank, bus)

    def forget_ends(self, bus: Bus, now_ns: int) -> None:
        """From now on frames of the bus reach some and not others."""
        for message in self._messages.values():
            if message.bus is bus:
                message.leave(now_ns)
                message.end_ns = message.prev_end_ns = NEVER

    def tell(self, station: Station, at_ns: int) -> bool:
        """The counters of a channel have changed: tell its handlers if its state has. Has it?"""
        state = station.counters.state
        if state == station.told:
            return False
        if station.told == "bus-off":
            station.recovering = False
        station.told = state
        self._serial += 1
        rank = f"{STATES} {station.channel} {self._serial:012d}"
        self.plan(at_ns, rank, _News(station, state, list(station.handlers)))
        return True

    def destroyed(self, message: Message, frame: Frame, at_ns: int) -> None:
        """A frame has been destroyed by an error."""
        if self._on_event:
            who = message.stream.name if isinstance(message, Repeated) else str(frame)
            self._serial += 1
            self.plan(at_ns, f"{STATES} {who} {self._serial:012d}", _News(None, who, [self._on_event]))

    # Who must be told

    def _message(self, stream: Stream) -> Repeated:
        """The stream at work; it joins its channel's bus the first time it is mentioned."""
        message = self._messages.get(stream)
        if message is None:
            message = Repeated(stream)
            if message.rank in self._ranks:
                raise ValueError(
                    f"stream {stream.name}: {stream.channel} has another of that name and identifier"
                )
            self._ranks.add(message.rank)
            self._messages[stream] = message
            message.join(self._bus(stream.channel))
        return message

    def _renew(self, message: Repeated, data: bytes, now_ns: int) -> None:
        """New data; a frame already on the wire keeps what it carries."""
        frame = message.frame.carrying(data)
        self._follow_sent(message, now_ns)
        message.stream.frame = frame
        message.versions += 1
        message.measure()
        self._attend(message, now_ns)
        if message.waits and message.bus.trouble:
            message.bus.trouble.changed(message, now_ns)

    def _attend(self, message: Repeated, now_ns: int) -> None:
        """Find out whether anybody must be told of the next frame, or of the one on the wire."""
        message.look_who_waits()
        if message.followed:
            self._follow_sent(message, now_ns)

    def _follow_sent(self, message: Message, now_ns: int) -> None:
        """Follow the message's frame from here on if it is on the wire."""
        if message.bus.sending is message and message.end_ns > now_ns and message.flight is None:
            self._follow(message, message.end_ns - message.duration_ns)

    def _follow(self, message: Message, start_ns: int) -> None:
        """Have the end of the message's frame in the calendar."""
        end_ns = message.end_ns
        flight = Flight(message, message.frame, message.version, start_ns, end_ns, message.receivers)
        message.flight = flight
        self.plan(end_ns, message.end_rank, flight)

    def _arrive(self, flight: Flight, now_ns: int, clock_ns: int) -> int | None:
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
        if isinstance(message, Repeated):
            message.arrived(flight)
            if message.forwards:
                self._pass_on(message, flight)
            if message.awaited:
                self._plan_check(message.monitor, now_ns)
                self._attend(message, now_ns)
        if message.bus.trouble:
            message.bus.trouble.arrived(flight, now_ns)
        for call in calls:
            call(end_s)
        return len(calls)

    def _pass_on(self, source: Repeated, flight: Flight) -> None:
        """Let gateways take the frame that has just ended."""
        data, end_ns, audience = flight.frame.data, flight.end_ns, flight.audience
        for forward in source.forwards:
            if forward.receiver in audience:
                relay = Relay(forward.target, data)
                heappush(self._calendar, (end_ns + forward.delay_ns, forward.rank, relay))

    # Lost messages

    def _plan_check(self, monitor: Monitor, now_ns: int) -> None:
        """Plan a look at the watches for the earliest moment at which one can expire, if none is before."""
        due_ns = monitor.next_due_ns(now_ns)
        if due_ns != NEVER and (monitor.due_ns == NEVER or due_ns < monitor.due_ns):
            monitor.due_ns = due_ns
            self.plan(due_ns, monitor.rank, monitor)

    def _check(self, monitor: Monitor, now_ns: int, clock_ns: int) -> int | None:
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
        monitor.due_ns = NEVER
        for watch in late:
            watch.lost = True
        self._plan_check(monitor, now_ns)
        self._attend(monitor.message, now_ns)
        for watch in late:
            watch.missed(now_ns / NS_PER_S)
        return len(late)

    # Error states

    def _station(self, channel: str) -> Station:
        station = self._stations.get(channel)
        if station is None:
            station = self._stations[channel] = Station(channel, self._seed)
        return station

    def _spread(self, news: _News, now_ns: int, clock_ns: int) -> int | None:
        """Make calls; None if they must wait for the clock. A channel in bus-off leaves its bus."""
        if news.handlers and now_ns > clock_ns:
            return None
        heappop(self._calendar)
        if news.station is None:
            for handler in news.handlers:
                handler(now_ns / NS_PER_S, "frame destroyed", news.what)
            return len(news.handlers)
        if news.what == "bus-off":
            self._switch_off(news.station, now_ns)
        elif news.what == "recover":
            self._recover(news.station, now_ns)
        for handler in news.handlers:
            handler(news.what, now_ns / NS_PER_S)
        return len(news.handlers)

    def _switch_off(self, station: Station, now_ns: int) -> None:
        station.offs += 1
        self._off.add(station.channel)
        self._regroup(now_ns, station.channel)
        recovery = station.recovery
        if recovery:
            delay_s = recovery.first_s if station.offs <= recovery.count else recovery.later_s
            self._serial += 1
            rank = f"{STATES} {station.channel} {self._serial:012d}"
            station.pending = _News(station, "recover", [])
            self.plan(now_ns + to_ns(delay_s), rank, station.pending)

    def _recover(self, station: Station, now_ns: int) -> None:
        self._off.discard(station.channel)
        station.recovering = True
        self._regroup(now_ns, station.channel)

    def _restart(self, channel: str) -> None:
        """The channel's controller starts anew."""
        station = self._stations.get(channel)
        if station is None:
            return
        now_ns = self._clock.now_ns()
        station.reset()
        self._cross_out(station.pending)
        trouble = self._bus(channel).trouble
        if channel in self._off:
            self._off.discard(channel)
            station.port = None
            self._regroup(now_ns, channel)
        elif isinstance(trouble, Struggle):
            trouble.restart(channel, now_ns)
        elif isinstance(trouble, Lone):
            trouble.restart(now_ns)

    # Segments

    def _bus(self, channel: str) -> Bus:
        """The segment at work that the channel sends in; alone in one until told otherwise."""
        bus = self._buses.get(channel)
        if bus is None:
            bus = self._buses[channel] = Bus(Segment((channel,)), self._clock.now_ns())
            self.settle(bus, self._clock.now_ns())
        return bus

    def _heard_bus(self, channel: str) -> Bus:
        """The bus that the channel hears: the one it sends in unless it only listens."""
        listened = (bus for bus in self._all_buses() if channel in bus.segment.listeners)
        return next(listened, self._bus(channel))

    def _all_buses(self) -> list[Bus]:
        return list(dict.fromkeys(self._buses.values()))

    def _places(self) -> dict[str, Segment]:
        """The segment of each channel: as the wiring says, but a channel in bus-off is alone."""
        present = {
            channel: _without(segment, self._off) if self._off else segment
            for channel, segment in self._wanted.items()
            if channel not in self._off
        }
        return {
            channel: present.get(channel) or Segment((channel,), (), self._bus(channel).bitrate_bps)
            for channel in sorted(self._buses.keys() | self._wanted.keys())
        }

    def _regroup(self, now_ns: int, renewed: str | None = None) -> None:
        """Form new buses where the segment of a channel changes, and carry over what the old ones did."""
        places = self._places()
        changed = [
            channel
            for channel, place in places.items()
            if channel == renewed or self._bus(channel).segment != place
        ]
        old_buses = list(dict.fromkeys(self._buses[channel] for channel in changed))
        new_buses = {places[channel]: Bus(places[channel], now_ns) for channel in changed}
        moved = [message for message in self._messages.values() if message.bus in old_buses]
        waiting = [message for bus in old_buses for _, message in bus.waiting]
        airs = [air for bus in old_buses if (air := self._air(bus, now_ns))]
        in_pause = [bus for bus in old_buses if bus not in [air.bus for air in airs]]
        sending = [
            port.message
            for channel in changed
            if (port := self._station(channel).port) and port.message is not None
        ]

        for bus in old_buses:
            self._frames_before += bus.frames
            self._cross_out(bus)
            self._cross_out(bus.trouble)
        for message in moved:
            message.leave(now_ns)
        for channel in changed:
            self._buses[channel] = new_buses[places[channel]]
        for carried in (*moved, *waiting, *sending, *(air.message for air in airs)):
            carried.join(self._buses[carried.channel])
            carried.waits = False
        for new in new_buses.values():
            new.trouble, new.free_ns = Silent(), NEVER_FREE
        for left_over in waiting:
            self.queue(left_over, now_ns)
        for air in airs:
            self._cut(air, now_ns)
        for new in new_buses.values():
            pauses = [_idle_ns(bus, now_ns) for bus in in_pause if bus.members & new.members]
            self._form(new, airs, now_ns, max(pauses, default=now_ns))
        for message in moved:
            message.forget_who_is_away()
            self._attend(message, now_ns)
        self._wake_for_next()

    def _air(self, bus: Bus, now_ns: int) -> Air | None:
        """The frame that a bus carries at this moment, unless it goes bit by bit."""
        trouble = bus.trouble
        if isinstance(trouble, Lone):
            trouble.count(now_ns)
            attempt = trouble.on_the_wire(now_ns)
            if attempt is None:
                return None
            return Air(bus, attempt.message, frozenset((attempt.message.channel,)), attempt)
        if bus.sending is None:
            return None
        self._follow_sent(bus.sending, now_ns)
        flight = bus.sending.flight
        if flight is None or flight.end_ns == now_ns:
            return None  # complete
        return Air(bus, flight.message, flight.audience | {flight.message.channel}, flight)

    def _cut(self, air: Air, now_ns: int) -> None:
        """Whoever changes its bit rate in the middle of a frame is out of it."""
        air.crew = frozenset(
            name
            for name in air.crew & self._buses.keys()
            if self._buses[name].bitrates_bps.get(name) == air.bus.bitrate_bps
        )
        message, what = air.message, air.what
        if message.channel not in air.crew and isinstance(what, Flight):
            self._drop_flight(what)
            self.destroyed(message, what.frame, now_ns)
            if message.live:
                self.queue(message, now_ns)

    def _form(self, new: Bus, airs: list[Air], now_ns: int, idle_ns: int) -> None:
        """Let a new bus begin with what is on its wires; idle_ns: when intermissions are over."""
        airs = [air for air in airs if air.crew & new.members]
        stations = {name: self._station(name) for name in sorted(new.members)}
        if any(name in self._off for name in stations):
            self.settle(new, now_ns)
            return
        at_rest = not new.confused and not any(
            station.recovering or (station.port and not station.port.controller.parked)
            for station in stations.values()
        )
        whole = [air for air in airs if air.goes_on_in(new)]
        self._serial += 1
        rank = f"{self._serial:012d}"
        if at_rest and not airs:
            for station in stations.values():
                station.port = None
            self.settle(new, idle_ns)
        elif at_rest and len(airs) == 1 and whole:
            self._go_on(new, whole[0].flight, now_ns)
        elif at_rest and len(stations) == 1 and airs[0].message.channel in stations:
            attempt = self._deserted(airs[0], now_ns)
            (station,) = stations.values()
            new.trouble = Lone.after(self, new, station, rank, attempt, now_ns)
        else:
            self._break(new, airs, stations, rank, now_ns)

    def _go_on(self, new: Bus, flight: Flight, now_ns: int) -> None:
        """A frame keeps its sender and one receiver at least: it goes on."""
        flight.audience &= new.audience
        flight.broken = True
        new.sending = flight.message
        self.settle(new, flight.end_ns + new.intermission_ns)

    def _deserted(self, air: Air, now_ns: int) -> Attempt:
        """The receivers of a frame have gone; its sender does not know yet."""
        counters = self._station(air.message.channel).counters
        attempt = air.attempt(counters.transmit)
        counters.transmit = attempt.transmit
        if isinstance(air.what, Flight):
            self._drop_flight(air.what)
            self.destroyed(air.message, attempt.frame, now_ns)
            if air.message.live:
                self.queue(air.message, now_ns)
        return attempt

    def _break(self, new: Bus, airs: list[Air], stations: dict[str, Station], rank: str, now_ns: int) -> None:
        """Everything else is taken bit by bit."""
        for air in airs:
            sender = stations.get(air.message.channel)
            if sender and isinstance(air.what, Flight):
                self._drop_flight(air.what)
            elif sender and isinstance(air.what, Attempt):
                sender.counters.transmit = air.what.transmit
                if air.message.waits and air.message.version == air.what.version:
                    take(new, air.message)
        Struggle(self, new, stations, rank).form(now_ns, airs)

    def _drop_flight(self, flight: Flight) -> None:
        self._cross_out(flight)
        flight.message.flight = None
        self._frames_before -= 1


@dataclass(slots=True, eq=False)
class _News:
    """Something to be told: an error state of a station, or a destroyed frame; or a station that recovers."""

    station: Station | None
    what: Any
    handlers: list[Any]


def _idle_ns(bus: Bus, now_ns: int) -> int:
    """When the intermission behind the bus's last frame is over."""
    if isinstance(bus.trouble, Strained):
        return max(now_ns, bus.trouble.idle_ns)
    return now_ns if bus.trouble else max(now_ns, bus.free_ns)


def _without(segment: Segment, gone: set[str]) -> Segment:
    """The segment as it is for those that are left."""
    if gone.isdisjoint(segment.members) and gone.isdisjoint(segment.listeners):
        return segment
    return segment._replace(
        members=tuple(name for name in segment.members if name not in gone),
        listeners=tuple(name for name in segment.listeners if name not in gone),
        faults=tuple(fault for fault in segment.faults if fault.channel not in gone),
    )


def _by_member(segments: Iterable[Segment]) -> dict[str, Segment]:
    """Each member's segment, the names inside sorted so that equal segments compare equal.

    A listener has none to send in: its own frames get nowhere.
    """
    places: dict[str, Segment] = {}
    sending: dict[str, Segment] = {}
    for segment in segments:
        members, listeners = tuple(sorted(segment.members)), tuple(sorted(segment.listeners))
        faults = tuple(sorted(segment.faults, key=lambda fault: fault.channel))
        place = Segment(members, listeners, segment.bitrate_bps, faults)
        for fault in faults:
            if fault.channel not in members:
                raise ValueError(f"fault of {fault.channel}: it is no member of {place}")
        sending.update(dict.fromkeys(members, place))
        for channel in (members if len(members) > 1 else ()) + listeners:
            if channel in places:
                raise ValueError(f"channel {channel} stands in two places: {places[channel]} and {place}")
            places[channel] = place
    return sending
