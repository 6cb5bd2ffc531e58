"""A bus that works although error counters are not at 0, or bits are misread now and then.

One frame goes after the other, with counters and suspend transmission.
"""

from __future__ import annotations

from sim.network.bit_level import BitLevel
from sim.network.controller import SUSPEND_BITS
from sim.network.delivery import Kernel
from sim.network.frames import duration_ns, frame_bits
from sim.network.messages import BusMessage, BusMode, Flight, LiveBus
from sim.network.station import Station
from sim.network.streams import NEVER


class Degraded(BusMode):
    """Frame by frame, with error counters."""

    def __init__(
        self, kernel: Kernel, bus: LiveBus, stations: dict[str, Station], rank: str, idle_ns: int
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

    def queued(self, message: BusMessage, now_ns: int) -> None:
        """Send it as soon as the bus is idle."""
        self._arrange(now_ns)

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
            self._kernel.tell(station.channel, now_ns)
        if not self._rates and not any(station.ailing for station in self._stations.values()):
            self._kernel.settle(self._bus, self.idle_ns)
        else:
            self._arrange(now_ns)

    def due(self, now_ns: int, before_ns: int) -> None:
        """The bus is idle: the lowest identifier goes."""
        if now_ns != self._planned_ns or self._bus.mode is not self:
            return
        self._planned_ns = NEVER
        message = self._best(now_ns)
        if message is None:
            self._arrange(now_ns)
            return
        misread = self._misread(frame_bits(message.frame))
        if misread:
            self._go_bit_by_bit(misread, now_ns)
            return
        self._bus.dequeue(message)
        self._kernel.delivery.begin(message, now_ns)

    def _arrange(self, now_ns: int) -> None:
        bus = self._bus
        if not bus.waiting or (bus.sending is not None and bus.sending.flight is not None):
            return
        at_ns = max(now_ns, self.idle_ns)
        if self._best(at_ns) is None:
            at_ns = self._suspended[1]
        if at_ns != self._planned_ns:
            self._planned_ns = at_ns
            self._kernel.calendar.plan(at_ns, self._rank, self)

    def _best(self, at_ns: int) -> BusMessage | None:
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

    def _go_bit_by_bit(self, misread: dict[str, int], now_ns: int) -> None:
        self._kernel.forget_ends(self._bus, now_ns)
        bit_level = BitLevel(self._kernel, self._bus, self._stations, self._rank)
        bit_level.form(now_ns)
        for channel, bit in misread.items():
            bit_level.port(channel).node.misread.add(bit)
