"""A bus simulated bit by bit (`sim.network.bit_line`), while more is wrong with it than counters.

That is errors, error flags, collisions, channels that read different things, bus-off and recovery. It ends
when all controllers are idle.

What becomes of a bus with one node of twice the bit rate follows from the rules of `controller.py` alone.
While it is error active, it and the others flag each other's frames. Once it is error passive it still reads
the end of its own error frame into some frames of others, and answers with overload flags, which are dominant
in any state: senders of such frames go bus-off, again after each recovery, the others do not. When it sends
and the others are passive, too, no node acknowledges, which it does not count: it repeats without end, in
gaps too short for others to send in. Then all stay error passive and none goes bus-off; a node in bus-off is
back after its software's pause (`interface.Recovery`) and 128 gaps. Sums: `test_fault_confinement.py`.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from sim.network.bit_line import BitLine, BitSources
from sim.network.delivery import Kernel
from sim.network.frames import Frame, duration_ns
from sim.network.messages import BusMessage, BusMode, FrameInFlight, LiveBus
from sim.network.station import Port, Station
from sim.network.streams import NEVER
from sim.wiring.segments import Segment


class BitLevel(BusMode):
    """All members of a bus on one line, bit by bit."""

    def __init__(self, kernel: Kernel, bus: LiveBus, stations: dict[str, Station], rank: str) -> None:
        self._kernel = kernel
        self._bus = bus
        self._stations = stations
        self._rank = f"{bus.rank} {rank} bits"
        self._line = BitLine()
        self._line.on_level = partial(kernel.level, bus.segment)
        self._planned_ns = NEVER
        self._running = False
        self.ports: list[Port] = []
        bus.mode = self

    def form(self, now_ns: int, in_flight: Sequence[FrameInFlight] = ()) -> None:
        """Take up what the members are doing: ports from before, and frames on the wires.

        A channel that joins a busy line takes part from the next frame on.
        """
        ports = [station.port for station in self._stations.values() if station.port]
        busy = bool(in_flight) or any(not port.controller.parked for port in ports)
        for channel, station in self._stations.items():
            own_frames = [carried for carried in in_flight if channel in carried.participants]
            if station.port is None:
                station.port = Port(
                    self._kernel, self, self._bus, station, now_ns, late=busy and not own_frames
                )
            port = station.port
            if busy and port.controller.idle and not own_frames:
                port.node.late = True
            port.shared, port.bus, port.since_ns = self, self._bus, now_ns
            port.controller.classical = channel in self._bus.classical
            for carried in own_frames:
                port.catch_up(carried, now_ns)
            port.node.bit_ns = duration_ns(1, self._bus.bitrates_bps[channel])
            self.ports.append(port)
            self._line.add(port.node, now_ns)
        self._line.set_sources(_bit_sources(self._bus.segment), now_ns)
        for port in self.ports:
            if port.station.recovering and port.controller.dormant:
                self._line.recover(port.station.channel, now_ns)
        self._plan(now_ns)

    def port(self, channel: str) -> Port:
        """The port of a member."""
        return next(port for port in self.ports if port.station.channel == channel)

    def queued(self, message: BusMessage, now_ns: int) -> None:
        """An idle port may begin."""
        if not self._running:
            self._plan(now_ns)

    def restart(self, channel: str, now_ns: int) -> None:
        """The channel's controller has been reset: what it was sending breaks off."""
        port = self.port(channel)
        at = self.ports.index(port)
        port.message = None
        fresh = Port(self._kernel, self, self._bus, port.station, now_ns, late=True)
        port.station.port = fresh
        self.ports[at] = fresh
        self._line.replace(port.node, fresh.node)
        self._plan(now_ns)

    def due(self, now_ns: int, before_ns: int) -> None:
        """Bits, up to the next entry of the calendar or the next event of others."""
        bus, line = self._bus, self._line
        if bus.mode is not self or now_ns != self._planned_ns:
            return
        self._planned_ns = NEVER
        self._running = True
        line.start(now_ns)
        while True:
            line.run(now_ns, min(before_ns, self._kernel.calendar.next_ns()))
            now_ns = max(now_ns, line.time_ns)
            if not line.resting:
                if line.due_ns < min(before_ns, self._kernel.calendar.next_ns()):
                    continue
                self._plan(line.due_ns)
                break
            if not bus.confused:
                self._end(now_ns)
                break
            line.let_in()
            line.start(now_ns)
            if line.resting:
                break
        self._running = False

    def _end(self, now_ns: int) -> None:
        for port in self.ports:
            port.station.port = None
        self._kernel.settle(self._bus, now_ns)

    def accepted(self, frame: Frame, by: Port) -> None:
        """A port has received a frame: whichever port is sending just this is heard by it."""
        for port in self.ports:
            if port.message is not None and port.frame.in_classical_shape == frame and port is not by:
                port.heard.add(by.station.channel)

    def interrupt(self) -> None:
        """Something has entered the calendar."""
        self._line.interrupted = True

    def _plan(self, at_ns: int) -> None:
        if at_ns != self._planned_ns:
            self._planned_ns = at_ns
            self._kernel.calendar.plan(at_ns, self._rank, self)


def _bit_sources(segment: Segment) -> dict[str, BitSources]:
    """Whose dominant bits each member reads."""
    members = frozenset(segment.members)
    misses = {one.channel: frozenset(one.misses) for one in segment.faults}
    swapped = {one.channel for one in segment.faults if one.swapped}
    held = {one.channel for one in segment.faults if one.held}
    reach = {}
    for reader in segment.members:
        read = members - misses.get(reader, frozenset())
        same = frozenset(one for one in read if (one in swapped) == (reader in swapped))
        reach[reader] = BitSources(same, read - same, reader in held)
    return reach
