"""Faults inside modules that disturb buses, and the segments of the channels that are awake.

A module whose transmit input is stuck holds its bus dominant while it is awake; a transceiver with a dominant
time-out lets go after some milliseconds and is mute from then on, until the module starts again. A babbling
module sends the highest priority back to back while it is awake, and never finds a reason to sleep.

Not modeled: a module that babbles with error flags, which no intact controller can; output stages that are
shorted after the time-out (use `short` between the lines).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from sim.modules.world import Timer, World
from sim.network.streams import Stream
from sim.vehicle.elements import TESTER, Transceiver
from sim.wiring.connectivity import Connectivity
from sim.wiring.segments import ChannelFault, Segment

BABBLE_ID = 0x000  # no identifier goes before it
BABBLE_DATA = bytes(8)
# less than the shortest frame of 8 bytes takes (111 bits), so that the next always waits when one ends
BABBLE_BITS = 100


class BusFaults:
    """The faults inside the modules of one car, at work.

    hears: is a channel's transceiver awake?
    """

    def __init__(self, world: World, edit_events: Mapping[str, int], hears: Callable[[str], bool]) -> None:
        self._world = world
        self._edit_events = edit_events
        self._hears = hears
        self._let_go: set[str] = set()  # stuck channels whose transceiver has timed out
        self._timers: dict[str, Timer] = {}
        self._babble: dict[str, Stream] = {}

    @property
    def dominant(self) -> frozenset[str]:
        """The channels that hold their lines dominant now."""
        stuck = self._world.car.harness.stuck
        return frozenset(name for name in stuck if name not in self._let_go and self._hears(name))

    def update(self) -> None:
        """Follow who is awake, and what has been done to modules."""
        state = self._world.car.harness
        for name in sorted(state.stuck | self._timers.keys()):
            self._update_stuck(name, name in state.stuck and self._hears(name))
        for name in sorted(state.babbling | self._babble.keys()):
            self._update_babbling(name, name in state.babbling and self._hears(name))

    def _update_stuck(self, name: str, drives: bool) -> None:
        module = self._world.car.transceivers[name].module
        limit_ms = self._world.car.built.modules[module].dominant_timeout_ms
        if drives and name not in self._timers and limit_ms != "none":
            self._timers[name] = self._world.after(limit_ms / 1000, lambda: self._time_out(name))
        elif not drives and name in self._timers:
            self._timers.pop(name).cancel()
            self._let_go.discard(name)

    def _time_out(self, name: str) -> None:
        channel = self._world.car.transceivers[name]
        self._let_go.add(name)
        words = f"{channel.module}'s transceiver times out and releases {channel.bus}"
        self._world.record(
            "bus", channel.module, words, (self._edit_events.get(name),), channel.bus, "released"
        )
        self._world.surroundings.invalidate()

    def _update_babbling(self, name: str, sends: bool) -> None:
        stream = self._babble.get(name)
        if stream is None:
            rate_bps = self._world.car.transceivers[name].bitrate_bps
            stream = Stream(f"babble@{name}", name, BABBLE_ID, BABBLE_BITS / rate_bps, 0.0, BABBLE_DATA)
            self._babble[name] = stream
        if sends and not stream.live:
            self._world.network.start(stream)
        elif not sends:
            self._world.network.stop(stream)


# -- segments of those who are awake -----------------------------------------------------------------------


def network_segments(
    connectivity: Connectivity,
    awake: frozenset[str],
    transceivers: Mapping[str, Transceiver],
    classical: frozenset[str] = frozenset(),
) -> tuple[Segment, ...]:
    """Who shares a bus, of those who are awake; a channel that shares one with no other is alone."""
    found = [_with_classical(_awake_part(line, awake), classical) for line in connectivity.shared_lines]
    found = [segment for segment in found if segment.members]
    members = {name for segment in found for name in segment.members}
    alone = sorted(awake - members)
    return (*found, *(Segment((name,), (), transceivers[name].bitrate_bps) for name in alone))


def _awake_part(line: Segment, awake: frozenset[str]) -> Segment:
    return line._replace(
        members=tuple(name for name in line.members if name in awake),
        listeners=tuple(name for name in line.listeners if name in awake),
        faults=tuple(fault for fault in line.faults if fault.channel in awake),
    )


def _with_classical(segment: Segment, classical: frozenset[str]) -> Segment:
    """The segment with those marked who do not know the CAN FD that others of it send."""
    old = classical.intersection(segment.members)
    if not old or old >= set(segment.members) - {TESTER}:  # no member sends FD frames of its own accord
        return segment
    known = {fault.channel: fault for fault in segment.faults}
    marked = {name: known.get(name, ChannelFault(name))._replace(classical=True) for name in sorted(old)}
    return segment._replace(faults=tuple((known | marked).values()))
