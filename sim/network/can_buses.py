"""The buses of one car that carry frames one by one, with the stations on them and the mode of each bus."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Literal

from sim.network.bit_level import BitLevel
from sim.network.calendar import Calendar
from sim.network.clock import FOREVER_NS
from sim.network.degraded import Degraded
from sim.network.delivery import Delivery, Kernel
from sim.network.frames import NS_PER_S, Frame
from sim.network.lone_transmitter import LoneTransmitter
from sim.network.messages import BusMessage, BusMode, LiveBus, Repeated
from sim.network.station import Notification, Station
from sim.network.streams import NEVER, Call, Stream
from sim.vehicle.ethernet import BITRATE_BPS as ETHERNET_BPS
from sim.wiring.segments import Segment

LevelTap = Callable[[float, Segment, tuple[str, ...]], None]
EventHandler = Callable[[float, str, str], None]


class CanBuses(Kernel):
    """The buses by channel, the streams at work on them, and every channel's station.

    off: channels in bus-off that do not recover yet.
    """

    def __init__(self, calendar: Calendar, seed: int, on_event: EventHandler | None) -> None:
        self.calendar = calendar
        self.delivery = Delivery(calendar)
        self.level_tap: LevelTap | None = None
        self.by_channel: dict[str, LiveBus] = {}  # by channel that sends in it
        self.messages: dict[Stream, Repeated] = {}
        self.off: set[str] = set()
        self._ranks: set[str] = set()  # of streams
        self._stations: dict[str, Station] = {}
        self._seed = seed
        self._on_event = on_event

    # What is there

    def bus(self, channel: str) -> LiveBus:
        """The segment at work that the channel sends in; alone in one until told otherwise."""
        bus = self.by_channel.get(channel)
        if bus is None:
            now_ns = self.calendar.now_ns()
            bus = self.by_channel[channel] = LiveBus(Segment((channel,)), now_ns)
            self.settle(bus, now_ns)
        return bus

    def heard_bus(self, channel: str) -> LiveBus:
        """The bus that the channel hears: the one it sends in unless it only listens."""
        listened = (bus for bus in self.all_buses() if channel in bus.segment.listeners)
        return next(listened, self.bus(channel))

    def all_buses(self) -> list[LiveBus]:
        """Every bus once."""
        return list(dict.fromkeys(self.by_channel.values()))

    def station(self, channel: str) -> Station:
        """The channel's station, created when it is first asked for."""
        station = self._stations.get(channel)
        if station is None:
            station = self._stations[channel] = Station(channel, self._seed)
        return station

    def message(self, stream: Stream) -> Repeated:
        """The stream at work; it joins its channel's bus when it is first asked for.

        Raises ValueError if its channel has another stream of its name and identifier.
        """
        message = self.messages.get(stream)
        if message is None:
            message = Repeated(stream)
            if message.rank in self._ranks:
                raise ValueError(
                    f"stream {stream.name}: {stream.channel} has another of that name and identifier"
                )
            self._ranks.add(message.rank)
            self.messages[stream] = message
            message.join(self.bus(stream.channel))
        return message

    # What bus modes ask for (`delivery.Kernel`)

    def level(self, segment: Segment, at_ns: int, names: tuple[str, ...]) -> None:
        if self.level_tap:
            self.level_tap(at_ns / NS_PER_S, segment, names)

    def settle(self, bus: LiveBus, now_ns: int) -> None:
        stations = {name: self.station(name) for name in sorted(bus.members)}
        bus.free_ns = FOREVER_NS
        rank = f"{self.calendar.next_serial():012d}"
        without_link = bus.bitrate_bps == ETHERNET_BPS and len(stations) == 1
        if not stations or without_link or any(name in self.off for name in stations):
            bus.mode = BusMode()
        elif bus.confused or any(station.recovering for station in stations.values()):
            BitLevel(self, bus, stations, rank).form(now_ns)
        elif len(stations) == 1:
            (station,) = stations.values()
            bus.mode = LoneTransmitter(self, bus, station, rank, now_ns)
        elif any(fault.bit_error_rate for fault in bus.segment.faults) or any(
            station.ailing for station in stations.values()
        ):
            bus.mode = Degraded(self, bus, stations, rank, now_ns)
        else:
            bus.mode = None
            bus.free_ns = now_ns
            if bus.waiting:
                self.calendar.plan(now_ns, bus.rank, bus)

    def forget_ends(self, bus: LiveBus, now_ns: int) -> None:
        for message in self.messages.values():
            if message.bus is bus:
                message.note_heard(now_ns)
                message.end_ns = message.prev_end_ns = NEVER

    def tell(self, channel: str, at_ns: int) -> bool:
        station = self.station(channel)
        state = station.counters.state
        if state == station.told:
            return False
        if station.told == "bus-off":
            station.recovering = False
        station.told = state
        calls: list[Call] = [partial(handler, state) for handler in station.handlers]
        becomes: Literal["bus-off"] | None = "bus-off" if state == "bus-off" else None
        self.calendar.plan_state(at_ns, channel, Notification(calls, station, becomes))
        return True

    def destroyed(self, message: BusMessage, frame: Frame, at_ns: int) -> None:
        on_event = self._on_event
        if on_event:
            who = message.stream.name if isinstance(message, Repeated) else str(frame)
            told = Notification([lambda time_s: on_event(time_s, "frame destroyed", who)])
            self.calendar.plan_state(at_ns, who, told)
