"""A module's place in the network management of one of its buses.

It ties the state machine (`network_management.py`) to the clock, the network and the trace: management frames
are streams like any other, with the node's number in byte 0 and the control bit vector in byte 1. NM-Timeout
is looked at when it may run out, against the last frame that the network says was received or confirmed, so
that frames which change nothing cost nothing.

Not modeled: a repeat message bit that was ignored in repeat message and stays set is not looked at again.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from sim.modules.network_management import NETWORK_MODE, NmNode, NmState
from sim.modules.partial_network import PartialNetworks
from sim.modules.world import Host, Timer, World
from sim.network.streams import Stream
from sim.vehicle.description_wiring import NetworkManagement

SPREAD_S = 0.0037  # between the frames of nodes that start together, as between other messages


class NetworkUser(Protocol):
    """Who is told what the management of a bus means for its module (`Sleep`)."""

    def bus_wakes(self, managed: ManagedBus) -> None:
        """A management frame has come over a bus that was in bus sleep for the module."""

    def bus_changed(self, managed: ManagedBus) -> None:
        """The bus has fallen asleep or woken up."""

    @property
    def needs_everything(self) -> bool:
        """Does the module ask for all partial networks, not its own alone?"""


class ManagedBus:
    """One module on one managed bus. event: since when it is in its state; noticed: it was woken over it."""

    def __init__(self, host: Host, user: NetworkUser, bus: str, times: NetworkManagement) -> None:
        self.bus = bus
        self.channel = host.channels[bus]
        self.node = NmNode(times, self._changed)
        self.partial = PartialNetworks(times, host.name)
        self._host = host
        self._user = user
        self._world = host.world
        self.event: int | None = None
        self.noticed: int | None = None
        self._causes: tuple[int | None, ...] = ()
        self._timer: Timer | None = None
        self._after_burst: Timer | None = None
        self._followed: list[Stream] = []

    @property
    def stream(self) -> Stream:
        """Its own management frame."""
        return self._world.management[self.bus][self._host.name]

    def connect(self) -> None:
        """Let its own frame carry its causes, and take notice of the other nodes on the bus."""
        self.stream.causes_of = lambda _: (self.event,)
        self.follow(list(self._world.management[self.bus].values()))

    def follow(self, streams: list[Stream]) -> None:
        """Take notice of these nodes' management frames from now on."""
        for stream in streams:
            if stream is not self.stream and stream not in self._followed:
                self._followed.append(stream)
                self._world.network.on_change(stream, self.channel, self._heard)

    # -- what the module wants -------------------------------------------------------------------------

    def request(self, *causes: int | None) -> None:
        """The module has a reason to be awake, known by these events."""
        if not self.node.requested:
            self._causes = causes
            self.node.request(self._now_s)
            self._arm()
        elif self.partial.exist:
            self._show_bits()

    def release(self, *causes: int | None) -> None:
        """It has none any more."""
        if self.node.requested:
            self._causes = causes
            self.node.release(self._now_s)
            if self.partial.exist:
                self._show_bits()

    def wakes(self, sender: str) -> bool:
        """Would what this module sends now wake the module from sleep? Any frame does, or a wake-up frame of
        one of its partial networks.
        """
        if not self.partial.selective:
            return True
        stream = self._world.management[self.bus].get(sender)
        return stream is not None and stream.live and self.partial.concerns(stream.data)

    def join(self) -> None:
        """It was woken over this bus."""
        self._causes = (self.noticed,)
        self.node.start_passively(self._now_s)
        self._arm()

    def ask_for_repeat(self, *causes: int | None) -> None:
        """A tester wants to see who is on the bus."""
        self._causes = causes
        self.node.ask_for_repeat(self._now_s)
        self._arm()

    def allow_sending(self, allowed: bool) -> None:
        """A tester stops or restores its management frames."""
        self.node.allow_sending(allowed, self._now_s)
        self._talk(self.node.times.msg_cycle_ms / 1000, 0.0)
        self._arm()

    def shut(self) -> None:
        """Supply lost, reset or asleep."""
        self.node.shut()
        self.event = self.noticed = None
        self._world.network.stop(self.stream)
        self._arm()

    # -- what happens ----------------------------------------------------------------------------------

    @property
    def _now_s(self) -> float:
        return self._world.now_s

    def _heard(self, stream: Stream, time_s: float) -> None:
        if not self.partial.concerns(stream.delivered):
            return
        causes = stream.causes_of("")
        if self.node.state == "bus sleep":
            (self.noticed,) = causes
            self._user.bus_wakes(self)
            return
        self._causes = causes
        self.node.received(stream.delivered[1], time_s)
        self._arm()

    def _changed(self, old: NmState, why: str) -> None:
        node, network = self.node, self._world.network
        words = f"{self._host.name} on {self.bus}: from {old} to {node.state} ({why})"
        self.event = self._host.record("network management", words, (*self._causes, self.event))
        if node.state == "repeat message":
            self._begin(at_once=why != "passive start-up")
        elif not node.sends:
            network.stop(self.stream)
        elif old == "ready sleep":
            self._talk(node.times.msg_cycle_ms / 1000, 0.0)
        self._show_bits()
        if (old in NETWORK_MODE) != node.in_network_mode or node.state == "bus sleep":
            self._user.bus_changed(self)
        else:
            self._host.invalidate()

    def _begin(self, at_once: bool) -> None:
        """The first frames: a quick series where the node itself starts, else in turn with the others."""
        times = self.node.times
        self._world.network.stop(self.stream)
        self._show_bits()
        if not at_once:
            number = self.stream.data[0]
            self._talk(times.msg_cycle_ms / 1000, number * SPREAD_S % (times.msg_cycle_ms / 1000))
        elif self.node.woke_actively and times.immediate_transmissions:
            self._talk(times.immediate_cycle_ms / 1000, 0.0)
            burst_s = times.immediate_transmissions * times.immediate_cycle_ms / 1000
            self._after_burst = self._world.after(burst_s, self._slow_down)
        else:
            self._talk(times.msg_cycle_ms / 1000, 0.0)

    def _slow_down(self) -> None:
        times = self.node.times
        self._world.network.stop(self.stream)
        self._talk(times.msg_cycle_ms / 1000, (times.msg_cycle_ms - times.immediate_cycle_ms) / 1000)

    def _talk(self, period_s: float, offset_s: float) -> None:
        """Send its frame from now on, if it may; a quick series in progress is broken off."""
        if self._after_burst:
            self._after_burst.cancel()
        network = self._world.network
        if not self.node.sends:
            network.stop(self.stream)
        elif not self.stream.live:
            self.stream.period_s, self.stream.offset_s = period_s, offset_s
            network.start(self.stream)

    def _show_bits(self) -> None:
        number, node = self.stream.data[0], self.node
        bits = self.partial.requested(self._user.needs_everything) if node.requested else 0
        data = self.partial.frame_data(number, node.control_bits, bits)
        changed = self.partial.exist and data != self.stream.data
        self._world.network.set_data(self.stream, data)
        if changed:
            self._world.surroundings.invalidate()

    # -- timers ----------------------------------------------------------------------------------------

    def _arm(self) -> None:
        due_s = self.node.due_s
        if self._timer and self._timer.waiting:
            if due_s is not None and self._timer.due_s <= due_s:
                return  # it updates then
            self._timer.cancel()
        if due_s is not None:
            self._timer = self._world.after(max(0.0, due_s - self._now_s), self._due)

    def _due(self) -> None:
        followed = self._followed
        if self.partial.selective:
            followed = [stream for stream in followed if self.partial.concerns(stream.delivered)]
        last_s = self._world.network.last_heard_at([self.stream, *followed], self.channel)
        self._causes = ()
        self.node.update(self._now_s, last_s or 0.0)
        self._arm()


def is_open(managed: Mapping[str, ManagedBus], bus: str) -> bool:
    """May messages run on a bus: is it in network mode, or without network management?"""
    one = managed.get(bus)
    return one is None or one.node.in_network_mode


def management_streams(world: World) -> dict[str, dict[str, Stream]]:
    """The management frame of every node, by bus and module, in the file's order."""
    found: dict[str, dict[str, Stream]] = {}
    numbers = {name: number for number, name in enumerate(world.car.built.modules)}
    for (name, bus), can_id in world.car.messages.management_ids.items():
        times = world.car.built.buses[bus].network_management
        assert times is not None  # that is why it has an identifier
        data = PartialNetworks(times, name).frame_data(numbers[name], 0, 0)
        stream = Stream(f"network management@{bus}", f"{name}.{bus}", can_id, 1.0, 0.0, data)
        found.setdefault(bus, {})[name] = stream
    return found
