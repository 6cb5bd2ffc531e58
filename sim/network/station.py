"""What belongs to a channel whatever segment it is in, and its port on a line simulated bit by bit."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from typing import Literal, Protocol

from sim.network.bit_line import BitClock, BusNode, sample_ns
from sim.network.controller import START, Controller, Failure
from sim.network.delivery import Kernel
from sim.network.error_counters import ErrorCounters
from sim.network.frames import Frame, duration_ns, frame_ns, wire_bits
from sim.network.interface import ErrorState, Recovery, StateHandler
from sim.network.messages import BusMessage, Flight, FrameInFlight, LiveBus, LoneAttempt
from sim.network.streams import Call


class Station:
    """What belongs to a channel whatever segment it is in.

    told: the error state that handlers know or will be told. offs: times in bus-off since a frame last got
    through. recovering: it counts recessive bits to leave bus-off. pending: what will let it do so. port: its
    place on a line, while its bus is simulated bit by bit.
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


@dataclass(slots=True, eq=False)
class Notification:
    """Calls to make at one moment, and what becomes of a station then."""

    calls: list[Call]
    station: Station | None = None
    becomes: Literal["bus-off", "recovering"] | None = None


class SharedLine(Protocol):
    """The bus mode in which ports share a line bit by bit."""

    def interrupt(self) -> None:
        """Something has entered the calendar."""

    def accepted(self, frame: Frame, by: Port) -> None:
        """A port has received a frame."""


class Port:
    """A channel on a line: what its controller works for."""

    __slots__ = (
        "_kernel", "bus", "controller", "frame", "heard", "message", "node", "offer", "shared",
        "since_ns", "start_ns", "station", "version",
    )  # fmt: skip

    def __init__(
        self, kernel: Kernel, shared: SharedLine, bus: LiveBus, station: Station, now_ns: int, *, late: bool
    ) -> None:
        self._kernel = kernel
        self.shared = shared
        self.bus = bus
        self.station = station
        self.since_ns = now_ns
        self.message: BusMessage | None = None  # on the wire
        self.offer: LoneAttempt | None = None  # what it sends next, whatever waits
        self.frame = Frame(0)
        self.version = 0
        self.start_ns = 0
        self.heard: set[str] = set()
        self.controller = Controller(self, station.counters, classical=station.channel in bus.classical)
        bit_ns = duration_ns(1, bus.bitrates_bps[station.channel])
        self.node = BusNode(station.channel, self.controller, bit_ns, self.wants, late=late)

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
            self.bus.dequeue(self.message)
        self.start_ns = self.controller.time_ns
        self.heard = set()
        return self.frame.in_classical_shape

    def sent(self) -> None:
        """The frame has reached those that accepted it."""
        message, end_ns = self.message, self.controller.time_ns
        assert message is not None
        self.message = None
        self.station.offs = 0
        audience = frozenset(self.heard | set(self.bus.segment.listeners))
        flight = Flight(message, self.frame, self.version, self.start_ns, end_ns, audience, broken=True)
        message.flight = flight
        self.bus.frames += 1
        self._kernel.calendar.plan(end_ns, message.end_rank, flight)
        self.shared.interrupt()

    def failed(self, why: Failure) -> None:
        """It waits again, unless its sender has taken it back."""
        message, self.message = self.message, None
        if message is None:
            return
        now_ns = max(self.since_ns, self.controller.time_ns)
        if why == "error":
            self._kernel.destroyed(message, self.frame, now_ns)
        if message.live:
            self._kernel.delivery.queue(message, now_ns)
        self.shared.interrupt()

    def received(self, frame: Frame) -> None:
        """Note it with the port that is sending just this."""
        self.shared.accepted(frame, self)

    def counted(self) -> None:
        """The error state may be another."""
        if self._kernel.tell(self.station.channel, max(self.since_ns, self.controller.time_ns)):
            self.shared.interrupt()

    def catch_up(self, carried: FrameInFlight, now_ns: int) -> None:
        """Bring a fresh controller to where it is within a frame."""
        controller, node, what = self.controller, self.node, carried.what
        bit_ns = duration_ns(1, carried.bus.bitrate_bps)
        shape = what.frame.in_classical_shape
        bits = wire_bits(shape)
        alone = isinstance(what, LoneAttempt)
        # as far in its classical shape as it is in its own
        rate_bps = carried.bus.bitrate_bps
        gone_ns = (now_ns - what.start_ns) * frame_ns(shape, rate_bps) // frame_ns(what.frame, rate_bps)
        start_ns = now_ns - gone_ns
        controller.time_ns = start_ns
        if self.station.channel == carried.message.channel:
            self.offer = carried.attempt()
            controller.read(START)
        number, level = 0, controller.output
        while start_ns + number * bit_ns + sample_ns(bit_ns) < now_ns:
            level = controller.output
            number += 1
            controller.time_ns = start_ns + number * bit_ns
            controller.read(level if alone else bits[number - 1])
        present, within_ns = divmod(gone_ns, bit_ns)
        node.frame_ns = start_ns
        bit_start_ns = start_ns + present * bit_ns
        if not within_ns:
            node.clock = BitClock.at(bit_ns, now_ns)
        elif number > present:
            node.clock, node.level = BitClock.at(bit_ns, bit_start_ns + bit_ns), level
        else:
            node.clock, node.level = BitClock.at(bit_ns, bit_start_ns, reading=True), controller.output
