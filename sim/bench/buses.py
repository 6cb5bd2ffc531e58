"""Who shares a bus or a LIN wire in a live car now, and since which event."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from sim.bench.bus_faults import network_segments
from sim.bench.links import EthernetLinks
from sim.bench.running_car import RunningCar
from sim.bench.traffic import Hop
from sim.modules.facts import Fact
from sim.modules.world import LIFELESS
from sim.network.streams import Stream
from sim.vehicle.elements import TESTER, part_of
from sim.wiring.connectivity import Connectivity
from sim.wiring.segments import Segment


class Buses:
    """The buses and LIN wires of one car. A module's channels reach each other through it.

    segments: the channels that share a bus now. connectivity: who could hear whom with supply, awake or not.
    wire_links: on LIN, sender and receiver of those awake. joined_events: by channel, since when it shares
    its bus with those that it shares it with.
    """

    def __init__(self, live: RunningCar) -> None:
        self._live = live
        self.segments: tuple[Segment, ...] = ()
        self.connectivity: Connectivity | None = None
        self.wire_links: frozenset[Hop] = frozenset()
        self.joined_events: dict[str, int] = {}
        self._links = EthernetLinks(live)
        self._together: dict[str, frozenset[str]] = {}  # by channel, all on its segment, if it joins buses
        self._senders: dict[str, list[str]] = {}  # by receiving channel, those that it could hear
        self._callers: dict[str, tuple[str]] = {}  # by slave, the master that it could hear

    # -- what changes ----------------------------------------------------------------------------------------

    def update(self) -> None:
        """Follow the wiring and the modules: who shares a bus now?"""
        self._update_buses()
        if self._live.car.lin:
            self._update_wires()

    def _update_buses(self) -> None:
        live, transceivers = self._live, self._live.car.transceivers
        powered = {
            channel
            for channel, part in transceivers.items()
            if part.module != TESTER and self._is_powered(part.module)
        }
        if live.tester_plugged and live.tester_has_power:
            powered.update(channel for channel, part in transceivers.items() if part.module == TESTER)
        self._note_connectivity(live.reading.connectivity(frozenset(powered)))
        assert self.connectivity is not None
        awake = frozenset(name for name in powered if part_of(name) == TESTER or self.is_awake(name))
        segments = network_segments(self.connectivity, awake, transceivers, live.car.classical_channels)
        segments = self._links.carried(segments, awake)
        if segments != self.segments:
            self._note_joined(segments)
            self.segments = segments
            live.network.set_segments(segments)
            self._follow_joined_buses()

    def _note_connectivity(self, connectivity: Connectivity) -> None:
        if connectivity is not self.connectivity:
            self.connectivity = connectivity
            self._senders = {}
            for sender, receiver in sorted(connectivity.links):
                self._senders.setdefault(receiver, []).append(sender)

    def _update_wires(self) -> None:
        live, ports = self._live, self._live.car.lin
        powered = frozenset(channel for channel, port in ports.items() if self._is_powered(port.module))
        links = live.reading.lin_links(powered)
        self._callers = {receiver: (sender,) for sender, receiver in sorted(links) if ports[sender].is_master}
        awake = {channel for channel in powered if live.modules[ports[channel].module].hears}
        links = frozenset(pair for pair in links if awake.issuperset(pair))
        for channel in sorted({channel for pair in links - self.wire_links for channel in pair}):
            self._note_joined_now(channel)
        self.wire_links = links
        masters = (port for port in ports.values() if port.is_master)
        live.lin.set_links(links, frozenset(port.bus for port in masters if live.modules[port.module].sends))

    def _follow_joined_buses(self) -> None:
        """Where a lead joins two buses, their modules hear each other's messages without a gateway."""
        together: dict[str, frozenset[str]] = {}
        for segment in self.segments:
            present = frozenset((*segment.members, *segment.listeners))
            if len({self._live.car.transceivers[channel].bus for channel in segment.members}) > 1:
                together.update(dict.fromkeys(present, present))
        if together != self._together:
            self._together = together
            for module in self._live.modules.values():
                module.retune()
                for managed in module.managed.values():
                    managed.follow(self._management_of(together.get(managed.channel, frozenset())))

    def _management_of(self, channels: frozenset[str]) -> list[Stream]:
        """The network management frames of these channels."""
        nodes = [node for on_bus in self._live.world.management.values() for node in on_bus.values()]
        return [stream for stream in nodes if stream.channel in channels]

    def _note_joined(self, segments: tuple[Segment, ...]) -> None:
        """Note why channels came together: the event of those that joined the largest former segment."""
        before = {c: n for n, old in enumerate(self.segments) for c in (*old.members, *old.listeners)}
        for segment in segments:
            present = (*segment.members, *segment.listeners)
            origins = [before.get(channel) for channel in present]
            known = sorted({origin for origin in origins if origin is not None})
            largest = max(known, key=origins.count, default=None)
            for channel, origin in zip(present, origins, strict=True):
                if origin is None or origin != largest:
                    self._note_joined_now(channel)

    def _note_joined_now(self, channel: str) -> None:
        events = (self._live.latest.trigger, self.sending_since(channel))
        self.joined_events[channel] = max(event for event in events if event is not None)

    def invalidate(self, module: str | None = None) -> None:
        """Let one module update at this instant; or, without a name, all of them and the wiring."""
        self._live.invalidate(module)

    def write(self, field: str, module: str, value: object, words: str) -> None:
        """A tester has written into a module."""
        self._live.write(field, module, value, words)

    # -- questions -------------------------------------------------------------------------------------------

    def link(self, channel: str) -> Fact:
        """Return the state of the Ethernet link at a channel, and since which event."""
        return self._links.of(channel)

    def link_quality(self, channel: str) -> int:
        """Return the signal quality index that a PHY reports, 0 without a link."""
        if self.connectivity is None or self.link(channel).value != "up":
            return 0
        return self.connectivity.quality.get(channel, 0)

    def is_awake(self, channel: str) -> bool:
        """Is a module's transceiver awake?"""
        return self._live.modules[self._live.car.transceivers[channel].module].hears

    def _is_powered(self, module: str) -> bool:
        return self._live.modules[module].state not in LIFELESS

    def powered(self) -> frozenset[str]:
        """Return the channels on CAN whose modules have supply, and the tester's."""
        return frozenset(
            channel
            for channel, part in self._live.car.transceivers.items()
            if part.module == TESTER or self._is_powered(part.module)
        )

    def sender_heard_on(self, channel: str) -> str | None:
        """Return the first channel that sends and that this one could hear."""
        return next(iter(self.senders_heard_on(channel)), None)

    def senders_heard_on(self, channel: str) -> Iterator[str]:
        """Yield the channels that send and that this one could hear."""
        could = (*self._senders.get(channel, ()), *self._callers.get(channel, ()))
        return (sender for sender in could if self._sends_on(sender))

    def sending_since(self, channel: str) -> int | None:
        """Return the event since which the owner of a channel is in its state."""
        if part_of(channel) == TESTER:
            return self._live.world.tester_event
        place = self._live.car.channels[channel]
        return self._live.modules[place.module].sending_since(place.bus)

    def _sends_on(self, channel: str) -> bool:
        if part_of(channel) == TESTER:
            return self._live.tester_active
        place = self._live.car.channels[channel]
        return self._live.modules[place.module].sends_on(place.bus)

    def linked(self, sender: str, receiver: str) -> bool:
        """Does one channel hear another now?"""
        if sender in self._live.car.lin:
            return (sender, receiver) in self.wire_links
        return any(
            sender in segment.members and receiver in (*segment.members, *segment.listeners)
            for segment in self.segments
            if segment.understands
        )

    def linked_channels(self) -> frozenset[str]:
        """Return the channels of modules that share a segment with another; none before the first update."""
        if self.connectivity is None:
            return frozenset()
        on_can = {channel for members, *_ in self.connectivity.segments for channel in members}
        return frozenset(on_can.union(*self.wire_links))

    def source(self, message: str, channel: str) -> Stream:
        """Return the stream that brings a message to a channel: its own bus's, or a joined bus's."""
        world = self._live.world
        own = world.streams[message, self._live.car.channels[channel].bus]
        together = self._together.get(channel, frozenset())
        if not together or own.channel in together:
            return own
        return next((one for one in world.streams_of[message] if one.channel in together), own)

    def hops(self, receiver: str, message: str) -> list[Hop]:
        """Return the path of a message to a module: who sends, who must hear."""
        car, streams = self._live.car, self._live.world.streams
        routes = {route.to_bus: route for route in car.messages.routes if route.message == message}
        channel = self._live.modules[receiver].reception.channel_of(message)
        source = self.source(message, channel)
        if source.channel in car.lin:
            return self._calls(source.channel, channel)
        bus = car.transceivers[source.channel].bus
        path = [(source.channel, channel)]
        while bus in routes and len(path) < 10:
            route = routes[bus]
            bus = route.from_bus
            path.insert(0, (streams[message, bus].channel, f"{route.gateway}.{bus}"))
        return path

    def _calls(self, sender: str, receiver: str) -> list[Hop]:
        """A LIN frame's path: the header to its sender, unless that is the master, and the response."""
        ports = self._live.car.lin
        bus = ports[sender].bus
        master = next(name for name, port in ports.items() if port.bus == bus and port.is_master)
        return [(a, b) for a, b in ((master, sender), (sender, receiver)) if a != b]

    def lone_senders(self) -> list[str]:
        """Return the channels that work and share their bus with no other."""
        able = self.connectivity.can_send if self.connectivity else frozenset()
        alone = [one.members[0] for one in self.segments if len(one.members) == 1 and not one.faults]
        return [name for name in alone if name in able]

    def babblers(self, channel: str) -> Iterable[str]:
        """Return the babbling channels on a channel's segment."""
        segment = next((one for one in self.segments if channel in one.members), None)
        return self._live.car.harness.babbling.intersection(segment.members) if segment else ()
