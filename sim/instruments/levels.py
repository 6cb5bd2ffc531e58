"""Levels between two points while modules send: what an instrument put there is part of.

An instrument sees the network as a voltage with a series resistance. On a bus that pair changes with who
holds the lines dominant. `seen` gives the pair for every such state with its share of time; a slow instrument
shows the average.

Not modeled: edges (the share of time they take is below 1 %).
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from sim.bench.observing import FrameSeen, Observed
from sim.instruments.attempts import Change, tried_shares
from sim.instruments.probed import Probed
from sim.network.frames import NS_PER_S, dominant_ns
from sim.network.lin import OnWire
from sim.vehicle.car import Car
from sim.vehicle.elements import TESTER
from sim.vehicle.problems import EditProblem
from sim.vehicle.terminal_graph import conductor_up_to
from sim.wiring.bus_clusters import BusCluster
from sim.wiring.wiring import Reading

Ran = FrameSeen | OnWire

DOMINANT = 0
ACKNOWLEDGE_FROM_END = 9  # slot, delimiter, seven bits of end of frame (ISO 11898-1)


@dataclass(frozen=True, slots=True)
class Traffic:
    """Who is dominant together, for which share of time, 0 to 1. known: False where no frames exist."""

    shares: tuple[tuple[tuple[str, ...], float], ...] = ()
    known: bool = True

    @classmethod
    def of(cls, observed: Observed) -> Traffic:
        """The traffic during an observation: senders' own dominant bits, receivers' acknowledgements.

        Of a bus that ran bit by bit it is who held the line dominant from one change to the next.
        """
        length_s = observed.end_s - observed.start_s
        if length_s <= 0:
            return cls()
        dominant_s: dict[tuple[str, ...], float] = defaultdict(float)
        for one in frame_by_frame(observed):
            bit_s = 1 / one.bitrate_bps
            if isinstance(one, OnWire):
                dominant_s[(one.sender,)] += one.bits.count(DOMINANT) * bit_s
                continue
            slot = 1 if one.acknowledged_by else 0
            dominant_s[(one.sender,)] += dominant_ns(one.frame, one.bitrate_bps) / NS_PER_S - bit_s
            dominant_s[one.acknowledged_by or (one.sender,)] += slot * bit_s
        for changes in bit_by_bit(observed).values():
            for (since_s, who), (until_s, _) in pairwise([*changes, (observed.end_s, ())]):
                dominant_s[who] += until_s - since_s if who else 0.0
        shares = ((who, share_s / length_s) for who, share_s in sorted(dominant_s.items()) if share_s)
        return cls(tuple(shares), observed.frame_fidelity)


def bit_by_bit(observed: Observed) -> dict[tuple[str, ...], list[Change]]:
    """Per bus that ran bit by bit, by its members: who held it dominant from which time on."""
    found: dict[tuple[str, ...], list[Change]] = {}
    for one in observed.levels:
        if one.dominant or one.members in found:
            found.setdefault(one.members, []).append((one.time_s, one.dominant))
    return found


def frame_by_frame(observed: Observed) -> tuple[Ran, ...]:
    """The frames, headers and responses that are not among the levels of a bus that ran bit by bit."""
    times_s: dict[str, list[float]] = defaultdict(list)
    for level in observed.levels:
        for name in level.dominant:
            times_s[name].append(level.time_s)
    ran: tuple[Ran, ...] = (*observed.frames, *observed.on_wires)
    return tuple(one for one in ran if not _any_within(times_s[one.sender], one))


def _any_within(times_s: list[float], one: Ran) -> bool:
    at = bisect_left(times_s, one.start_s)
    return at < len(times_s) and times_s[at] < one.end_s


@dataclass(frozen=True, slots=True)
class Seen:
    """Open voltage in V and inner resistance in ohm between two points, for a share of time."""

    volt: float
    ohm: float
    share: float


def now(bench: Probed) -> Reading:
    """Return the network now, the tester unplugged unless it is talking."""
    live = bench.live
    state = live.switch_state()
    if not live.tester_active:
        state = replace(state, running=state.running - {TESTER})
    return live.wiring.solve(state)


def seen(found: Reading, traffic: Traffic, a: str, b: str) -> tuple[Seen, ...]:
    """Return what is between two points: at rest, then while modules are dominant; empty if it floats."""
    rest = thevenin(found, a, b)
    if rest is None:
        return ()
    states = [Seen(*rest, 1.0)]
    near = channels_at(found, a, b)
    if not traffic.known and any(name in found.car.transceivers for name in near):
        raise EditProblem(f"{a} and {b} are on a bus: reading them needs a bench at frame fidelity")
    for who, share in traffic.shares:
        if set(near).intersection(who):
            dominant = thevenin(found.while_dominant(*who), a, b)
            if dominant is not None:
                states.append(Seen(*dominant, share))
    return tuple(states)


def average(states: tuple[Seen, ...], shown: Callable[[Seen], float]) -> float:
    """The average over time of what an instrument would show in each state."""
    rest = shown(states[0])
    return rest + sum(state.share * (shown(state) - rest) for state in states[1:])


def traffic_at(bench: Probed, found: Reading, observed: Observed) -> Traffic:
    """Return what was on the lines between the observation's points: frames, and what is tried in vain."""
    traffic = Traffic.of(observed)
    if not traffic.known:  # without a module that is awake there are no frames at any fidelity
        return traffic if bench.live.switch_state().running else Traffic()
    near = channels_at(found, *observed.what.points)
    tried = [
        share
        for one in clusters_of(found, near)
        for share in tried_shares(bench.live, one, observed.start_s).items()
    ]
    return Traffic((*traffic.shares, *tried))


def thevenin(found: Reading, a: str, b: str) -> tuple[float, float] | None:
    """Return the open voltage of a against b and its series resistance in ohm; None if nothing joins them."""
    ports = found.ports([(a, b)])
    volt = ports.voltage_v[0]
    return None if volt is None else (volt, float(np.maximum(0.0, ports.impedance_ohm[0, 0])))


def channels_at(found: Reading, *nodes: str) -> list[str]:
    """The transceivers whose lines, or whatever is shorted to these, reach one of the nodes."""
    reached = set().union(*(conductor(found.car, node) for node in nodes))
    apart = reached - _common(found.car)
    clusters = [one for one in found.wiring.clusters if not one.nodes.isdisjoint(apart)]
    near = [channel.id for one in clusters for channel in one.channels]
    return near + [port.id for port in found.car.lin.values() if port.node in reached]


def clusters_of(found: Reading, channels: Iterable[str]) -> list[BusCluster]:
    """The bus lines that any of these channels is on."""
    known = set(channels)
    return [one for one in found.wiring.clusters if known & {channel.id for channel in one.channels}]


def conductor(car: Car, node: str) -> frozenset[str]:
    """What wires, mated contacts and shorts join to a node, up to ground points and the distribution rail."""
    return conductor_up_to(car.joined_to, node, _common(car))


def _common(car: Car) -> set[str]:
    return {"BODY", "BAR", "BAT+", "BAT-", "BAT.POS", "BAT.NEG", *car.built.grounds}
