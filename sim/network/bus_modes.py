"""What runs a bus that is not in good health: the parts of the frame-depth network for error confinement.

- `Lone`: a sender without anybody to acknowledge repeats its frame for ever. Its attempts are arithmetic.
- `Strained`: a bus that works, but error counters are not at 0, or somebody misreads bits now and then. One
  frame after the other, with counters and suspend transmission.
- `Struggle`: bit by bit (`sim.network.line`), while anything else is the matter: errors, error flags,
  collisions, channels that read different things, bus-off and recovery. It ends when all have come to rest.
- `Silent`: a channel in bus-off.

Private to `sim.network.can`.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from heapq import heapify
from typing import Protocol

from sim.network.controller import DELIMITER_BITS as ERROR_DELIMITER_BITS
from sim.network.controller import (
    FLAG_BITS,
    PASSIVE_FROM,
    START,
    SUSPEND_BITS,
    Controller,
    ErrorCounters,
    Failure,
)
from sim.network.frames import (
    ACK_BITS,
    CRC_DELIMITER_BITS,
    INTERMISSION_BITS,
    UNSTUFFED_TAIL_BITS,
    Frame,
    duration_ns,
    frame_bits,
    frame_ns,
    wire_bits,
)
from sim.network.line import Line, Pace, Place, Reach, sample_ns
from sim.network.messages import NEVER, STATES, Bus, Flight, Message
from sim.network.streams import ErrorState, Recovery, StateHandler
from sim.wiring.segments import Segment


class Station:
    """What stays with a channel whatever segment it is in.

    told: the error state that handlers know or will be told. offs: times in bus-off since a frame last got
    through. recovering: it counts recessive bits to leave bus-off. pending: what will let it do so. port: its
    place on a line, while its bus is taken bit by bit.
    """

    __slots__ = (
        "_clear_bits", "_rate", "_rng", "channel", "counters", "handlers", "offs", "pending", "port",
        "recovering", "recovery", "told",
    )  # fmt: skip

    def __init__(self, channel: str, seed: int) -> None:
        self.channel = channel
        self.counters = ErrorCounters()
        self.handlers: list[StateHandler] = []
        self.recovery: Recovery | None = Recovery()
        self.pending: object = None
        self.reset()
        self.port: Port | None = None
        self._rng = random.Random(f"{seed} {channel}")
        self._rate = 0.0
        self._clear_bits = 0

    def reset(self) -> None:
        """As after power-on."""
        self.counters.clear()
        self.told: ErrorState = "error active"
        self.offs = 0
        self.recovering = False

    @property
    def ailing(self) -> bool:
        """Is there anything left to count?"""
        return self.offs > 0 or not self.counters.clean

    def misread_bit(self, rate: float, bits: int) -> int | None:
        """Which of the next bits of a frame it reads wrong, the first one; None for none."""
        if rate != self._rate:
            self._rate = rate
            self._clear_bits = self._draw()
        if self._clear_bits >= bits:
            self._clear_bits -= bits
            return None
        bit = self._clear_bits
        self._clear_bits = self._draw()
        return bit

    def _draw(self) -> int:
        """Bits up to the next misread one."""
        if self._rate >= 1:
            return 0
        return int(math.log(1 - self._rng.random()) / math.log(1 - self._rate))


class Kernel(Protocol):
    """What a trouble needs of the network."""

    def level(self, segment: Segment, at_ns: int, names: tuple[str, ...]) -> None:
        """From now on these drive a bus dominant that is taken bit by bit."""

    def plan(self, at_ns: int, rank: str, item: object) -> None:
        """Put an item into the calendar."""

    def next_ns(self) -> int:
        """Time of the next entry of the calendar."""

    def queue(self, message: Message, now_ns: int) -> None:
        """Let a message wait for its bus."""

    def begin(self, message: Message, now_ns: int) -> None:
        """Put a message on the wire, alone, and follow it to its end."""

    def settle(self, bus: Bus, now_ns: int) -> None:
        """Give a bus at rest the way to work that its members need now."""

    def forget_ends(self, bus: Bus, now_ns: int) -> None:
        """From now on frames of the bus reach some and not others."""

    def tell(self, station: Station, at_ns: int) -> bool:
        """The counters of a channel have changed: tell its handlers if its state has. Has it?"""

    def destroyed(self, message: Message, frame: Frame, at_ns: int) -> None:
        """A frame has been destroyed by an error."""


class Silent:
    """Nothing is sent: bus-off, or a bus that is just being formed."""

    def queued(self, message: Message, now_ns: int) -> None:
        """It waits."""

    def changed(self, message: Message, now_ns: int) -> None:
        """Nobody cares."""

    def arrived(self, flight: Flight, now_ns: int) -> None:
        """Nobody counts."""

    def due(self, now_ns: int, before_ns: int) -> None:
        """Nothing is ever planned."""


# -- alone -------------------------------------------------------------------------------------------------


class Attempts:
    """Times of the attempts of a lone transmitter, from the start of its first, in ns.

    The frame up to its acknowledge slot, error flag, error delimiter, intermission; each counts 8 (rule 3 of
    fault confinement) up to error passive, from where on the counter stands still (its exception 1) and
    suspend transmission comes on top. passive: is it error passive before, for whatever reason?
    """

    __slots__ = ("_active", "_active_ns", "_noticed_ns", "_passive_ns")

    def __init__(self, frame: Frame, bitrate_bps: int, transmit: int, passive: bool) -> None:
        behind_slot = UNSTUFFED_TAIL_BITS - CRC_DELIMITER_BITS - ACK_BITS + 1
        pause = FLAG_BITS + ERROR_DELIMITER_BITS + INTERMISSION_BITS
        self._noticed_ns = frame_ns(frame, bitrate_bps) - duration_ns(behind_slot, bitrate_bps)
        self._active_ns = self._noticed_ns + duration_ns(pause, bitrate_bps)
        self._passive_ns = self._noticed_ns + duration_ns(pause + SUSPEND_BITS, bitrate_bps)
        self._active = 0 if passive else -(-(PASSIVE_FROM - transmit) // 8)  # that it begins error active

    def start_of(self, number: int) -> int:
        """When an attempt begins, counted from 0."""
        short = min(number, max(0, self._active - 1))
        return short * self._active_ns + (number - short) * self._passive_ns

    def noticed_at(self, number: int) -> int:
        """When an attempt has failed for lack of acknowledgement."""
        return self.start_of(number) + self._noticed_ns

    def begun_before(self, after_ns: int) -> int:
        """How many have begun before this time."""
        short_ns = max(0, self._active - 1) * self._active_ns
        if after_ns <= short_ns:
            return max(0, -(-after_ns // self._active_ns))
        return max(0, self._active - 1) + -(-(after_ns - short_ns) // self._passive_ns)

    def counted(self, number: int) -> int:
        """What so many attempts add to the transmit error counter."""
        return 8 * min(number, self._active)

    @property
    def passive_at(self) -> int | None:
        """When the transmitter becomes error passive; None if it is."""
        return self.noticed_at(self._active - 1) if self._active else None


@dataclass(slots=True, eq=False)
class Attempt:
    """A frame that its sender has on the wire without a receiver. transmit: error counter at its start."""

    message: Message
    frame: Frame
    version: int
    start_ns: int
    transmit: int


@dataclass(slots=True, eq=False)
class Air:
    """A frame on the wires of a bus that is no more, and who was there from its start."""

    bus: Bus
    message: Message
    crew: frozenset[str]
    what: Flight | Attempt

    @property
    def flight(self) -> Flight:
        """The frame as one that had receivers."""
        assert isinstance(self.what, Flight)
        return self.what

    def attempt(self, transmit: int = 0) -> Attempt:
        """The frame as one that may have lost them."""
        if isinstance(self.what, Attempt):
            return self.what
        return Attempt(self.message, self.what.frame, self.what.version, self.what.start_ns, transmit)

    def goes_on_in(self, new: Bus) -> bool:
        """Does its sender keep a member that was there from its start?"""
        return (
            isinstance(self.what, Flight)
            and self.message.channel in new.members
            and len(self.crew & new.members) > 1
            and self.bus.bitrate_bps == new.bitrate_bps
        )


class Lone:
    """A bus with one member. It offers its best message, again and again, and looks anew for each attempt."""

    def __init__(self, kernel: Kernel, bus: Bus, station: Station, rank: str, now_ns: int) -> None:
        self._kernel = kernel
        self._bus = bus
        self._station = station
        self._rank = f"{STATES} {rank}"
        self._last: Attempt | None = None  # from an earlier series, on the wire until `_from_ns`
        self._from_ns = now_ns
        self._transmit = station.counters.transmit
        self._offer: Attempt | None = None  # first of the present series
        self._attempts: Attempts | None = None
        self._due_ns = NEVER
        self._look(now_ns)

    @classmethod
    def after(
        cls, kernel: Kernel, bus: Bus, station: Station, rank: str, attempt: Attempt, now_ns: int
    ) -> Lone:
        """Its receivers have gone while it was sending; it goes on to the acknowledge slot."""
        lone = cls(kernel, bus, station, rank, now_ns)
        lone._from_ns = attempt.start_ns
        lone._series(attempt)
        lone._look(now_ns)
        return lone

    def queued(self, message: Message, now_ns: int) -> None:
        """It may be better than what is being offered."""
        self._look(now_ns)

    def changed(self, message: Message, now_ns: int) -> None:
        """It may be what is being offered."""
        self._look(now_ns)

    def arrived(self, flight: Flight, now_ns: int) -> None:
        """What was complete when the others left."""

    def due(self, now_ns: int, before_ns: int) -> None:
        """The counter may have reached the limit of error passive."""
        if now_ns == self._due_ns:
            self.count(now_ns)
            self._kernel.tell(self._station, now_ns)

    def count(self, now_ns: int) -> None:
        """Bring the transmit error counter up to date."""
        if self._last and now_ns < self._from_ns:
            self._station.counters.transmit = self._last.transmit
            attempts = self._of(self._last)
            noticed_ns = self._last.start_ns + attempts.noticed_at(0)
            self._station.counters.transmit += attempts.counted(1) if noticed_ns <= now_ns else 0
            return
        self._station.counters.transmit = self._transmit
        if self._attempts and self._from_ns < now_ns:
            begun = self._attempts.begun_before(now_ns - self._from_ns)
            failed = begun if self._from_ns + self._attempts.noticed_at(begun - 1) <= now_ns else begun - 1
            self._station.counters.transmit += self._attempts.counted(failed)

    def on_the_wire(self, now_ns: int) -> Attempt | None:
        """The attempt in progress; its error frame and the pause behind it belong to it."""
        if self._last and now_ns < self._from_ns:
            return self._last
        if self._offer is None or self._attempts is None or self._from_ns >= now_ns:
            return None
        number = self._attempts.begun_before(now_ns - self._from_ns) - 1
        return Attempt(
            self._offer.message,
            self._offer.frame,
            self._offer.version,
            self._from_ns + self._attempts.start_of(number),
            self._transmit + self._attempts.counted(number),
        )

    def restart(self, now_ns: int) -> None:
        """Its controller has been reset."""
        self._last = self._offer = self._attempts = None
        self._transmit, self._from_ns = 0, now_ns
        self._look(now_ns)

    def _look(self, now_ns: int) -> None:
        """What is offered from the next attempt on."""
        best = self._bus.waiting[0][1] if self._bus.waiting else None
        offer, attempts = self._offer, self._attempts
        if offer and attempts and self._from_ns < now_ns:
            if best is offer.message and best.version == offer.version:
                return
            self._last = self.on_the_wire(now_ns)
            begun = attempts.begun_before(now_ns - self._from_ns)
            self._transmit += attempts.counted(begun)
            self._from_ns += attempts.start_of(begun)
        self._from_ns = max(self._from_ns, now_ns)
        if best is not None:
            self._series(Attempt(best, best.frame, best.version, self._from_ns, self._transmit))
        else:
            self._series(None)

    def _series(self, first: Attempt | None) -> None:
        self._offer = first
        self._attempts = self._of(first) if first else None
        due_ns = NEVER
        if self._last:
            last_ns = self._of(self._last).passive_at
            if last_ns is not None and self._last.start_ns + last_ns < self._from_ns:
                due_ns = self._last.start_ns + last_ns
        if due_ns == NEVER and self._attempts and self._attempts.passive_at is not None:
            due_ns = self._from_ns + self._attempts.passive_at
        if due_ns not in (NEVER, self._due_ns):
            self._kernel.plan(due_ns, self._rank, self)
        self._due_ns = due_ns

    def _of(self, first: Attempt) -> Attempts:
        passive = first.transmit >= PASSIVE_FROM or self._station.counters.receive >= PASSIVE_FROM
        return Attempts(first.frame, self._bus.bitrate_bps, first.transmit, passive)


# -- working, but not in good health -----------------------------------------------------------------------


class Strained:
    """A bus on which counters are not at 0, or bits are misread now and then."""

    def __init__(
        self, kernel: Kernel, bus: Bus, stations: dict[str, Station], rank: str, idle_ns: int
    ) -> None:
        self._kernel = kernel
        self._bus = bus
        self._stations = stations
        self._rank = f"{bus.rank} {rank}"
        self.idle_ns = idle_ns
        self._suspended = ("", NEVER)  # channel, until when it must not send
        self._planned_ns = NEVER
        self._rates = {one.channel: one.bit_error_rate for one in bus.segment.faults if one.bit_error_rate}
        self._arrange(idle_ns)

    def queued(self, message: Message, now_ns: int) -> None:
        """Send it as soon as the bus is idle."""
        self._arrange(now_ns)

    def changed(self, message: Message, now_ns: int) -> None:
        """What is sent is looked at when it begins."""

    def arrived(self, flight: Flight, now_ns: int) -> None:
        """Rules 7 and 8: success takes 1 off the counters."""
        sender = self._stations.get(flight.message.channel)
        if sender is None:
            return
        sender.offs = 0
        sender.counters.sent()
        for channel in sorted(flight.audience):
            if channel in self._stations:
                self._stations[channel].counters.received()
        self.idle_ns = flight.end_ns + self._bus.intermission_ns
        if sender.counters.passive:
            wait_ns = duration_ns(SUSPEND_BITS, self._bus.bitrate_bps)
            self._suspended = (sender.channel, self.idle_ns + wait_ns)
        for station in self._stations.values():
            self._kernel.tell(station, now_ns)
        if not self._rates and not any(station.ailing for station in self._stations.values()):
            self._kernel.settle(self._bus, self.idle_ns)
        else:
            self._arrange(now_ns)

    def due(self, now_ns: int, before_ns: int) -> None:
        """The bus is idle: the lowest identifier goes."""
        if now_ns != self._planned_ns or self._bus.trouble is not self:
            return
        self._planned_ns = NEVER
        message = self._best(now_ns)
        if message is None:
            self._arrange(now_ns)
            return
        misread = self._misread(frame_bits(message.frame))
        if misread:
            self._struggle(misread, now_ns)
            return
        take(self._bus, message)
        self._kernel.begin(message, now_ns)

    def _arrange(self, now_ns: int) -> None:
        bus = self._bus
        if not bus.waiting or (bus.sending is not None and bus.sending.flight is not None):
            return
        at_ns = max(now_ns, self.idle_ns)
        if self._best(at_ns) is None:
            at_ns = self._suspended[1]
        if at_ns != self._planned_ns:
            self._planned_ns = at_ns
            self._kernel.plan(at_ns, self._rank, self)

    def _best(self, at_ns: int) -> Message | None:
        channel, until_ns = self._suspended
        may = [entry for entry in self._bus.waiting if at_ns >= until_ns or entry[1].channel != channel]
        return min(may)[1] if may else None

    def _misread(self, bits: int) -> dict[str, int]:
        hits = {
            channel: self._stations[channel].misread_bit(rate, bits)
            for channel, rate in self._rates.items()
            if channel in self._stations
        }
        return {channel: bit for channel, bit in hits.items() if bit is not None}

    def _struggle(self, misread: dict[str, int], now_ns: int) -> None:
        self._kernel.forget_ends(self._bus, now_ns)
        struggle = Struggle(self._kernel, self._bus, self._stations, self._rank)
        struggle.form(now_ns)
        for channel, bit in misread.items():
            struggle.port(channel).place.misread.add(bit)


# -- bit by bit --------------------------------------------------------------------------------------------


class Port:
    """A channel on a line: what its controller works for."""

    __slots__ = (
        "_kernel", "bus", "controller", "frame", "heard", "message", "offer", "place", "since_ns", "start_ns",
        "station", "version",
    )  # fmt: skip

    def __init__(self, kernel: Kernel, bus: Bus, station: Station, now_ns: int, *, late: bool) -> None:
        self._kernel = kernel
        self.bus = bus
        self.station = station
        self.since_ns = now_ns
        self.message: Message | None = None  # on the wire
        self.offer: Attempt | None = None  # what it sends next, whatever waits
        self.frame = Frame(0)
        self.version = 0
        self.start_ns = 0
        self.heard: set[str] = set()
        self.controller = Controller(self, station.counters, classical=station.channel in bus.classical)
        bit_ns = duration_ns(1, bus.bitrates_bps[station.channel])
        self.place = Place(station.channel, self.controller, bit_ns, self.wants, late=late)

    def wants(self) -> bool:
        """Does anything of this channel wait?"""
        return any(message.channel == self.station.channel for _, message in self.bus.waiting)

    def take(self) -> Frame | None:
        """The channel's lowest identifier goes on the wire."""
        if self.offer:
            self.message, self.frame, self.version = self.offer.message, self.offer.frame, self.offer.version
            self.offer = None
        else:
            mine = [entry for entry in self.bus.waiting if entry[1].channel == self.station.channel]
            if not mine:
                return None
            self.message = min(mine)[1]
            self.frame, self.version = self.message.frame, self.message.version
            take(self.bus, self.message)
        self.start_ns = self.controller.time_ns
        self.heard = set()
        return self.frame.in_classical_shape

    def sent(self) -> None:
        """Whoever accepted the frame has it."""
        message, end_ns = self.message, self.controller.time_ns
        assert message is not None
        self.message = None
        self.station.offs = 0
        audience = frozenset(self.heard | set(self.bus.segment.listeners))
        flight = Flight(message, self.frame, self.version, self.start_ns, end_ns, audience, broken=True)
        message.flight = flight
        self.bus.frames += 1
        self._kernel.plan(end_ns, message.end_rank, flight)
        self._interrupt()

    def failed(self, why: Failure) -> None:
        """It waits again, unless it was taken back meanwhile."""
        message, self.message = self.message, None
        if message is None:
            return
        now_ns = max(self.since_ns, self.controller.time_ns)
        if why == "error":
            self._kernel.destroyed(message, self.frame, now_ns)
        if message.live:
            self._kernel.queue(message, now_ns)
        self._interrupt()

    def received(self, frame: Frame) -> None:
        """From whoever is sending just this."""
        trouble = self.bus.trouble
        if isinstance(trouble, Struggle):
            for port in trouble.ports:
                if port.message is not None and port.frame.in_classical_shape == frame and port is not self:
                    port.heard.add(self.station.channel)

    def counted(self) -> None:
        """The error state may be another."""
        if self._kernel.tell(self.station, max(self.since_ns, self.controller.time_ns)):
            self._interrupt()

    def _interrupt(self) -> None:
        """Something has entered the calendar."""
        if isinstance(self.bus.trouble, Struggle):
            self.bus.trouble.interrupt()

    def catch_up(self, air: Air, now_ns: int) -> None:
        """Bring a fresh controller to where it is within a frame."""
        controller, place, what = self.controller, self.place, air.what
        bit_ns = duration_ns(1, air.bus.bitrate_bps)
        shape = what.frame.in_classical_shape
        bits = wire_bits(shape)
        alone = isinstance(what, Attempt)
        # as far in its classical shape as it is in its own
        rate_bps = air.bus.bitrate_bps
        gone_ns = (now_ns - what.start_ns) * frame_ns(shape, rate_bps) // frame_ns(what.frame, rate_bps)
        start_ns = now_ns - gone_ns
        controller.time_ns = start_ns
        if self.station.channel == air.message.channel:
            self.offer = air.attempt()
            controller.read(START)
        number, level = 0, controller.output
        while start_ns + number * bit_ns + sample_ns(bit_ns) < now_ns:
            level = controller.output
            number += 1
            controller.time_ns = start_ns + number * bit_ns
            controller.read(level if alone else bits[number - 1])
        present, within_ns = divmod(gone_ns, bit_ns)
        place.frame_ns = start_ns
        bit_start_ns = start_ns + present * bit_ns
        if not within_ns:
            place.pace = Pace.at(bit_ns, now_ns)
        elif number > present:
            place.pace, place.level = Pace.at(bit_ns, bit_start_ns + bit_ns), level
        else:
            place.pace, place.level = Pace.at(bit_ns, bit_start_ns, reading=True), controller.output


class Struggle:
    """A bus bit by bit."""

    def __init__(self, kernel: Kernel, bus: Bus, stations: dict[str, Station], rank: str) -> None:
        self._kernel = kernel
        self._bus = bus
        self._stations = stations
        self._rank = f"{bus.rank} {rank} bits"
        self._line = Line()
        self._line.on_level = partial(kernel.level, bus.segment)
        self._planned_ns = NEVER
        self._running = False
        self._awake_ns = NEVER  # since when it has not been at rest
        self.ports: list[Port] = []
        bus.trouble = self

    def form(self, now_ns: int, airs: Sequence[Air] = ()) -> None:
        """Everybody takes up what they are at: ports from before, and frames on the wires.

        Who comes to a line on which something is going on takes part from the next frame on.
        """
        ports = [station.port for station in self._stations.values() if station.port]
        busy = bool(airs) or any(not port.controller.parked for port in ports)
        for channel, station in self._stations.items():
            crew_of = [air for air in airs if channel in air.crew]
            if station.port is None:
                station.port = Port(self._kernel, self._bus, station, now_ns, late=busy and not crew_of)
            port = station.port
            if busy and port.controller.idle and not crew_of:
                port.place.late = True
            port.bus, port.since_ns = self._bus, now_ns
            port.controller.classical = channel in self._bus.classical
            for air in crew_of:
                port.catch_up(air, now_ns)
            port.place.bit_ns = duration_ns(1, self._bus.bitrates_bps[channel])
            self.ports.append(port)
            self._line.add(port.place, now_ns)
        self._line.set_reach(_reach(self._bus.segment), now_ns)
        for port in self.ports:
            if port.station.recovering and port.controller.dormant:
                self._line.recover(port.station.channel, now_ns)
        self._plan(now_ns)

    def port(self, channel: str) -> Port:
        """The port of a member."""
        return next(port for port in self.ports if port.station.channel == channel)

    def queued(self, message: Message, now_ns: int) -> None:
        """Whoever is idle may begin."""
        if not self._running:
            self._plan(now_ns)

    def changed(self, message: Message, now_ns: int) -> None:
        """What is sent is looked at when it begins."""

    def arrived(self, flight: Flight, now_ns: int) -> None:
        """The controllers have counted."""

    def restart(self, channel: str, now_ns: int) -> None:
        """The channel's controller has been reset: what it was sending breaks off."""
        port = self.port(channel)
        at = self.ports.index(port)
        port.message = None
        fresh = Port(self._kernel, self._bus, port.station, now_ns, late=True)
        port.station.port = fresh
        self.ports[at] = fresh
        self._line.replace(port.place, fresh.place)
        self._plan(now_ns)

    def due(self, now_ns: int, before_ns: int) -> None:
        """Bits, up to the next entry of the calendar or the next event of others."""
        bus, line = self._bus, self._line
        if bus.trouble is not self or now_ns != self._planned_ns:
            return
        self._planned_ns = NEVER
        self._running = True
        line.start(now_ns)
        self.note_busy(now_ns)
        while True:
            line.run(now_ns, min(before_ns, self._kernel.next_ns()))
            now_ns = max(now_ns, line.time_ns)
            if not line.resting:
                if line.due_ns < min(before_ns, self._kernel.next_ns()):
                    continue
                self._plan(line.due_ns)
                break
            self.note_busy(now_ns)
            if not bus.confused:
                self._end(now_ns)
                break
            line.let_in()
            line.start(now_ns)
            self.note_busy(now_ns)
            if line.resting:
                break
        self._running = False

    def _end(self, now_ns: int) -> None:
        for port in self.ports:
            port.station.port = None
        self._kernel.settle(self._bus, now_ns)

    def interrupt(self) -> None:
        """Something has entered the calendar."""
        self._line.interrupted = True

    def _plan(self, at_ns: int) -> None:
        if at_ns != self._planned_ns:
            self._planned_ns = at_ns
            self._kernel.plan(at_ns, self._rank, self)

    def note_busy(self, now_ns: int) -> None:
        """The line fills its bus while it is not at rest."""
        if self._awake_ns != NEVER:
            self._bus.busy_ns += now_ns - self._awake_ns
        self._awake_ns = NEVER if self._line.resting else now_ns


def take(bus: Bus, message: Message) -> None:
    """Let a message wait no more."""
    message.waits = False
    bus.waiting.remove((message.rank, message))
    heapify(bus.waiting)


def _reach(segment: Segment) -> dict[str, Reach]:
    """Whose dominant bits each member reads."""
    members = frozenset(segment.members)
    misses = {one.channel: frozenset(one.misses) for one in segment.faults}
    swapped = {one.channel for one in segment.faults if one.swapped}
    held = {one.channel for one in segment.faults if one.held}
    reach = {}
    for reader in segment.members:
        read = members - misses.get(reader, frozenset())
        same = frozenset(one for one in read if (one in swapped) == (reader in swapped))
        reach[reader] = Reach(same, read - same, reader in held)
    return reach
