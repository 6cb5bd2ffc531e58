"""LIN clusters: a master that asks, by a schedule, and the module that has the answer.

A frame is a header by the master and a response by the sender of the message in the slot. It is
received by those that hear both; if no response comes, nothing is. There is no arbitration and no
acknowledgement, and who sends learns nothing. So a message's frames end where the schedule has them, whatever
else goes on, and both fidelities share this network.

Words and interface are those of `interface.Network`, as far as LIN has them. Order at one instant: all
other SimPy events; ends of frames; time limits.

Not modeled: spaces between bytes (a frame takes its nominal time), collisions of two that answer, sleep and
wake-up frames, single frames.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache, partial

from sim.network.calendar import ActionCalendar
from sim.network.clock import FOREVER_NS, NanosecondEnvironment, to_ns
from sim.network.frames import NS_PER_S, Frame
from sim.network.interface import ErrorState, Heeds, Listener, Network, Recovery, StateHandler
from sim.network.streams import UNKNOWN, Call, ChangeHandler, Reader, Stream, Subscribers, Watch
from sim.vehicle.lin import frame_s, header_bits, response_bits
from sim.wiring.segments import Segment

_ENDS, _LIMITS, _BEGINS = 0, 1, 2


@dataclass(frozen=True, slots=True)
class FrameSlot:
    """A place in a schedule: the name of its stream, its identifier, and its length."""

    stream: str
    frame_id: int
    length_s: float


@dataclass(frozen=True, slots=True)
class Cluster:
    """A cluster: its master's channel, its bit rate, and the schedule that it repeats."""

    master: str
    bitrate_bps: int
    schedule: tuple[FrameSlot, ...]


@dataclass(frozen=True, slots=True)
class OnWire:
    """A header or a response as it ran over the wire. bits: 0 is dominant."""

    sender: str
    start_s: float
    bits: tuple[int, ...]
    bitrate_bps: int
    words: str

    @property
    def end_s(self) -> float:
        return self.start_s + len(self.bits) / self.bitrate_bps


class _Response(Subscribers):
    """What a sender has for its slots, and when each channel received the last of it."""

    def __init__(self, stream: Stream) -> None:
        super().__init__(stream)
        self.version = 0


class _Run:
    """A master at work on its schedule. `begin_next` is called when the next header goes out."""

    def __init__(self, name: str, cluster: Cluster, begin: Callable[[_Run, int], None]) -> None:
        self.name = name
        self.cluster = cluster
        self.place = 0
        self.lengths_ns = [to_ns(slot.length_s) for slot in cluster.schedule]
        self.begin_next: Callable[[int], None] = partial(begin, self)


class LinNetwork:
    """All LIN clusters of one car. `set_links` says who hears whom and which masters work.

    tap: assign a function to be called with every header, when it begins, and every response that was
    heard, when it has ended.
    """

    def __init__(self, env: NanosecondEnvironment, clusters: Mapping[str, Cluster]) -> None:
        self._tap: Callable[[OnWire], None] | None = None
        self._awaited = False  # a frame may cause a call
        self._clusters = dict(clusters)
        self._scheduled = frozenset(slot.stream for one in clusters.values() for slot in one.schedule)
        self._clusters_of: dict[str, list[Cluster]] = {name: [] for name in self._scheduled}
        for cluster in clusters.values():
            for name in {slot.stream for slot in cluster.schedule}:
                self._clusters_of[name].append(cluster)
        self._calendar = ActionCalendar(env, self._plan_alarm)
        self._checked = False  # a watch has been looked at since the last alarm was planned
        self._responses: dict[str, _Response] = {}
        self._links: frozenset[tuple[str, str]] = frozenset()
        self._receivers: dict[tuple[str, str], frozenset[str]] = {}
        self._runs: dict[str, _Run] = {}

    @property
    def tap(self) -> Callable[[OnWire], None] | None:
        """What is called for what is on the wires."""
        return self._tap

    @tap.setter
    def tap(self, tap: Callable[[OnWire], None] | None) -> None:
        self._calendar.catch_up()
        self._tap = tap
        self._look_ahead()

    def carries(self, stream: Stream) -> bool:
        """Is it a message of one of these clusters?"""
        return stream.name in self._scheduled

    # What modules do

    def start(self, stream: Stream) -> None:
        """Answer with it from the next header on."""
        self._calendar.catch_up()
        stream.begin()
        self._response(stream).version += 1
        self._look_ahead()

    def stop(self, stream: Stream) -> None:
        """Answer no more; a frame on the wire is broken off."""
        self._calendar.catch_up()
        stream.live = False

    def set_data(self, stream: Stream, data: bytes) -> None:
        """What responses carry from the next header on."""
        if data != stream.data:
            self._calendar.catch_up()
            stream.frame = stream.frame.carrying(data)
            self._response(stream).version += 1
            self._look_ahead()

    def on_change(self, stream: Stream, channel: str, handler: ChangeHandler) -> None:
        """Call handler(stream, time_s) for each frame that tells the channel something new."""
        self._calendar.catch_up()
        self._response(stream).readers.append(Reader(channel, handler))
        self._look_ahead()

    def watch(self, stream: Stream, channel: str, limit_s: float, on_lost: Call, on_back: Call) -> Watch:
        """Call on_lost when the channel gets no frame for limit_s, on_back when it does again."""
        self._calendar.catch_up()
        response, now_ns = self._response(stream), self._calendar.now_ns()
        watch = Watch(response, channel, limit_s, now_ns, on_lost, on_back)
        self._calendar.at(watch.deadline_ns(now_ns), _LIMITS, partial(self._check, response, watch))
        return watch

    def heard_at(self, stream: Stream, channel: str) -> float | None:
        """When the last frame of the message that the channel received ended."""
        self._calendar.catch_up()
        return self._response(stream).heard_at(channel, self._calendar.now_ns())

    # What the wiring does

    def set_links(self, links: frozenset[tuple[str, str]], running: frozenset[str]) -> None:
        """Pairs (sender, receiver) of channels, and the clusters whose master works through its schedule."""
        self._calendar.catch_up()
        gone, self._links = self._links - links, links
        self._receivers.clear()
        for response in self._responses.values():
            for reader in response.readers:
                if (response.stream.channel, reader.channel) in gone:
                    reader.version = UNKNOWN
        for name in sorted(self._runs.keys() - running):
            del self._runs[name]
        for name in sorted(running - self._runs.keys()):
            self._runs[name] = run = _Run(name, self._clusters[name], self._begin)
            self._calendar.at(self._calendar.now_ns(), _BEGINS, run.begin_next)
        self._look_ahead()

    # The schedule

    def _look_ahead(self) -> None:
        """Something has changed: find out whether frames must be on time.

        As long as none causes a call the schedule can wait: what it does follows from when it began, and is
        made up for before anybody asks.
        """
        awaited = self._tap is not None or any(map(self._awaits, self._responses.values()))
        if awaited and not self._awaited:
            self._calendar.wait_no_more()
        self._awaited = awaited

    def _awaits(self, response: _Response) -> bool:
        stream = response.stream
        return stream.live and any(
            response.awaits(response.version, self._receivers_of(cluster, stream.channel))
            for cluster in self._clusters_of[stream.name]
        )

    def _begin(self, run: _Run, now_ns: int) -> None:
        """A header goes out."""
        if self._runs.get(run.name) is not run:
            return
        cluster, slot = run.cluster, run.cluster.schedule[run.place]
        response = self._responses.get(slot.stream)
        if self.tap:
            bits = header_bits(slot.frame_id)
            words = f"header {slot.frame_id:02X}"
            self.tap(OnWire(cluster.master, now_ns / NS_PER_S, bits, cluster.bitrate_bps, words))
        if response is not None and response.stream.live:
            stream = response.stream
            end_ns = now_ns + _frame_ns(len(stream.data), cluster.bitrate_bps)
            receivers = self._receivers_of(cluster, stream.channel)
            arrives = partial(self._arrive, cluster, response, stream.data, response.version, receivers)
            self._calendar.at(end_ns, _ENDS, arrives, can_wait=not self._awaited)
        next_ns = now_ns + run.lengths_ns[run.place]
        run.place = (run.place + 1) % len(cluster.schedule)
        self._calendar.at(next_ns, _BEGINS, run.begin_next, can_wait=not self._awaited)

    def _receivers_of(self, cluster: Cluster, sender: str) -> frozenset[str]:
        """The channels that hear both the header and this sender's response to it."""
        pair = cluster.master, sender
        if (known := self._receivers.get(pair)) is None:
            header = {cluster.master} | {to for one, to in self._links if one == cluster.master}
            response = {to for one, to in self._links if one == sender}
            self._receivers[pair] = known = frozenset(header & response if sender in header else ())
        return known

    def _arrive(
        self,
        cluster: Cluster,
        response: _Response,
        data: bytes,
        version: int,
        audience: frozenset[str],
        now_ns: int,
    ) -> None:
        """A response has ended."""
        stream = response.stream
        if not stream.live:
            return
        audience &= self._receivers_of(cluster, stream.channel)
        if self.tap and audience:
            bits, rate_bps = response_bits(stream.can_id, data), cluster.bitrate_bps
            start_s = now_ns / NS_PER_S - len(bits) / rate_bps
            self.tap(OnWire(stream.channel, start_s, bits, rate_bps, f"response {data.hex(' ').upper()}"))
        stream.delivered = data
        response.heard_ns.update(dict.fromkeys(audience, now_ns))
        if not self._awaited:
            return
        back = response.lost_in(audience)
        calls = response.arrived(version, audience)
        for watch in back:
            self._calendar.at(watch.deadline_ns(now_ns), _LIMITS, partial(self._check, response, watch))
        for call in calls:
            call(now_ns / NS_PER_S)
        self._look_ahead()

    def _check(self, response: _Response, watch: Watch, now_ns: int) -> None:
        """A limit may have run out."""
        self._checked = True
        if watch.canceled:
            return
        deadline_ns = watch.deadline_ns(now_ns)
        if deadline_ns > now_ns:
            check = partial(self._check, response, watch)
            self._calendar.at(deadline_ns, _LIMITS, check, can_wait=True)
            return
        watch.lost = True
        self._look_ahead()
        watch.missed(now_ns / NS_PER_S)

    def _plan_alarm(self) -> None:
        """All that is due is done: be back when the first limit can run out, as far as is known now."""
        if self._checked:
            self._checked = False
            now_ns = self._calendar.now_ns()
            watches = (
                one for response in self._responses.values() for one in response.watches if not one.lost
            )
            first_ns = min((one.deadline_ns(now_ns) for one in watches), default=FOREVER_NS)
            if first_ns < FOREVER_NS:
                self._calendar.alarm(first_ns)

    # Small tools

    def _response(self, stream: Stream) -> _Response:
        return self._responses.setdefault(stream.name, _Response(stream))


@lru_cache(maxsize=256)
def _frame_ns(data_bytes: int, bitrate_bps: int) -> int:
    return to_ns(frame_s(data_bytes, bitrate_bps))


class CarNetwork(Network):
    """A car's CAN buses and LIN clusters under the one interface that its modules know."""

    def __init__(self, can: Network, lin: LinNetwork) -> None:
        self._can = can
        self._lin = lin

    def _of(self, stream: Stream) -> Network | LinNetwork:
        return self._lin if self._lin.carries(stream) else self._can

    def start(self, stream: Stream) -> None:
        self._of(stream).start(stream)

    def stop(self, stream: Stream) -> None:
        self._of(stream).stop(stream)

    def set_data(self, stream: Stream, data: bytes) -> None:
        self._of(stream).set_data(stream, data)

    def on_change(self, stream: Stream, channel: str, handler: ChangeHandler) -> None:
        self._of(stream).on_change(stream, channel, handler)

    def watch(self, stream: Stream, channel: str, limit_s: float, on_lost: Call, on_back: Call) -> Watch:
        return self._of(stream).watch(stream, channel, limit_s, on_lost, on_back)

    def heard_at(self, stream: Stream, channel: str) -> float | None:
        return self._of(stream).heard_at(stream, channel)

    def last_heard_at(self, streams: Iterable[Stream], channel: str) -> float | None:
        """Of streams on CAN, as `heard_at`."""
        return self._can.last_heard_at(streams, channel)

    def tell_apart(self, gap_s: float) -> None:
        self._can.tell_apart(gap_s)

    def send(
        self, channel: str, frame: Frame, on_sent: Call | None = None, limit_s: float | None = None
    ) -> Callable[[], None]:
        return self._can.send(channel, frame, on_sent, limit_s)

    def drop(self, channel: str) -> None:
        self._can.drop(channel)

    def listen(self, channel: str, handler: Listener, heeds: Heeds | None = None) -> None:
        self._can.listen(channel, handler, heeds)

    def forward(self, source: Stream, receiver: str, target: Stream, delay_s: float) -> None:
        self._can.forward(source, receiver, target, delay_s)

    def unforward(self, source: Stream, receiver: str, target: Stream) -> None:
        self._can.unforward(source, receiver, target)

    def on_state(self, channel: str, handler: StateHandler) -> None:
        self._can.on_state(channel, handler)

    def set_recovery(self, channel: str, recovery: Recovery | None) -> None:
        self._can.set_recovery(channel, recovery)

    def state_of(self, channel: str) -> ErrorState:
        return self._can.state_of(channel)

    def set_segments(self, segments: Iterable[Segment]) -> None:
        self._can.set_segments(segments)
