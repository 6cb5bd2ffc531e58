"""Changes of the segments: which channels share a bus, and what becomes of frames that are on the wires then.

The wiring says which channels share a bus; a channel in bus-off is alone until it recovers.
"""

from __future__ import annotations

from collections.abc import Iterable

from sim.network.bit_level import BitLevel
from sim.network.can_buses import CanBuses
from sim.network.clock import FOREVER_NS, to_ns
from sim.network.degraded import Degraded
from sim.network.frames import NS_PER_S
from sim.network.lone_transmitter import LoneTransmitter
from sim.network.messages import BusMessage, BusMode, Flight, FrameInFlight, LiveBus, LoneAttempt
from sim.network.station import Notification, Station
from sim.wiring.segments import Segment


class Regrouping:
    """Forms new buses when segments change, or when a channel goes bus-off or comes back.

    frames_before: frames begun on buses that are no more.
    """

    def __init__(self, buses: CanBuses) -> None:
        self._buses = buses
        self._wanted: dict[str, Segment] = {}  # by member, as the wiring says
        self.frames_before = 0

    def set_segments(self, segments: Iterable[Segment]) -> None:
        """Which channels share a bus from now on, as the wiring says. Raises ValueError (`Network`)."""
        self._wanted = by_member(segments)
        self._regroup(self._buses.calendar.now_ns())

    # Bus-off and back

    def notify(self, notification: Notification, now_ns: int) -> int:
        """Make a notification's calls, and return their number. A channel in bus-off leaves its bus."""
        station = notification.station
        if station and notification.becomes == "bus-off":
            self._switch_off(station, now_ns)
        elif station and notification.becomes == "recovering":
            self._recover(station, now_ns)
        for call in notification.calls:
            call(now_ns / NS_PER_S)
        return len(notification.calls)

    def _switch_off(self, station: Station, now_ns: int) -> None:
        station.offs += 1
        self._buses.off.add(station.channel)
        self._regroup(now_ns, station.channel)
        recovery = station.recovery
        if recovery:
            delay_s = recovery.first_s if station.offs <= recovery.count else recovery.later_s
            station.pending = Notification([], station, "recovering")
            self._buses.calendar.plan_state(now_ns + to_ns(delay_s), station.channel, station.pending)

    def _recover(self, station: Station, now_ns: int) -> None:
        self._buses.off.discard(station.channel)
        station.recovering = True
        self._regroup(now_ns, station.channel)

    def restart(self, channel: str) -> None:
        """The channel's controller restarts."""
        station, now_ns = self._buses.station(channel), self._buses.calendar.now_ns()
        station.reset()
        self._buses.calendar.cross_out(station.pending)
        mode = self._buses.bus(channel).mode
        if channel in self._buses.off:
            self._buses.off.discard(channel)
            station.port = None
            self._regroup(now_ns, channel)
        elif mode:
            mode.restart(channel, now_ns)

    # From old buses to new ones

    def _segments_now(self) -> dict[str, Segment]:
        """The segment of each channel: as the wiring says, but a channel in bus-off is alone."""
        off = self._buses.off
        present = {
            channel: _without(segment, off) if off else segment
            for channel, segment in self._wanted.items()
            if channel not in off
        }
        return {
            channel: present.get(channel) or Segment((channel,), (), self._buses.bus(channel).bitrate_bps)
            for channel in sorted(self._buses.by_channel.keys() | self._wanted.keys())
        }

    def _regroup(self, now_ns: int, renewed: str | None = None) -> None:
        """Form new buses where the segment of a channel changes, and carry over what the old ones did."""
        buses = self._buses
        segments = self._segments_now()
        changed = [
            channel
            for channel, segment in segments.items()
            if channel == renewed or buses.bus(channel).segment != segment
        ]
        old_buses = list(dict.fromkeys(buses.by_channel[channel] for channel in changed))
        new_buses = {segments[channel]: LiveBus(segments[channel], now_ns) for channel in changed}
        moved = [message for message in buses.messages.values() if message.bus in old_buses]
        waiting = [message for bus in old_buses for _, message in bus.waiting]
        in_flight = [carried for bus in old_buses if (carried := self._in_flight(bus, now_ns))]
        in_pause = [bus for bus in old_buses if bus not in [carried.bus for carried in in_flight]]
        sending = self._half_sent(changed)

        self._close(old_buses, now_ns)
        for message in moved:
            message.note_heard(now_ns)
        for channel in changed:
            buses.by_channel[channel] = new_buses[segments[channel]]
        for carried_over in (*moved, *waiting, *sending, *(carried.message for carried in in_flight)):
            carried_over.join(buses.by_channel[carried_over.channel])
            carried_over.waits = False
        for new in new_buses.values():
            new.mode, new.free_ns = BusMode(), FOREVER_NS
        for left_over in waiting:
            buses.delivery.queue(left_over, now_ns)
        for carried in in_flight:
            self._cut(carried, now_ns)
        for new in new_buses.values():
            pauses = [_idle_ns(bus, now_ns) for bus in in_pause if bus.members & new.members]
            self._form(new, in_flight, now_ns, max(pauses, default=now_ns))
        for message in moved:
            message.watch_group.calm = False
            message.forget_absent(message.audience)
            buses.delivery.attend(message, now_ns)
        buses.calendar.wake_for_next()

    def _half_sent(self, channels: list[str]) -> list[BusMessage]:
        """What the channels are sending on lines that are simulated bit by bit."""
        ports = [self._buses.station(channel).port for channel in channels]
        return [port.message for port in ports if port and port.message is not None]

    def _close(self, old_buses: list[LiveBus], now_ns: int) -> None:
        for bus in old_buses:
            self._buses.level(bus.segment, now_ns, ())  # the new buses tell what is held from now on
            self.frames_before += bus.frames
            self._buses.calendar.cross_out(bus)
            self._buses.calendar.cross_out(bus.mode)

    def _in_flight(self, bus: LiveBus, now_ns: int) -> FrameInFlight | None:
        """The frame that a bus carries at this moment, unless it goes bit by bit."""
        mode = bus.mode
        if isinstance(mode, LoneTransmitter):
            mode.count(now_ns)
            attempt = mode.on_the_wire(now_ns)
            if attempt is None:
                return None
            return FrameInFlight(bus, attempt.message, frozenset((attempt.message.channel,)), attempt)
        if bus.sending is None:
            return None
        self._buses.delivery.follow_sent(bus.sending, now_ns)
        flight = bus.sending.flight
        if flight is None or flight.end_ns == now_ns:
            return None  # complete
        return FrameInFlight(bus, flight.message, flight.audience | {flight.message.channel}, flight)

    def _cut(self, carried: FrameInFlight, now_ns: int) -> None:
        """A channel that changes its bit rate in the middle of a frame is out of it."""
        carried.participants = frozenset(
            name
            for name in carried.participants & self._buses.by_channel.keys()
            if self._buses.by_channel[name].bitrates_bps.get(name) == carried.bus.bitrate_bps
        )
        message, what = carried.message, carried.what
        if message.channel not in carried.participants and isinstance(what, Flight):
            self._destroy(what, now_ns)

    def _form(self, new: LiveBus, in_flight: list[FrameInFlight], now_ns: int, idle_ns: int) -> None:
        """Let a new bus begin with what is on its wires; idle_ns: when intermissions are over."""
        in_flight = [carried for carried in in_flight if carried.participants & new.members]
        stations = {name: self._buses.station(name) for name in sorted(new.members)}
        if any(name in self._buses.off for name in stations):
            self._buses.settle(new, now_ns)
            return
        at_rest = not new.confused and not any(
            station.recovering or (station.port and not station.port.controller.parked)
            for station in stations.values()
        )
        whole = [carried for carried in in_flight if carried.goes_on_in(new)]
        rank = f"{self._buses.calendar.next_serial():012d}"
        if at_rest and not in_flight:
            for station in stations.values():
                station.port = None
            self._buses.settle(new, idle_ns)
        elif at_rest and len(in_flight) == 1 and whole:
            self._go_on(new, whole[0].flight, now_ns)
        elif at_rest and len(stations) == 1 and in_flight[0].message.channel in stations:
            attempt = self._deserted(in_flight[0], now_ns)
            (station,) = stations.values()
            new.mode = LoneTransmitter.after(self._buses, new, station, rank, attempt, now_ns)
        else:
            self._break(new, in_flight, stations, rank, now_ns)

    def _go_on(self, new: LiveBus, flight: Flight, now_ns: int) -> None:
        """A frame keeps its sender and one receiver at least: it goes on."""
        flight.audience &= new.audience
        flight.broken = True
        new.sending = flight.message
        self._buses.settle(new, flight.end_ns + new.intermission_ns)

    def _deserted(self, carried: FrameInFlight, now_ns: int) -> LoneAttempt:
        """The receivers of a frame have gone; its sender does not know yet."""
        counters = self._buses.station(carried.message.channel).counters
        attempt = carried.attempt(counters.transmit)
        counters.transmit = attempt.transmit
        if isinstance(carried.what, Flight):
            self._destroy(carried.what, now_ns)
        return attempt

    def _break(
        self,
        new: LiveBus,
        in_flight: list[FrameInFlight],
        stations: dict[str, Station],
        rank: str,
        now_ns: int,
    ) -> None:
        """Everything else is taken bit by bit."""
        for carried in in_flight:
            sender = stations.get(carried.message.channel)
            if sender and isinstance(carried.what, Flight):
                self._drop_flight(carried.what)
            elif sender and isinstance(carried.what, LoneAttempt):
                sender.counters.transmit = carried.what.transmit
                if carried.message.waits and carried.message.version == carried.what.version:
                    new.dequeue(carried.message)
        BitLevel(self._buses, new, stations, rank).form(now_ns, in_flight)

    def _destroy(self, flight: Flight, now_ns: int) -> None:
        self._drop_flight(flight)
        self._buses.destroyed(flight.message, flight.frame, now_ns)
        if flight.message.live:
            self._buses.delivery.queue(flight.message, now_ns)

    def _drop_flight(self, flight: Flight) -> None:
        self._buses.calendar.cross_out(flight)
        flight.message.flight = None
        self.frames_before -= 1


def _idle_ns(bus: LiveBus, now_ns: int) -> int:
    """When the intermission after the bus's last frame is over."""
    if isinstance(bus.mode, Degraded):
        return max(now_ns, bus.mode.idle_ns)
    return now_ns if bus.mode else max(now_ns, bus.free_ns)


def _without(segment: Segment, gone: set[str]) -> Segment:
    """The segment as it is for those that are left."""
    if gone.isdisjoint(segment.members) and gone.isdisjoint(segment.listeners):
        return segment
    return segment._replace(
        members=tuple(name for name in segment.members if name not in gone),
        listeners=tuple(name for name in segment.listeners if name not in gone),
        faults=tuple(fault for fault in segment.faults if fault.channel not in gone),
    )


def by_member(segments: Iterable[Segment]) -> dict[str, Segment]:
    """Each member's segment, the names inside sorted so that equal segments compare equal.

    A listener has none to send in: its own frames get nowhere.
    """
    present: dict[str, Segment] = {}
    sending: dict[str, Segment] = {}
    for given in segments:
        members, listeners = tuple(sorted(given.members)), tuple(sorted(given.listeners))
        faults = tuple(sorted(given.faults, key=lambda fault: fault.channel))
        segment = Segment(members, listeners, given.bitrate_bps, faults)
        for fault in faults:
            if fault.channel not in members:
                raise ValueError(f"fault of {fault.channel}: it is no member of {segment}")
        sending.update(dict.fromkeys(members, segment))
        for channel in (members if len(members) > 1 else ()) + listeners:
            if channel in present:
                raise ValueError(f"channel {channel} is in two segments: {present[channel]} and {segment}")
            present[channel] = segment
    return sending
