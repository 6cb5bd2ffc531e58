"""The buses of one car at stream fidelity: only changes are events.

A periodic message that no receiver waits for costs nothing: whether and when it was heard last is arithmetic
over its period. An event is made for the first frame that tells a receiver something new, for a limit that
runs out, for the frame that brings a lost message back, and for every single frame. A frame takes its real
length but waits for no other: exact for lost-message monitors while the buses are not overloaded, with times
that differ from frame fidelity by the waiting in arbitration (a few milliseconds). Beyond `OVERLOAD` that is
no longer true, and the network refuses (`Overloaded`); use frame fidelity there.

The interface is `sim.network.interface.Network`. Order of events at one instant: all other SimPy events; ends
of frames in the order they were foreseen; changes of error state; time limits; what a gateway passes on.

If a result depends on two things that come within `UNSURE_S`, it refuses (`tell_apart`).

Of error confinement it knows the lone transmitter, which becomes error passive and active again. Segments
with faults need frame fidelity (`NotAtThisFidelity`).

Not modeled: arbitration, error frames, collisions when segments change in the middle of a frame, error
counters (each time alone counts from 0), a gateway's copies without acknowledgement.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial

from sim.network.calendar import ActionCalendar
from sim.network.clock import NanosecondEnvironment, to_ns
from sim.network.frames import INTERMISSION_BITS, NS_PER_S, Frame, duration_ns
from sim.network.interface import ErrorState, Heeds, Listener, Listeners, Network, Recovery, StateHandler
from sim.network.lone_transmitter import AttemptTimes
from sim.network.stream_state import ForwardRule, QueuedFrame, StreamBus, StreamState
from sim.network.streams import NEVER, Call, ChangeHandler, Reader, Stream, Watch, forward_delay_ns, seconds
from sim.wiring.segments import Segment

OVERLOAD = 0.9  # share of a bus that periodic frames may fill; beyond it low priorities start to starve
# Longer than nearly all waits in arbitration on the shipped cars; the bound of `response_time.py`, all
# messages released at one instant, is 38 ms on the fullest of their buses.
UNSURE_S = 0.01
_ENDS, _STATES, _LIMITS, _PASSES = 0, 1, 2, 3


class NotAtThisFidelity(Exception):
    """Stream fidelity cannot answer; frame fidelity can."""


class Overloaded(NotAtThisFidelity):
    """A bus carries more than stream fidelity can answer for."""


class StreamNetwork(Network):
    """All buses of one car. Methods without a text of their own are described in `interface.Network`."""

    def __init__(self, env: NanosecondEnvironment) -> None:
        self._calendar = ActionCalendar(env)
        self._states: dict[Stream, StreamState] = {}
        self._buses: dict[str, StreamBus] = {}
        self._listeners = Listeners()
        self._passive: set[str] = set()
        self._state_handlers: dict[str, list[StateHandler]] = {}

    # What modules do

    def start(self, stream: Stream) -> None:
        state = self._state(stream)
        stream.begin()
        state.start_ns = self._calendar.now_ns() + to_ns(stream.offset_s)
        state.version += 1
        self._change(state)
        self._refuse_overload(state.bus)

    def stop(self, stream: Stream) -> None:
        if stream.live:
            stream.live = False
            self._change(self._state(stream))

    def set_data(self, stream: Stream, data: bytes) -> None:
        if data != stream.data:
            state = self._state(stream)
            now_ns = self._calendar.now_ns()
            state.note_heard(now_ns)
            stream.frame = stream.frame.carrying(data)
            state.duration_ns = state.bus.duration_ns(stream.frame)
            state.version += 1
            state.fresh_ns = now_ns + state.duration_ns
            self._plan(state)

    def send(
        self, channel: str, frame: Frame, on_sent: Call | None = None, limit_s: float | None = None
    ) -> Callable[[], None]:
        """Send one frame; it waits for the single frames before it on its bus."""
        now_ns = self._calendar.now_ns()
        single = QueuedFrame(channel, frame, on_sent, NEVER if limit_s is None else now_ns + to_ns(limit_s))
        self._offer(single, now_ns)
        return lambda: setattr(single, "taken_back", True)

    def drop(self, channel: str) -> None:
        for single in self._bus(channel).waiting:
            single.taken_back = single.taken_back or single.channel == channel
        self._passive.discard(channel)

    def listen(self, channel: str, handler: Listener, heeds: Heeds | None = None) -> None:
        self._listeners.add(channel, handler, heeds)

    def on_change(self, stream: Stream, channel: str, handler: ChangeHandler) -> None:
        state = self._state(stream)
        state.readers.append(Reader(channel, handler))
        self._plan(state)

    def watch(self, stream: Stream, channel: str, limit_s: float, on_lost: Call, on_back: Call) -> Watch:
        state = self._state(stream)
        watch = Watch(state, channel, limit_s, self._calendar.now_ns(), on_lost, on_back)
        self._plan(state)
        return watch

    def forward(self, source: Stream, receiver: str, target: Stream, delay_s: float) -> None:
        delay_ns = forward_delay_ns(source, delay_s)
        source_state, target_state = self._state(source), self._state(target)
        rule = ForwardRule(receiver, target_state, delay_ns)
        source_state.forwards.append(rule)
        target_state.sources.append((source_state, rule))
        self._change(target_state)
        self._plan(source_state)

    def unforward(self, source: Stream, receiver: str, target: Stream) -> None:
        source_state, target_state = self._state(source), self._state(target)
        for rule in [r for r in source_state.forwards if r.receiver == receiver and r.target is target_state]:
            source_state.forwards.remove(rule)
            target_state.sources.remove((source_state, rule))
        self._change(target_state)

    def heard_at(self, stream: Stream, channel: str) -> float | None:
        return self._state(stream).heard_at(channel, self._calendar.now_ns())

    def last_heard_at(self, streams: Iterable[Stream], channel: str) -> float | None:
        now_ns = self._calendar.now_ns()
        states = self._states
        heard = [(states.get(one) or self._state(one)).heard_by(channel, now_ns) for one in streams]
        return seconds(max(heard, default=NEVER))

    def tell_apart(self, gap_s: float) -> None:
        """Refuse if waiting in arbitration could reverse the order."""
        if gap_s < UNSURE_S and to_ns(gap_s) < to_ns(UNSURE_S):
            raise NotAtThisFidelity(f"a frame decides that may be {UNSURE_S} s later")

    @property
    def tap(self) -> None:
        """No single frames exist here; setting a tap is refused."""
        return None

    @tap.setter
    def tap(self, tap: object) -> None:
        if tap is not None:
            raise NotAtThisFidelity("single frames can be looked at only at frame fidelity")

    def segment_of(self, channel: str) -> Segment:
        """The segment that the channel is in; alone in one if in none."""
        return self._bus(channel).segment

    # Error confinement

    def on_state(self, channel: str, handler: StateHandler) -> None:
        self._state_handlers.setdefault(channel, []).append(handler)

    def set_recovery(self, channel: str, recovery: Recovery | None) -> None:
        """No channel goes bus-off at this fidelity."""

    def state_of(self, channel: str) -> ErrorState:
        return "error passive" if channel in self._passive else "error active"

    def _plan_passive(self, state: StreamState, now_ns: int) -> None:
        """16 attempts without acknowledgement from the first release on make its channel error passive."""
        if state.stream.period_s is None or state.bus.is_link:
            return
        epoch, release_ns = state.epoch, state.release_ns(state.lone_ns, state.stream.period_s)
        at_ns = max(now_ns, release_ns + self._passive_after_ns(state.stream.frame, state.bus))
        self._calendar.at(
            at_ns, _STATES, lambda at_ns: self._turn(state.stream.channel, at_ns, epoch == state.epoch)
        )

    def _passive_after_ns(self, frame: Frame, bus: StreamBus) -> int:
        return AttemptTimes(frame, bus.segment.bitrate_bps, 0, False).passive_at or 0

    def _turn(self, channel: str, now_ns: int, valid: bool = True, passive: bool = True) -> None:
        if valid and passive != (channel in self._passive):
            (self._passive.add if passive else self._passive.discard)(channel)
            for handler in self._state_handlers.get(channel, ()):
                handler(self.state_of(channel), now_ns / NS_PER_S)

    # What the wiring does

    def set_segments(self, segments: Iterable[Segment]) -> None:
        """Set which channels share a bus. Raises NotAtThisFidelity for a segment with faults."""
        segments = list(segments)
        for segment in segments:
            if segment.faults:
                raise NotAtThisFidelity(f"{segment.faults[0].channel} disturbs its bus")
        wanted = {channel: segment for segment in segments for channel in segment.members}
        now_ns = self._calendar.now_ns()
        before = dict(self._buses)
        formed: dict[Segment, StreamBus] = {bus.segment: bus for bus in before.values()}
        channels = sorted(before.keys() | wanted.keys())
        for channel in channels:
            segment = wanted.get(channel) or Segment((channel,))
            if segment not in formed:
                audience = frozenset(segment.members) | frozenset(segment.listeners)
                formed[segment] = StreamBus(segment, audience, now_ns)
            self._buses[channel] = formed[segment]
        changed = [channel for channel in channels if before.get(channel) is not self._buses[channel]]
        for state in [state for state in self._states.values() if state.stream.channel in changed]:
            self._change(state)
        for bus in dict.fromkeys(self._buses[channel] for channel in changed):
            self._refuse_overload(bus)
        self._send_again([before[channel] for channel in changed if channel in before], now_ns)

    # One stream

    def _state(self, stream: Stream) -> StreamState:
        state = self._states.get(stream)
        if state is None:
            state = self._states[stream] = StreamState(stream, self._bus(stream.channel))
        return state

    def _change(self, state: StreamState) -> None:
        """Something about the stream is different from now on: close its epoch and open another."""
        now_ns = self._calendar.now_ns()
        state.note_heard(now_ns)
        state.join(self._bus(state.stream.channel))
        self._open(state, now_ns)
        state.forget_absent(state.audience)
        self._plan(state)
        for rule in state.forwards:
            self._calendar.at(now_ns + rule.delay_ns, _PASSES, self._reopener(rule.target))

    def _reopener(self, target: StreamState) -> Callable[[int], None]:
        # what the source sent up to now is still on its way: the target changes a delay later
        return lambda _: self._change(target)

    def _open(self, state: StreamState, now_ns: int) -> None:
        state.epoch += 1
        state.first_ns = state.early_ns = NEVER
        stream = state.stream
        if not stream.live:
            state.lone_ns = NEVER
            return
        if not state.bus.acknowledges:
            state.lone_ns = now_ns if state.lone_ns == NEVER else state.lone_ns
            self._plan_passive(state, now_ns)
            return
        if state.lone_ns != NEVER and state.released_between(state.lone_ns, now_ns):
            state.early_ns = now_ns + state.duration_ns
        state.lone_ns = NEVER
        if stream.period_s is not None:
            state.period_ns = to_ns(stream.period_s)
            state.first_ns = state.release_ns(now_ns, stream.period_s)
            if stream.channel in self._passive:
                epoch, heard = state.epoch, partial(self._turn, stream.channel, passive=False)
                self._calendar.at(
                    state.next_end_ns(now_ns), _STATES, lambda at_ns: heard(at_ns, epoch == state.epoch)
                )
            return
        for source, rule in state.sources:
            if source.first_ns != NEVER and rule.receiver in source.bus.audience:
                state.period_ns = source.period_ns
                end_ns = source.next_end_ns(now_ns - rule.delay_ns - 1)
                state.first_ns = end_ns + rule.delay_ns
                return

    def _plan(self, state: StreamState) -> None:
        """Put into the calendar what may happen to the stream next."""
        now_ns = self._calendar.now_ns()
        epoch = state.epoch
        next_ns = state.next_end_ns(now_ns)
        if next_ns != NEVER and self._is_awaited(state):
            self._calendar.at(next_ns, _ENDS, lambda at_ns: self._arrive(state, epoch, at_ns))
        for watch in state.watches:
            if not watch.lost and not self._is_safe(state, watch, now_ns):
                due_ns = max(now_ns, watch.deadline_ns(now_ns))
                self._calendar.at(due_ns, _LIMITS, partial(self._check, state, watch))

    def _is_awaited(self, state: StreamState) -> bool:
        audience = state.audience - {state.stream.channel}
        return state.awaits(state.version, audience) or any(
            rule.target.stream.data != state.stream.data and rule.receiver in audience
            for rule in state.forwards
        )

    def _is_safe(self, state: StreamState, watch: Watch, now_ns: int) -> bool:
        """Will the limit never run out as long as nothing changes?"""
        if state.first_ns == NEVER or watch.channel not in state.audience:
            return False
        return state.period_ns <= watch.limit_ns and state.next_end_ns(now_ns) <= watch.deadline_ns(now_ns)

    def _arrive(self, state: StreamState, epoch: int, now_ns: int) -> None:
        """A frame that a receiver waits for has ended."""
        if epoch != state.epoch or not self._is_awaited(state):
            return
        stream = state.stream
        audience = state.audience - {stream.channel}
        fresh = now_ns >= state.fresh_ns
        stream.delivered = stream.data
        for watch in state.lost_in(audience):
            watch.since_ns = now_ns
        calls = state.arrived(state.version, audience, fresh)
        for rule in state.forwards if fresh else ():
            if rule.receiver in audience and rule.target.stream.data != stream.data:
                self._calendar.at(
                    now_ns + rule.delay_ns, _PASSES, self._data_passer(rule.target, stream.data)
                )
        self._plan(state)
        for call in calls:
            call(now_ns / NS_PER_S)

    def _data_passer(self, target: StreamState, data: bytes) -> Callable[[int], None]:
        return lambda _: self.set_data(target.stream, data)

    def _check(self, state: StreamState, watch: Watch, now_ns: int) -> None:
        """A limit may have run out."""
        if watch.lost or watch.canceled:
            return
        deadline_ns = watch.deadline_ns(now_ns)
        if deadline_ns > now_ns:
            if not self._is_safe(state, watch, now_ns):
                self._calendar.at(deadline_ns, _LIMITS, lambda at_ns: self._check(state, watch, at_ns))
            return
        watch.lost = True
        self._plan(state)
        watch.missed(now_ns / NS_PER_S)

    # Single frames

    def _offer(self, single: QueuedFrame, now_ns: int) -> None:
        bus = self._bus(single.channel)
        bus.waiting.append(single)
        if bus.acknowledges:
            duration = bus.duration_ns(single.frame)
            end_ns = max(now_ns, bus.free_ns) + duration
            bus.free_ns = end_ns + duration_ns(INTERMISSION_BITS, bus.segment.bitrate_bps)
            self._calendar.at(end_ns, _ENDS, lambda at_ns: self._sent(single, bus, at_ns))
        elif not bus.is_link:
            at_ns = now_ns + self._passive_after_ns(single.frame, bus)
            self._calendar.at(
                at_ns,
                _STATES,
                lambda at_ns: self._turn(
                    single.channel, at_ns, single in bus.waiting and not single.is_gone(at_ns)
                ),
            )

    def _sent(self, single: QueuedFrame, bus: StreamBus, now_ns: int) -> None:
        if single not in bus.waiting:
            return
        bus.waiting.remove(single)
        if single.is_gone(now_ns):
            return
        self._turn(single.channel, now_ns, passive=False)
        audience = bus.audience - {single.channel}
        end_s = now_ns / NS_PER_S
        if single.on_sent:
            single.on_sent(end_s)
        for channel, handler in self._listeners.to(single.frame):
            if channel in audience:
                handler(single.frame, single.channel, end_s)

    def _send_again(self, old: list[StreamBus], now_ns: int) -> None:
        for bus in dict.fromkeys(old):
            left, bus.waiting = bus.waiting, []
            for single in left:
                if not single.is_gone(now_ns):
                    self._offer(single, now_ns)

    # Small tools

    def _bus(self, channel: str) -> StreamBus:
        bus = self._buses.get(channel)
        if bus is None:
            bus = self._buses[channel] = StreamBus(Segment((channel,)), frozenset({channel}))
        return bus

    def _refuse_overload(self, bus: StreamBus) -> None:
        if not bus.acknowledges:
            return
        used = sum(
            state.duration_ns / state.period_ns
            for state in self._states.values()
            if state.bus is bus and state.first_ns != NEVER
        )
        if used > OVERLOAD:
            raise Overloaded(
                f"periodic frames fill {used:.0%} of the bus of {', '.join(bus.segment.members)}"
            )
