"""Every CAN bus of one car, frame by frame, on the SimPy clock.

Words and interface are those of `interface.py`. How it keeps up: releases, arbitrations and time limits of
all buses are in one calendar, and the network works through it up to the next event of others without an
event of its own per frame. Only a frame that causes a call takes one, so that the call happens with the SimPy
clock at the end of that frame.

Rules of the bus (Bosch CAN 2.0 / ISO 11898-1)
- Of the frames that wait when the bus becomes idle, the lowest identifier goes first
  (`frames.arbitration_key`); a release at exactly that instant takes part. Equal identifiers, which a real
  car must not have on one bus, go in the order of channel name, then stream name.
- A frame on the wire is never interrupted by another. Its length is exact, with stuff bits.
- A frame arrives at the end of its end-of-frame field. The bus is idle 3 bits later.
- A stream holds one frame at most: a newer release overwrites one that still waits (`Stream.overruns`).
- Error confinement as in `controller.py`. A healthy bus goes frame by frame and counts nothing. Others have a
  mode: a `lone_transmitter` by arithmetic, `degraded` frame by frame with error counters, `bit_level` as long
  as anything else is wrong.
- When segments change, a frame on the wire goes on as long as its sender keeps one member that was there from
  its start. Otherwise its sender goes on unheard, its receivers answer with an error frame, and two frames
  that meet destroy each other. A channel that joins takes part from the next frame on.
- A channel in bus-off is no member of its segment. Its software lets it recover (`interface.Recovery`).

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

Not modeled: the 11 recessive bits that a module waits for when it comes to a bus; how listeners count
frames without acknowledgement; a frame that arrives twice because its last bit was disturbed; bit error
rates while a bus is taken bit by bit for another reason; clock drift between modules; the order in which one
controller offers its own frames (all take part at once); FD frames on a bus simulated bit by bit, which
go in the shape of classical ones with the first 8 bytes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from heapq import heappop, heappush, heapreplace

from sim.network.calendar import Calendar
from sim.network.can_buses import CanBuses, EventHandler, LevelTap
from sim.network.clock import NanosecondEnvironment, to_ns
from sim.network.delivery import Tap
from sim.network.frame_log import FrameLog
from sim.network.frames import NS_PER_S, Frame
from sim.network.interface import ErrorState, Heeds, Listener, Listeners, Network, Recovery, StateHandler
from sim.network.lone_transmitter import LoneTransmitter
from sim.network.messages import (
    RELEASES,
    Flight,
    Forward,
    GatewayFrame,
    LiveBus,
    Repeated,
    Single,
    WatchGroup,
)
from sim.network.regrouping import Regrouping
from sim.network.station import Notification
from sim.network.streams import (
    NEVER,
    Call,
    ChangeHandler,
    Reader,
    Stream,
    Watch,
    forward_delay_ns,
    seconds,
)
from sim.wiring.segments import Segment

# How far it works ahead when nothing else has an event, so that even an endless run returns to SimPy.
_LOOK_AHEAD_NS = NS_PER_S


class CanNetwork(Network):
    """All CAN buses of one car. Methods without a text of their own are described in `interface.Network`.

    seed: for what is left to chance, the bit error rates of `ChannelFault`.
    on_event: called as (time_s, "frame destroyed", stream name or frame) for each frame that is broken off by
    an error or by a change of the segments.
    tap: assign a function to be called with (start_s, end_s, frame, sender channel) for every complete frame,
    in the order of its end. It may be called while the SimPy clock is still before that end, never after.
    log: assign a `FrameLog` to have all complete frames in bulk.
    level_tap: the same for buses simulated bit by bit, with (time_s, segment, channels that drive dominant)
    whenever these change: error flags, collisions, and the frames that get through in between.
    """

    def __init__(
        self,
        env: NanosecondEnvironment,
        *,
        seed: int = 0,
        on_event: EventHandler | None = None,
    ) -> None:
        self._calendar = Calendar(env, self._run)
        self._buses = CanBuses(self._calendar, seed, on_event)
        self._delivery = self._buses.delivery
        self._regrouping = Regrouping(self._buses)
        self._listeners = Listeners()

    @property
    def tap(self) -> Tap | None:
        """What is called for every complete frame."""
        return self._delivery.tap

    @tap.setter
    def tap(self, tap: Tap | None) -> None:
        self._delivery.tap = tap

    @property
    def log(self) -> FrameLog | None:
        """What notes every complete frame, for less than a tap costs."""
        return self._delivery.log

    @log.setter
    def log(self, log: FrameLog | None) -> None:
        self._delivery.log = log

    @property
    def level_tap(self) -> LevelTap | None:
        """What is called for every change of level on a bus that is simulated bit by bit."""
        return self._buses.level_tap

    @level_tap.setter
    def level_tap(self, tap: LevelTap | None) -> None:
        self._buses.level_tap = tap

    # What modules do

    def start(self, stream: Stream) -> None:
        message, now_ns = self._buses.message(stream), self._calendar.now_ns()
        stream.begin()
        message.live = True
        self._delivery.renew(message, stream.data, now_ns)
        if stream.period_s is not None:
            message.period_ns = to_ns(stream.period_s)
            self._calendar.plan_release(
                now_ns + to_ns(stream.offset_s), f"{RELEASES} {message.rank}", message
            )

    def stop(self, stream: Stream) -> None:
        if stream.live:
            stream.live = False
            self._delivery.withdraw(self._buses.message(stream), self._calendar.now_ns())

    def set_data(self, stream: Stream, data: bytes) -> None:
        if data != stream.data:
            self._delivery.renew(self._buses.message(stream), data, self._calendar.now_ns())

    def send(
        self, channel: str, frame: Frame, on_sent: Call | None = None, limit_s: float | None = None
    ) -> Callable[[], None]:
        now_ns = self._calendar.now_ns()
        message = Single(channel, frame, self._calendar.next_serial(), on_sent, self._listeners)
        if limit_s is not None:
            message.limit_ns = now_ns + to_ns(limit_s)
        self._calendar.plan(now_ns, f"{RELEASES} {message.rank}", message)
        return lambda: self._delivery.withdraw(message, self._calendar.now_ns())

    def drop(self, channel: str) -> None:
        bus, now_ns = self._buses.bus(channel), self._calendar.now_ns()
        messages = [bus.sending, *(message for _, message in bus.waiting)]
        messages += [item for _, _, item in self._calendar.entries]
        for message in messages:
            if isinstance(message, Single) and message.channel == channel:
                self._delivery.withdraw(message, now_ns)
        self._regrouping.restart(channel)

    def listen(self, channel: str, handler: Listener, heeds: Heeds | None = None) -> None:
        self._listeners.add(channel, handler, heeds)

    def on_change(self, stream: Stream, channel: str, handler: ChangeHandler) -> None:
        message = self._buses.message(stream)
        message.readers.append(Reader(channel, handler))
        self._delivery.attend(message, self._calendar.now_ns())

    def watch(self, stream: Stream, channel: str, limit_s: float, on_lost: Call, on_back: Call) -> Watch:
        message, now_ns = self._buses.message(stream), self._calendar.now_ns()
        watch = Watch(message, channel, limit_s, now_ns, on_lost, on_back)
        self._delivery.plan_check(message.watch_group, now_ns)
        return watch

    def forward(self, source: Stream, receiver: str, target: Stream, delay_s: float) -> None:
        delay_ns = forward_delay_ns(source, delay_s)
        message, released = self._buses.message(source), self._buses.message(target)
        rank = f"{RELEASES} {released.rank} from {message.rank} by {receiver}"
        message.forwards.append(Forward(receiver, released, delay_ns, rank))
        message.update_forwards()
        self._delivery.attend(message, self._calendar.now_ns())

    def unforward(self, source: Stream, receiver: str, target: Stream) -> None:
        message, gone = self._buses.message(source), self._buses.message(target)
        self._delivery.follow_sent(message, self._calendar.now_ns())
        message.forwards = [f for f in message.forwards if (f.receiver, f.target) != (receiver, gone)]
        message.update_forwards()

    # Error confinement

    def on_state(self, channel: str, handler: StateHandler) -> None:
        self._buses.station(channel).handlers.append(handler)

    def set_recovery(self, channel: str, recovery: Recovery | None) -> None:
        self._buses.station(channel).recovery = recovery

    def state_of(self, channel: str) -> ErrorState:
        self.error_counters(channel)
        return self._buses.station(channel).counters.state

    def error_counters(self, channel: str) -> tuple[int, int]:
        """Transmit and receive error counter (TEC, REC) of the channel's controller."""
        mode = self._buses.bus(channel).mode
        if isinstance(mode, LoneTransmitter):
            mode.count(self._calendar.now_ns())
        counters = self._buses.station(channel).counters
        return counters.transmit, counters.receive

    # What the wiring does

    def set_segments(self, segments: Iterable[Segment]) -> None:
        self._regrouping.set_segments(segments)

    # What can be asked

    def heard_at(self, stream: Stream, channel: str) -> float | None:
        return self._buses.message(stream).heard_at(channel, self._calendar.now_ns())

    def last_heard_at(self, streams: Iterable[Stream], channel: str) -> float | None:
        now_ns = self._calendar.now_ns()
        return seconds(
            max([self._buses.message(one).heard_by(channel, now_ns) for one in streams], default=NEVER)
        )

    def tell_apart(self, gap_s: float) -> None:
        """Every frame has its own time here."""

    @property
    def frames_total(self) -> int:
        """Frames begun so far on all buses, without the destroyed."""
        return self._regrouping.frames_before + sum(bus.frames for bus in self._buses.all_buses())

    def segment_of(self, channel: str) -> Segment:
        """The segment that the channel hears; alone in one if none."""
        return self._buses.heard_bus(channel).segment

    def waiting(self, channel: str) -> list[Frame]:
        """The frames that the channel has not been able to send yet, first to go first."""
        waiting = sorted(self._buses.bus(channel).waiting)
        return [message.frame for _, message in waiting if message.channel == channel]

    # The frame loop

    def _run(self, clock_ns: int) -> None:
        """Work through the calendar up to the next event of others or a call that must wait for the clock.

        One long function: a call for each entry of the calendar would cost a healthy bus its speed.
        """
        calendar, releases, limits = self._calendar.entries, self._calendar.releases, self._calendar.limits
        delivery = self._delivery
        quiet_before_ns = self._calendar.clock.quiet_before_ns(_LOOK_AHEAD_NS)
        tapped, log = delivery.tap is not None, delivery.log
        if log:
            if log.is_full:
                log.hand_over(clock_ns)
            note_end, note_number = log.ends_ns.append, log.numbers.append
        release_ns, limit_ns = releases[0][0], limits[0][0]
        while True:
            first = calendar[0]
            now_ns = first[0]
            if release_ns < now_ns or (release_ns == now_ns and releases[0] < first):
                first, now_ns = releases[0], release_ns
            if limit_ns < now_ns or (limit_ns == now_ns and limits[0] < first):
                first, now_ns = limits[0], limit_ns
            if now_ns >= quiet_before_ns:
                return
            item = first[2]
            kind = item.__class__
            if kind is Repeated:
                heapreplace(releases, (now_ns + item.period_ns, first[1], item))
                release_ns = releases[0][0]
                message = item
                bus = message.bus
            elif kind is GatewayFrame:
                heappop(calendar)
                message = item.target
                if not message.live:
                    continue
                if item.data != message.stream.frame.data:
                    delivery.renew(message, item.data, now_ns)
                bus = message.bus
            elif kind is LiveBus:
                bus = item
                message = heappop(bus.waiting)[1]
                message.waits = False
                if bus.waiting:
                    next_ns = now_ns + message.duration_ns + bus.intermission_ns
                    heapreplace(calendar, (next_ns, bus.rank, bus))
                else:
                    heappop(calendar)
            elif kind is WatchGroup or kind is Flight:
                calls = (delivery.check if kind is WatchGroup else delivery.arrive)(item, now_ns, clock_ns)
                if calls is None:
                    return
                limit_ns = limits[0][0]
                if calls:
                    release_ns = releases[0][0]
                    quiet_before_ns = self._calendar.clock.quiet_before_ns(_LOOK_AHEAD_NS)
                    tapped = delivery.tap is not None
                continue
            elif kind is Single:
                heappop(calendar)
                message = item
                message.join(self._buses.bus(message.channel))
                bus = message.bus
            elif kind is Notification:
                if item.calls and now_ns > clock_ns:
                    return
                heappop(calendar)
                if self._regrouping.notify(item, now_ns):
                    release_ns, limit_ns = releases[0][0], limits[0][0]
                    quiet_before_ns = self._calendar.clock.quiet_before_ns(_LOOK_AHEAD_NS)
                    tapped = delivery.tap is not None
                continue
            else:
                heappop(calendar)
                item.due(now_ns, quiet_before_ns)
                release_ns, limit_ns = releases[0][0], limits[0][0]
                continue

            if kind is not LiveBus and (now_ns < bus.free_ns or bus.waiting):
                delivery.queue(message, now_ns)
                continue
            end_ns = now_ns + message.duration_ns
            message.prev_end_ns = message.end_ns
            message.end_ns = end_ns
            bus.free_ns = end_ns + bus.intermission_ns
            bus.frames += 1
            bus.sending = message
            if tapped:
                delivery.follow(message, now_ns)
                continue
            if message.followed:
                if message.awaited:
                    delivery.follow(message, now_ns)
                    continue
                data = message.stream.frame.data
                for forward in message.heard_forwards:  # only gateways take it
                    passed_on = forward.newest
                    if passed_on is None or passed_on.data is not data:
                        passed_on = forward.carrying(data)
                    heappush(calendar, (end_ns + forward.delay_ns, forward.rank, passed_on))
            if log:
                number = message.noted_as
                note_end(end_ns)
                note_number(log.number_of(message) if number < 0 else number)
