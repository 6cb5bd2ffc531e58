"""The buses of one car at stream depth: only changes are events.

A periodic message that nobody waits for costs nothing: whether and when it was heard last is arithmetic over
its period. An event is made for the first frame that tells a receiver something new, for a limit that runs
out, for the frame that brings a lost message back, and for every single frame. A frame takes its real length
but waits for no other: exact for lost-message monitors while the buses are not overloaded, with times that
differ from frame depth by the waiting in arbitration (a few milliseconds). `OVERLOAD` is where that stops
being true, and the network refuses (`Overloaded`); use frame depth there.

The interface is `sim.network.streams.Network`. Order of events at one instant: all other SimPy events; ends
of frames in the order they were foreseen; changes of error state; time limits; what a gateway passes on.

Where a verdict hangs on two things that come within `UNSURE_S`, it refuses (`tell_apart`).

Of error confinement it knows the lone transmitter, which becomes error passive and active again. Segments
with faults need frame fidelity (`NotAtThisFidelity`).

Not modelled: arbitration, error frames, collisions when segments change in the middle of a frame, error
counters (each time alone counts from 0), a gateway's copies that nobody acknowledges.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import partial
from heapq import heappop, heappush

from sim.network.clock import AlarmClock, NanosecondEnvironment, to_ns
from sim.network.frames import INTERMISSION_BITS, NS_PER_S, Frame, arbitration_key, duration_ns, frame_ns
from sim.network.lone_transmitter import AttemptTimes
from sim.network.streams import ErrorState, LimitWatch, Listener, Recovery, StateHandler, Stream
from sim.wiring.segments import Segment

OVERLOAD = 0.9  # share of a bus that periodic frames may fill; beyond it low priorities start to starve
# Longer than nearly all waits in arbitration on the shipped cars; the bound of `response_time.py`, all
# messages released at one instant, is 38 ms on the fullest of their buses.
UNSURE_S = 0.01
_NEVER = -1
_ENDS, _STATES, _LIMITS, _PASSES = 0, 1, 2, 3


class NotAtThisFidelity(Exception):
    """Stream depth cannot answer; frame depth can."""


class Overloaded(NotAtThisFidelity):
    """A bus carries more than stream depth can answer for."""


@dataclass(eq=False)
class _Reader:
    channel: str
    handler: Callable[[Stream, float], None]
    version: int = -1


@dataclass(eq=False)
class _Forward:
    receiver: str
    target: _Line
    delay_ns: int


@dataclass(eq=False)
class _Bus:
    segment: Segment
    audience: frozenset[str]
    free_ns: int = 0
    waiting: list[_Single] = field(default_factory=list)

    @property
    def acknowledges(self) -> bool:
        return len(self.segment.members) > 1


@dataclass(eq=False)
class _Single:
    channel: str
    frame: Frame
    on_sent: Callable[[float], None] | None
    gone: bool = False


class _Line:
    """What a stream does since its last change: releases at first_ns, first_ns + period_ns, ..."""

    def __init__(self, stream: Stream, bus: _Bus) -> None:
        self.stream = stream
        self.bus = bus
        self.key = (arbitration_key(stream.can_id, stream.frame.extended), stream.channel, stream.name)
        self.version = 0
        self.start_ns = 0
        self.period_ns = 0
        self.first_ns = _NEVER  # first release of this epoch; _NEVER: it delivers nothing
        self.duration_ns = 0
        self.early_ns = _NEVER  # end of a frame that waited for company and goes before the next release
        self.lone_ns = _NEVER  # since when it is live with nobody to acknowledge
        self.fresh_ns = 0  # a frame that ends before this was on the wire when the data changed
        self.epoch = 0
        self.heard: dict[str, int] = {}  # by receiver, up to the last change
        self.readers: list[_Reader] = []
        self.watches: list[LimitWatch] = []
        self.forwards: list[_Forward] = []
        self.sources: list[tuple[_Line, _Forward]] = []

    def last_end_ns(self, now_ns: int) -> int:
        """End of the last frame of this epoch."""
        early_ns = self.early_ns if self.early_ns <= now_ns else _NEVER
        if self.first_ns == _NEVER or now_ns < self.first_ns + self.duration_ns:
            return early_ns
        return max(early_ns, now_ns - (now_ns - self.first_ns - self.duration_ns) % self.period_ns)

    def next_end_ns(self, now_ns: int) -> int:
        """End of the first frame that ends after now, _NEVER if none will."""
        ends = [self.early_ns] if self.early_ns > now_ns else []
        if self.first_ns != _NEVER:
            first_end_ns = self.first_ns + self.duration_ns
            late_ns = (now_ns - first_end_ns) % self.period_ns
            ends.append(first_end_ns if now_ns < first_end_ns else now_ns + self.period_ns - late_ns)
        return min(ends, default=_NEVER)

    def released_between(self, since_ns: int, now_ns: int) -> bool:
        """Has its sender put a frame up for sending from `since_ns` to `now_ns`, both included?"""
        if self.stream.period_s is not None:
            period_ns = to_ns(self.stream.period_s)
            behind_ns = max(0, since_ns - self.start_ns)
            releases = [self.start_ns + -(-behind_ns // period_ns) * period_ns]
        else:
            heard = [(source.heard_by(rule.receiver, now_ns), rule) for source, rule in self.sources]
            releases = [heard_ns + rule.delay_ns for heard_ns, rule in heard if heard_ns != _NEVER]
        return any(since_ns <= release_ns <= now_ns for release_ns in releases)

    def heard_by(self, channel: str, now_ns: int) -> int:
        """When a channel received its last frame, or the sender's own had it confirmed."""
        last_ns = self.last_end_ns(now_ns)
        if last_ns != _NEVER and channel in self.bus.audience:
            return last_ns
        return self.heard.get(channel, _NEVER)

    def close(self, now_ns: int) -> None:
        """Write down what everyone has heard in this epoch."""
        last_ns = self.last_end_ns(now_ns)
        if last_ns != _NEVER:
            self.heard.update(dict.fromkeys(self.bus.audience, last_ns))


class StreamNetwork:
    """All buses of one car at stream depth."""

    def __init__(self, env: NanosecondEnvironment) -> None:
        self._env = env
        self._clock = AlarmClock(env, self._run)
        self._calendar: list[tuple[int, int, int, Callable[[int], None]]] = []
        self._serial = 0
        self._lines: dict[Stream, _Line] = {}
        self._buses: dict[str, _Bus] = {}
        self._listeners: list[tuple[str, Listener]] = []
        self._passive: set[str] = set()
        self._state_handlers: dict[str, list[StateHandler]] = {}

    # -- what modules do -------------------------------------------------------------------------------

    def start(self, stream: Stream) -> None:
        """Send the stream from now on."""
        if stream.live:
            raise ValueError(f"stream {stream.name} is started already")
        line = self._line(stream)
        stream.live = True
        line.start_ns = self._clock.now_ns() + to_ns(stream.offset_s)
        line.version += 1
        self._change(line)
        self._refuse_overload(line.bus)

    def stop(self, stream: Stream) -> None:
        """Send it no more."""
        if stream.live:
            stream.live = False
            self._change(self._line(stream))

    def set_data(self, stream: Stream, data: bytes) -> None:
        """What frames carry from now on."""
        if data != stream.data:
            line = self._line(stream)
            now_ns = self._clock.now_ns()
            line.close(now_ns)
            stream.frame = stream.frame.carrying(data)
            line.duration_ns = self._duration_ns(stream.frame, line.bus)
            line.version += 1
            line.fresh_ns = now_ns + line.duration_ns
            self._plan(line)

    def send(
        self, channel: str, frame: Frame, on_sent: Callable[[float], None] | None = None
    ) -> Callable[[], None]:
        """Send one frame; it waits for the single frames before it on its bus."""
        single = _Single(channel, frame, on_sent)
        self._offer(single, self._clock.now_ns())
        return lambda: setattr(single, "gone", True)

    def drop(self, channel: str) -> None:
        """Forget the single frames that the channel has not sent yet."""
        for single in self._bus(channel).waiting:
            single.gone = single.gone or single.channel == channel
        self._passive.discard(channel)

    def listen(self, channel: str, handler: Listener) -> None:
        """Call handler(frame, sender channel, time_s) for each single frame that the channel receives."""
        self._listeners.append((channel, handler))

    def on_change(self, stream: Stream, channel: str, handler: Callable[[Stream, float], None]) -> None:
        """Call handler(stream, time_s) for each frame that tells the channel something new."""
        line = self._line(stream)
        line.readers.append(_Reader(channel, handler))
        self._plan(line)

    def watch(
        self,
        stream: Stream,
        channel: str,
        limit_s: float,
        on_lost: Callable[[float], None],
        on_back: Callable[[float], None],
    ) -> LimitWatch:
        """Call on_lost when the channel gets no frame for limit_s, on_back when it does again."""
        if to_ns(limit_s) <= 0:
            raise ValueError(f"watch of {stream.name} by {channel}: limit {limit_s} s must be above 0")
        line = self._line(stream)
        watch = LimitWatch(
            stream, channel, to_ns(limit_s), self._clock.now_ns(), on_lost, on_back,
            line.heard_by, line.watches,
        )  # fmt: skip
        self._plan(line)
        return watch

    def forward(self, source: Stream, receiver: str, target: Stream, delay_s: float) -> None:
        """Let a gateway pass on a stream."""
        if delay_s < 0:
            raise ValueError(f"forwarding of stream {source.name}: delay {delay_s} s must not be below 0")
        from_line, to_line = self._line(source), self._line(target)
        rule = _Forward(receiver, to_line, to_ns(delay_s))
        from_line.forwards.append(rule)
        to_line.sources.append((from_line, rule))
        self._change(to_line)
        self._plan(from_line)

    def unforward(self, source: Stream, receiver: str, target: Stream) -> None:
        """Undo `forward`."""
        from_line, to_line = self._line(source), self._line(target)
        for rule in [r for r in from_line.forwards if r.receiver == receiver and r.target is to_line]:
            from_line.forwards.remove(rule)
            to_line.sources.remove((from_line, rule))
        self._change(to_line)

    def heard_at(self, stream: Stream, channel: str) -> float | None:
        """When the last frame of the stream that the channel received ended."""
        heard_ns = self._line(stream).heard_by(channel, self._clock.now_ns())
        return None if heard_ns == _NEVER else heard_ns / NS_PER_S

    def tell_apart(self, gap_s: float) -> None:
        """Refuse where waiting in arbitration could turn the order round."""
        if gap_s < UNSURE_S and to_ns(gap_s) < to_ns(UNSURE_S):
            raise NotAtThisFidelity(f"a frame decides that may be {UNSURE_S} s later")

    @property
    def tap(self) -> None:
        """No frames exist here to be looked at; setting a tap is refused."""
        return None

    @tap.setter
    def tap(self, tap: object) -> None:
        if tap is not None:
            raise NotAtThisFidelity("single frames can be looked at only at frame depth")

    def segment_of(self, channel: str) -> Segment:
        """The segment that the channel stands in; alone in one if in none."""
        return self._bus(channel).segment

    # -- error confinement -----------------------------------------------------------------------------

    def on_state(self, channel: str, handler: StateHandler) -> None:
        """Call handler(state, time_s) whenever the channel's controller changes its error state."""
        self._state_handlers.setdefault(channel, []).append(handler)

    def set_recovery(self, channel: str, recovery: Recovery | None) -> None:
        """Nobody goes to bus-off at this depth."""

    def state_of(self, channel: str) -> ErrorState:
        """The error state of the channel's controller."""
        return "error passive" if channel in self._passive else "error active"

    def _lonely_line(self, line: _Line, now_ns: int) -> None:
        """16 attempts without acknowledgement from the first release on make its channel error passive."""
        if line.stream.period_s is None:
            return
        epoch, period_ns = line.epoch, to_ns(line.stream.period_s)
        behind_ns = max(0, line.lone_ns - line.start_ns)
        release_ns = line.start_ns + -(-behind_ns // period_ns) * period_ns
        at_ns = max(now_ns, release_ns + self._passive_after_ns(line.stream.frame, line.bus))
        self._at(at_ns, _STATES, lambda at_ns: self._turn(line.stream.channel, at_ns, epoch == line.epoch))

    def _passive_after_ns(self, frame: Frame, bus: _Bus) -> int:
        return AttemptTimes(frame, bus.segment.bitrate_bps, 0, False).passive_at or 0

    def _turn(self, channel: str, now_ns: int, valid: bool = True, passive: bool = True) -> None:
        if valid and passive != (channel in self._passive):
            (self._passive.add if passive else self._passive.discard)(channel)
            for handler in self._state_handlers.get(channel, ()):
                handler(self.state_of(channel), now_ns / NS_PER_S)

    # -- what the wiring does --------------------------------------------------------------------------

    def set_segments(self, segments: Iterable[Segment]) -> None:
        """Who hears whom from now on. Raises NotAtThisFidelity for a segment with faults."""
        segments = list(segments)
        for segment in segments:
            if segment.faults:
                raise NotAtThisFidelity(f"{segment.faults[0].channel} disturbs its bus")
        wanted = {channel: segment for segment in segments for channel in segment.members}
        now_ns = self._clock.now_ns()
        before = dict(self._buses)
        formed: dict[Segment, _Bus] = {bus.segment: bus for bus in before.values()}
        channels = sorted(before.keys() | wanted.keys())
        for channel in channels:
            segment = wanted.get(channel) or Segment((channel,))
            if segment not in formed:
                audience = frozenset(segment.members) | frozenset(segment.listeners)
                formed[segment] = _Bus(segment, audience, now_ns)
            self._buses[channel] = formed[segment]
        changed = [channel for channel in channels if before.get(channel) is not self._buses[channel]]
        for line in [line for line in self._lines.values() if line.stream.channel in changed]:
            self._change(line)
        for bus in dict.fromkeys(self._buses[channel] for channel in changed):
            self._refuse_overload(bus)
        self._send_again([before[channel] for channel in changed if channel in before], now_ns)

    # -- one stream ------------------------------------------------------------------------------------

    def _line(self, stream: Stream) -> _Line:
        line = self._lines.get(stream)
        if line is None:
            line = self._lines[stream] = _Line(stream, self._bus(stream.channel))
            line.duration_ns = self._duration_ns(stream.frame, line.bus)
        return line

    def _change(self, line: _Line) -> None:
        """Something about the stream is different from now on: close its epoch and open another."""
        now_ns = self._clock.now_ns()
        line.close(now_ns)
        line.bus = self._bus(line.stream.channel)
        line.duration_ns = self._duration_ns(line.stream.frame, line.bus)
        self._open(line, now_ns)
        for reader in line.readers:
            if reader.channel not in line.bus.audience:
                reader.version = -1
        self._plan(line)
        for rule in line.forwards:
            self._at(now_ns + rule.delay_ns, _PASSES, self._reopener(rule.target))

    def _reopener(self, target: _Line) -> Callable[[int], None]:
        # what the source sent up to now is still on its way: the target changes a delay later
        return lambda _: self._change(target)

    def _open(self, line: _Line, now_ns: int) -> None:
        line.epoch += 1
        line.first_ns = line.early_ns = _NEVER
        stream = line.stream
        if not stream.live:
            line.lone_ns = _NEVER
            return
        if not line.bus.acknowledges:
            line.lone_ns = now_ns if line.lone_ns == _NEVER else line.lone_ns
            self._lonely_line(line, now_ns)
            return
        if line.lone_ns != _NEVER and line.released_between(line.lone_ns, now_ns):
            line.early_ns = now_ns + line.duration_ns
        line.lone_ns = _NEVER
        if stream.period_s is not None:
            line.period_ns = to_ns(stream.period_s)
            behind_ns = max(0, now_ns - line.start_ns)
            line.first_ns = line.start_ns + -(-behind_ns // line.period_ns) * line.period_ns
            if stream.channel in self._passive:
                epoch, heard = line.epoch, partial(self._turn, stream.channel, passive=False)
                self._at(line.next_end_ns(now_ns), _STATES, lambda at_ns: heard(at_ns, epoch == line.epoch))
            return
        for source, rule in line.sources:
            if source.first_ns != _NEVER and rule.receiver in source.bus.audience:
                line.period_ns = source.period_ns
                end_ns = source.next_end_ns(now_ns - rule.delay_ns - 1)
                line.first_ns = end_ns + rule.delay_ns
                return

    def _plan(self, line: _Line) -> None:
        """Put into the calendar what may happen to the stream next."""
        now_ns = self._clock.now_ns()
        epoch = line.epoch
        next_ns = line.next_end_ns(now_ns)
        if next_ns != _NEVER and self._is_awaited(line):
            self._at(next_ns, _ENDS, lambda at_ns: self._arrive(line, epoch, at_ns), line.key)
        for watch in line.watches:
            if not watch.lost and not self._is_safe(line, watch, now_ns):
                due_ns = max(now_ns, watch.deadline_ns(now_ns))
                self._at(due_ns, _LIMITS, partial(self._check, line, watch), line.key)

    def _is_awaited(self, line: _Line) -> bool:
        audience = line.bus.audience - {line.stream.channel}
        return (
            any(reader.version != line.version and reader.channel in audience for reader in line.readers)
            or any(watch.lost and watch.channel in audience for watch in line.watches)
            or any(
                rule.target.stream.data != line.stream.data and rule.receiver in audience
                for rule in line.forwards
            )
        )

    def _is_safe(self, line: _Line, watch: LimitWatch, now_ns: int) -> bool:
        """Will the limit never run out as long as nothing changes?"""
        if line.first_ns == _NEVER or watch.channel not in line.bus.audience:
            return False
        return line.period_ns <= watch.limit_ns and line.next_end_ns(now_ns) <= watch.deadline_ns(now_ns)

    def _arrive(self, line: _Line, epoch: int, now_ns: int) -> None:
        """A frame that somebody waits for has ended."""
        if epoch != line.epoch or not self._is_awaited(line):
            return
        stream = line.stream
        audience = line.bus.audience - {stream.channel}
        fresh = now_ns >= line.fresh_ns
        readers = [r for r in line.readers if fresh and r.version != line.version and r.channel in audience]
        back = [watch for watch in line.watches if watch.lost and watch.channel in audience]
        stream.delivered = stream.data
        for reader in readers:
            reader.version = line.version
        for watch in back:
            watch.lost, watch.since_ns = False, now_ns
        for rule in line.forwards if fresh else ():
            if rule.receiver in audience and rule.target.stream.data != stream.data:
                self._at(now_ns + rule.delay_ns, _PASSES, self._data_passer(rule.target, stream.data))
        self._plan(line)
        for reader in readers:
            reader.handler(stream, now_ns / NS_PER_S)
        for watch in back:
            watch.found(now_ns / NS_PER_S)

    def _data_passer(self, target: _Line, data: bytes) -> Callable[[int], None]:
        return lambda _: self.set_data(target.stream, data)

    def _check(self, line: _Line, watch: LimitWatch, now_ns: int) -> None:
        """A limit may have run out."""
        if watch.lost or watch.cancelled:
            return
        deadline_ns = watch.deadline_ns(now_ns)
        if deadline_ns > now_ns:
            if not self._is_safe(line, watch, now_ns):
                self._at(deadline_ns, _LIMITS, lambda at_ns: self._check(line, watch, at_ns), line.key)
            return
        watch.lost = True
        self._plan(line)
        watch.missed(now_ns / NS_PER_S)

    # -- single frames ---------------------------------------------------------------------------------

    def _offer(self, single: _Single, now_ns: int) -> None:
        bus = self._bus(single.channel)
        bus.waiting.append(single)
        if bus.acknowledges:
            duration = self._duration_ns(single.frame, bus)
            end_ns = max(now_ns, bus.free_ns) + duration
            bus.free_ns = end_ns + duration_ns(INTERMISSION_BITS, bus.segment.bitrate_bps)
            key = (arbitration_key(single.frame.can_id, single.frame.extended), single.channel, "")
            self._at(end_ns, _ENDS, lambda at_ns: self._sent(single, bus, at_ns), key)
        else:
            at_ns = now_ns + self._passive_after_ns(single.frame, bus)
            self._at(
                at_ns,
                _STATES,
                lambda at_ns: self._turn(single.channel, at_ns, single in bus.waiting and not single.gone),
            )

    def _sent(self, single: _Single, bus: _Bus, now_ns: int) -> None:
        if single not in bus.waiting:
            return
        bus.waiting.remove(single)
        if single.gone:
            return
        self._turn(single.channel, now_ns, passive=False)
        audience = bus.audience - {single.channel}
        end_s = now_ns / NS_PER_S
        if single.on_sent:
            single.on_sent(end_s)
        for channel, handler in self._listeners:
            if channel in audience:
                handler(single.frame, single.channel, end_s)

    def _send_again(self, old: list[_Bus], now_ns: int) -> None:
        for bus in dict.fromkeys(old):
            left, bus.waiting = bus.waiting, []
            for single in left:
                if not single.gone:
                    self._offer(single, now_ns)

    # -- small tools -----------------------------------------------------------------------------------

    def _bus(self, channel: str) -> _Bus:
        bus = self._buses.get(channel)
        if bus is None:
            bus = self._buses[channel] = _Bus(Segment((channel,)), frozenset({channel}))
        return bus

    def _duration_ns(self, frame: Frame, bus: _Bus) -> int:
        return frame_ns(frame, bus.segment.bitrate_bps)

    def _refuse_overload(self, bus: _Bus) -> None:
        if not bus.acknowledges:
            return
        used = sum(
            line.duration_ns / line.period_ns
            for line in self._lines.values()
            if line.bus is bus and line.first_ns != _NEVER
        )
        if used > OVERLOAD:
            raise Overloaded(
                f"periodic frames fill {used:.0%} of the bus of {', '.join(bus.segment.members)}"
            )

    def _at(
        self, at_ns: int, order: int, action: Callable[[int], None], key: tuple[int, str, str] = (0, "", "")
    ) -> None:
        self._serial += 1
        heappush(self._calendar, (at_ns, order, self._serial, action))
        self._clock.set(at_ns)

    def _run(self, now_ns: int) -> None:
        while self._calendar and self._calendar[0][0] <= now_ns:
            heappop(self._calendar)[3](now_ns)
        if self._calendar:
            self._clock.set(self._calendar[0][0])
