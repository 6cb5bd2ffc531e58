"""Who shares a bus line, and what is wrong between each of them and the line.

A *channel* is one transceiver of one module on one bus, such as "ECM.powertrain". The wiring solves segments
from the levels on the lines; the network simulates what becomes of the frames on them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from typing import NamedTuple

import networkx as nx

from sim.vehicle.elements import TESTER

SAMPLE_POINT_PCT = 80  # share of a bit before a receiver reads it; common practice


class ChannelFault(NamedTuple):
    """What is wrong between one channel and its segment's line. A channel without one is healthy.

    bitrate_bps: its own bit rate, if it differs from the segment's.
    misses: channels whose dominant bits it reads as recessive; itself if it cannot read back its own.
    swapped: its two wires are exchanged, so that dominant bits of others and its own cancel.
    held: it reads dominant whatever is sent.
    bit_error_rate: share of bits that noise makes it read wrong, 0 to 1.
    classical: it does not know CAN FD, which the others use.
    """

    channel: str
    bitrate_bps: int | None = None
    misses: tuple[str, ...] = ()
    swapped: bool = False
    held: bool = False
    bit_error_rate: float = 0.0
    classical: bool = False

    @property
    def misreads(self) -> bool:
        """Does the channel read other bits than the rest of its segment, apart from noise?"""
        return bool(self.bitrate_bps or self.misses or self.swapped or self.held or self.classical)

    def confuses(self, segment: Segment) -> bool:
        """Does it keep the segment from being one bus, on which all members read the same bits?"""
        others = len(segment.members) > 1
        alien = (self.swapped or self.classical) and others
        return self.held or alien or any(name in segment.members for name in self.misses)


class Segment(NamedTuple):
    """Channels that share a line: members hear each other both ways, listeners hear members unheard.

    If there are faults, members may fail to hear each other as the faults say. A listener sends nothing, no
    error flag either (listen-only). A channel is a member of one segment at most. One that is in none, or is
    the only member, has no other to acknowledge its frames; it may listen in another segment.
    """

    members: tuple[str, ...]
    listeners: tuple[str, ...] = ()
    bitrate_bps: int = 500_000
    faults: tuple[ChannelFault, ...] = ()

    @property
    def understands(self) -> bool:
        """Do all members read the same bits, apart from noise?"""
        return not any(fault.misreads for fault in self.faults)


# Noise between the lines, as one standard deviation: an assumption of this model. It turns a margin of 0.1 V
# into one wrong bit in 2,300, and leaves practically no wrong bit from 0.2 V on.
NOISE_V = 0.03
LEAST_BIT_ERROR_RATE = 1e-7  # one wrong bit in some minutes of a busy bus

Pair = tuple[str, str]


@dataclass(frozen=True, eq=False)
class ClusterConnectivity:
    """Who reads whom on one cluster.

    links: (sender, receiver). margins_v: per link, the distance from the nearer threshold of the receiver.
    disrupts: (one channel, another whose frames it destroys).
    bitrates_bps, pair_ohm: of every powered channel, its bit rate and the resistance between its lines.
    missed: (sender, receiver) where the receiver misses the sender's dominant bits, the sender itself too.
    swapped: channels whose pull goes the wrong way.
    held: channels that read dominant, or nothing certain, while all are recessive.
    can_send: channels that read their own bits back, with or without company.
    quality: on an Ethernet link, the signal quality index that each PHY reports, 1 to 7.
    """

    links: frozenset[Pair] = frozenset()
    margins_v: dict[Pair, float] = field(default_factory=dict)
    disrupts: frozenset[Pair] = frozenset()
    bitrates_bps: dict[str, int] = field(default_factory=dict)
    pair_ohm: dict[str, float] = field(default_factory=dict)
    missed: frozenset[Pair] = frozenset()
    swapped: frozenset[str] = frozenset()
    held: frozenset[str] = frozenset()
    can_send: frozenset[str] = frozenset()
    quality: dict[str, int] = field(default_factory=dict)

    @cached_property
    def segments(self) -> tuple[Segment, ...]:
        """Who shares a line; no channel is a member of two of them, and one may be in none."""
        return tuple(_segments(self))


@dataclass(frozen=True, order=True)
class _Group:
    """Channels on one line, and whether one of them disturbs another."""

    members: tuple[str, ...]
    disturbed: bool = False


def _segments(links: ClusterConnectivity) -> Iterator[Segment]:
    names, mutual, harmful = _relations(links)
    groups = sorted(_groups(names, mutual, harmful))
    shared = [one for one in groups if one.disturbed or len(one.members) > 1]
    members = {name for one in shared for name in one.members}
    taken = set(members)
    for group in shared:
        segment = _segment(links, group, taken)
        taken |= set(segment.listeners)
        yield segment
    for name in names:
        if name not in members and ((name, name) in links.missed or name in links.held):
            yield _segment(links, _Group((name,), True), set(names))


def _relations(links: ClusterConnectivity) -> tuple[list[str], list[Pair], set[Pair]]:
    """The channels, which of them hear each other, and pairs of which one disturbs the other."""
    names = sorted(links.bitrates_bps)
    mutual = [(a, b) for a, b in sorted(links.links) if a < b and (b, a) in links.links]
    harmful = set(_harmful(links, mutual))
    if harmful and all(TESTER in pair for pair in harmful):
        # a technician takes a tester off a line that it disturbs
        names = [name for name in names if name != TESTER]
        mutual, harmful = [pair for pair in mutual if TESTER not in pair], set()
    return names, mutual, harmful


def _harmful(links: ClusterConnectivity, mutual: list[Pair]) -> Iterator[Pair]:
    """Pairs of which one disturbs the other."""
    rates, missed = links.bitrates_bps, links.missed
    yield from ((a, b) for a, b in mutual if rates[a] != rates[b])
    yield from links.disrupts
    yield from pairwise(sorted(links.held))
    # a channel that no other hears suffers alone if it sends at the same time as others: it listens
    conversing = sorted({name for pair in mutual for name in pair})
    for speaker in sorted(rates):
        for victim in conversing:
            if victim != speaker and (speaker, victim) not in missed and _is_deaf(links, speaker, victim):
                yield speaker, victim


def _is_deaf(links: ClusterConnectivity, speaker: str, victim: str) -> bool:
    """Does a speaker go on while its victim sends, or take its own bits for errors?"""
    return (victim, speaker) in links.missed or (speaker, speaker) in links.missed


def _groups(names: list[str], mutual: list[Pair], harmful: set[Pair]) -> Iterator[_Group]:
    graph: nx.Graph[str] = nx.Graph()
    graph.add_nodes_from(names)
    graph.add_edges_from([*mutual, *sorted(harmful)])
    affected = {name for pair in harmful for name in pair}
    for component in nx.connected_components(graph):
        if affected.isdisjoint(component):
            yield from map(_Group, _consistent_groups(graph.subgraph(component)))
        else:
            yield _Group(tuple(sorted(component)), True)


def _consistent_groups(mutual: nx.Graph[str]) -> Iterator[tuple[str, ...]]:
    """Groups whose members all hear each other: the largest first, ties by name, then of what is left."""
    left = set(mutual)
    while left:
        graph = mutual.subgraph(left)
        if graph.number_of_edges() == len(left) * (len(left) - 1) // 2:
            group = tuple(sorted(left))
        else:
            cliques = (tuple(sorted(one)) for one in nx.find_cliques(graph))
            group = min(cliques, key=lambda one: (-len(one), one))
        yield group
        left -= set(group)


def _segment(links: ClusterConnectivity, group: _Group, taken: set[str]) -> Segment:
    rates = [links.bitrates_bps[name] for name in group.members]
    rate_bps = max(sorted(set(rates)), key=rates.count)
    heard = {receiver for sender, receiver in links.links if sender in group.members}
    listeners = sorted(one for one in heard - taken if links.bitrates_bps[one] == rate_bps)
    found = [_fault(links, name, group, rate_bps) for name in group.members]
    faults = tuple(one for one in found if one != ChannelFault(one.channel))
    return Segment(group.members, tuple(listeners), rate_bps, faults)


def _fault(links: ClusterConnectivity, name: str, group: _Group, rate_bps: int) -> ChannelFault:
    margins = [links.margins_v[one, name] for one in group.members if (one, name) in links.margins_v]
    noise = _bit_error_rate(min(margins, default=1.0))
    if not group.disturbed:
        return ChannelFault(name, bit_error_rate=noise)
    own_bps, held, swapped = links.bitrates_bps[name], name in links.held, name in links.swapped
    misses = tuple(
        one
        for one in group.members
        if not held and (one, name) in links.missed and (one in links.swapped) == swapped
    )
    return ChannelFault(name, None if own_bps == rate_bps else own_bps, misses, swapped, held, noise)


def _bit_error_rate(margin_v: float) -> float:
    """Share of bits that Gaussian noise carries over a threshold, rounded to one digit to stay the same."""
    rate = 0.5 * math.erfc(max(0.0, margin_v) / (NOISE_V * math.sqrt(2)))
    return float(f"{rate:.0e}") if rate >= LEAST_BIT_ERROR_RATE else 0.0
