"""Who hears whom on the buses, from solved levels.

Each powered transceiver in turn holds its lines dominant, alone. A receiver hears it when

- it reads dominant: more than 0.9 V between its lines, while the sender drives;
- it reads recessive: less than 0.5 V with nobody driving, and again at the sample point of the first bit
  after the sender lets go (without terminators the lines discharge too slowly);
- its own lines stay inside its common-mode window, -2..+7 V against its own ground, in both states;
- the sender reads its own bits back by the same rules (else it stops sending: bit errors, ISO 11898-1).

Where these rules leave some who cannot be understood and disturb the others all the same, everybody on the
joined lines is in one segment, and a `ChannelFault` says what is wrong between a channel and the line;
error confinement (`sim.network`) says what becomes of them. A channel that is heard by
nobody and hears others does no harm: it listens.

The lines of one bus, and of buses that a lead or a short joins, make a *cluster*. A cluster is solved apart
from the rest of the car, which is seen at the modules' grounds (as sources, in steps of 0.05 V) and at the
ends of shorts (as open voltage and inner resistance), so that a switch elsewhere does not solve it again.

Not modelled: reflections, rise times, thermal shutdown, the fall of a module's own 5 V before its brown-out,
several shorts to one weak wire influencing each other; what an unheard module's own error counters make of
others that talk while it does; bit by bit what a line without terminators does (its modules are alone on it:
error passive, as they become on the real one).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from sim.vehicle.car import Car
from sim.vehicle.elements import TESTER, Element, Transceiver, Wire
from sim.wiring.oneway import Array, Leg, operating_point
from sim.wiring.power import BIAS_OHM, BIAS_V, ohm_of
from sim.wiring.segments import ChannelFault, Segment
from sim.wiring.solver import Circuit

if TYPE_CHECKING:
    from sim.wiring.wiring import Reading

Flags = NDArray[np.bool_]

# Receiver thresholds: transceiver data sheets, 'differential signal'; undefined between the two.
DOMINANT_V = 0.9
RECESSIVE_V = 0.5
# Common-mode window of ISO 11898-2:2003, as transceiver data sheets quote it.
COMMON_MODE_V = (-2.0, 7.0)
HIGH_LEG, LOW_LEG = Leg(supply_v=5.0), Leg()

# 5 ns/m at 120 ohm: computed. Chip pins 10 pF between the lines and 20 pF each to ground (from memory), with
# the usual filter capacitors (10..100 pF, data-sheet layout advice).
LINE_F_PER_M = 41.7e-12
NODE_F = 75e-12
SAMPLE_POINT = 0.8  # of a bit; common practice

# Noise between the lines, as one standard deviation: an assumption of this model. It turns a margin of 0.1 V
# into one wrong bit in 2,300, and leaves no wrong bit to speak of from 0.2 V on.
NOISE_V = 0.03
LEAST_BIT_ERROR_RATE = 1e-7  # one wrong bit in some minutes of a busy bus

# Below a terminator's value a series resistance leaves a conductor one net, above it parts it in two.
NET_OHM = 100.0

# What a driver is specified for: 45 ohm (transceiver data sheet, 'minimum load') and 65 ohm (test condition).
LEAST_LOAD_OHM, MOST_LOAD_OHM = 45.0, 65.0
MARGINAL_V = 0.2  # below half of what a healthy bus leaves; common practice

GROUND_STEP_V = 0.05
STIFF_OHM = 0.001

# A driver that pulls another's lines this far towards recessive is connected the wrong way round.
AGAINST_V = -0.1


@dataclass(frozen=True, slots=True)
class Part:
    """A whole element of a bus: its ends, resistance and, for a wire, length."""

    id: str
    a: str
    b: str
    ohm: float
    length_m: float


@dataclass(frozen=True)
class BusCluster:
    """Bus lines that are joined, their transceivers, and where shorts tie them to the rest of the car."""

    parts: tuple[Part, ...]
    channels: tuple[Transceiver, ...]
    contacts: tuple[str, ...]  # nodes outside, at the ends of shorts
    leads: frozenset[str]  # ids of those shorts
    stuck: frozenset[str] = frozenset()  # channels with a stuck transmit input: nothing of their own goes out

    @cached_property
    def _hash(self) -> int:
        return hash((self.parts, self.channels, self.contacts, self.stuck))

    def __hash__(self) -> int:
        return self._hash


@dataclass(frozen=True, eq=False)
class ClusterConnectivity:
    """One cluster's answer.

    links: (sender, receiver). margins_v: per link, the distance from the nearer threshold of the receiver.
    spoils: (who spoils, whose frames).
    bitrates_bps, pair_ohm: of every powered channel, its bit rate and the resistance between its lines.
    unread: (sender, receiver) where the receiver misses the sender's dominant bits, the sender itself too.
    able: who reads its own bits back, with or without company. swapped: whose pull goes the wrong way.
    held: who reads dominant, or nothing certain, with nobody sending.
    """

    links: frozenset[tuple[str, str]]
    margins_v: dict[tuple[str, str], float]
    spoils: frozenset[tuple[str, str]]
    bitrates_bps: dict[str, int]
    pair_ohm: dict[str, float]
    unread: frozenset[tuple[str, str]] = frozenset()
    swapped: frozenset[str] = frozenset()
    held: frozenset[str] = frozenset()
    able: frozenset[str] = frozenset()

    @cached_property
    def segments(self) -> tuple[Segment, ...]:
        """Who shares a line; nobody is a member of two of them, and one may be in none."""
        return tuple(_segments(self))


class Connectivity:
    """Links (sender, receiver) of all buses; `margins_v` of each link in V."""

    def __init__(self, answers: tuple[ClusterConnectivity, ...]) -> None:
        self._answers = answers
        self.links = frozenset(link for answer in answers for link in answer.links)
        self.margins_v = {link: volt for answer in answers for link, volt in answer.margins_v.items()}
        self.able = frozenset(name for answer in answers for name in answer.able)

    def segments(self) -> tuple[Segment, ...]:
        """Groups that communicate, sorted by their members; no channel is in two of them."""
        return self._understood

    def lines(self) -> tuple[Segment, ...]:
        """All that a network needs to know: those who communicate, and those who disturb or are disturbed.

        A channel of none is alone, with nobody to acknowledge its frames.
        """
        return self._lines

    @cached_property
    def _lines(self) -> tuple[Segment, ...]:
        return tuple(sorted(one for answer in self._answers for one in answer.segments))

    @cached_property
    def _understood(self) -> tuple[Segment, ...]:
        return tuple(one for one in self._lines if len(one.members) > 1 and one.understands)

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """What works but leaves little in hand, as sentences."""
        ohm_at = {name: ohm for answer in self._answers for name, ohm in answer.pair_ohm.items()}
        loads = (_load_note(segment.members[0], ohm_at[segment.members[0]]) for segment in self.segments())
        weak = (
            f"{receiver} hears {sender} with {volt * 1000:.0f} mV to spare"
            for (sender, receiver), volt in sorted(self.margins_v.items())
            if volt < MARGINAL_V
        )
        return (*(note for note in loads if note), *weak)


# -- who shares a line -------------------------------------------------------------------------------------


def _segments(answer: ClusterConnectivity) -> Iterator[Segment]:
    names = sorted(answer.bitrates_bps)
    mutual = [(a, b) for a, b in sorted(answer.links) if a < b and (b, a) in answer.links]
    harmful = set(_harmful(answer, mutual))
    if harmful and all(TESTER in pair for pair in harmful):
        # whoever holds a tester takes it off a line that it disturbs
        names = [name for name in names if name != TESTER]
        mutual, harmful = [pair for pair in mutual if TESTER not in pair], set()
    graph: nx.Graph[str] = nx.Graph()
    graph.add_nodes_from(names)
    graph.add_edges_from([*mutual, *sorted(harmful)])
    groups: list[tuple[tuple[str, ...], bool]] = []
    for component in nx.connected_components(graph):
        if any(one in component for pair in harmful for one in pair):
            groups.append((tuple(sorted(component)), True))
        else:
            groups += [(group, False) for group in _consistent_groups(graph.subgraph(component))]
    shared = [one for one in sorted(groups) if one[1] or len(one[0]) > 1]
    taken = {name for group, _ in shared for name in group}
    for group, disturbed in shared:
        segment = _shared(answer, group, taken, disturbed)
        taken |= set(segment.listeners)
        yield segment
    members = {name for group, _ in shared for name in group}
    for name in names:
        if name not in members and ((name, name) in answer.unread or name in answer.held):
            yield _shared(answer, (name,), set(names), True)


def _harmful(answer: ClusterConnectivity, mutual: list[tuple[str, str]]) -> Iterator[tuple[str, str]]:
    """Pairs of which one disturbs the other."""
    rates, unread = answer.bitrates_bps, answer.unread
    yield from ((a, b) for a, b in mutual if rates[a] != rates[b])
    yield from answer.spoils
    yield from pairwise(sorted(answer.held))
    # who is heard by nobody is the only one to suffer from talking at the same time as others: he listens
    conversing = sorted({name for pair in mutual for name in pair})
    for speaker in sorted(rates):
        for victim in conversing:
            if victim != speaker and (speaker, victim) not in unread and _is_deaf(answer, speaker, victim):
                yield speaker, victim


def _is_deaf(answer: ClusterConnectivity, speaker: str, victim: str) -> bool:
    """Does a speaker go on while its victim sends, or take its own bits for errors?"""
    return (victim, speaker) in answer.unread or (speaker, speaker) in answer.unread


def _shared(answer: ClusterConnectivity, group: tuple[str, ...], taken: set[str], disturbed: bool) -> Segment:
    rates = [answer.bitrates_bps[name] for name in group]
    rate_bps = max(sorted(set(rates)), key=rates.count)
    heard = {receiver for sender, receiver in answer.links if sender in group}
    listeners = sorted(one for one in heard - taken if answer.bitrates_bps[one] == rate_bps)
    found = [_fault(answer, name, group, rate_bps, disturbed) for name in group]
    faults = tuple(one for one in found if one != ChannelFault(one.channel))
    return Segment(group, tuple(listeners), rate_bps, faults)


def _fault(
    answer: ClusterConnectivity, name: str, group: tuple[str, ...], rate_bps: int, disturbed: bool
) -> ChannelFault:
    margins = [answer.margins_v[one, name] for one in group if (one, name) in answer.margins_v]
    noise = _bit_error_rate(min(margins, default=1.0))
    if not disturbed:
        return ChannelFault(name, bit_error_rate=noise)
    own_bps, held = answer.bitrates_bps[name], name in answer.held
    swapped = name in answer.swapped
    misses = tuple(
        one
        for one in group
        if not held and (one, name) in answer.unread and (one in answer.swapped) == swapped
    )
    return ChannelFault(name, None if own_bps == rate_bps else own_bps, misses, swapped, held, noise)


def _bit_error_rate(margin_v: float) -> float:
    """Share of bits that Gaussian noise carries over a threshold, in one digit so that it stays the same."""
    rate = 0.5 * math.erfc(max(0.0, margin_v) / (NOISE_V * math.sqrt(2)))
    return float(f"{rate:.0e}") if rate >= LEAST_BIT_ERROR_RATE else 0.0


def _load_note(channel: str, ohm: float) -> str:
    if LEAST_LOAD_OHM <= ohm <= MOST_LOAD_OHM:
        return ""
    limit = f"below {LEAST_LOAD_OHM:g}" if ohm < LEAST_LOAD_OHM else f"above {MOST_LOAD_OHM:g}"
    return f"{ohm:.0f} ohm between the lines at {channel}, {limit} ohm"


def _consistent_groups(mutual: nx.Graph[str]) -> Iterator[tuple[str, ...]]:
    """Groups in which everyone hears everyone: the largest first, ties by name, then of what is left."""
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


# -- clusters ----------------------------------------------------------------------------------------------


def bus_clusters(car: Car) -> tuple[BusCluster, ...]:
    """The clusters of a car in its present condition, in the order of its transceivers."""
    lines = car.bus_nodes
    whole = [element for element in car.all_elements.values() if car.is_whole(element)]
    inner = [element for element in whole if element.a in lines and element.b in lines]
    shorts = [element for element in whole if (element.a in lines) != (element.b in lines)]
    graph: nx.Graph[str] = nx.Graph()
    graph.add_nodes_from(sorted(lines))
    graph.add_edges_from((element.a, element.b) for element in inner)
    graph.add_edges_from((one.h, one.l) for one in car.transceivers.values())
    number = {node: k for k, component in enumerate(nx.connected_components(graph)) for node in component}
    found: dict[int, _Parts] = {}
    for transceiver in car.transceivers.values():
        found.setdefault(number[transceiver.h], _Parts([], [], [])).channels.append(transceiver)
    for element in inner:
        if number[element.a] in found:
            found[number[element.a]].inner.append(element)
    for element in shorts:
        line = element.a if element.a in lines else element.b
        if number[line] in found:
            found[number[line]].shorts.append(element)
    return tuple(_cluster(car, lines, parts) for parts in found.values())


@dataclass(slots=True)
class _Parts:
    channels: list[Transceiver]
    inner: list[Element]
    shorts: list[Element]


def _cluster(car: Car, lines: frozenset[str], found: _Parts) -> BusCluster:
    parts = [
        Part(
            element.id,
            element.a,
            element.b,
            ohm_of(element, car),
            element.length_m if isinstance(element, Wire) else 0.0,
        )
        for element in (*found.inner, *found.shorts)
    ]
    outside = sorted({node for one in found.shorts for node in (one.a, one.b) if node not in lines})
    leads = frozenset(one.id for one in found.shorts)
    stuck = car.harness.stuck & {one.id for one in found.channels}
    return BusCluster(tuple(parts), tuple(found.channels), tuple(outside), leads, stuck)


# -- solving a cluster -------------------------------------------------------------------------------------


@lru_cache(maxsize=1024)
def together(answers: tuple[ClusterConnectivity, ...]) -> Connectivity:
    """The answers of all clusters as one."""
    return Connectivity(answers)


def heard_in(cluster: BusCluster, powered: frozenset[str], reading: Reading) -> ClusterConnectivity:
    """Who hears whom in one cluster."""
    awake, ground_v = [], []
    for channel in cluster.channels:
        offset_v = reading.between(channel.gnd, "BODY") if channel.id in powered else None
        if offset_v is not None:
            awake.append(channel)
            ground_v.append(round(offset_v / GROUND_STEP_V) * GROUND_STEP_V)
    contacts = tuple(
        None if point is None else (round(point[0] / GROUND_STEP_V) * GROUND_STEP_V, float(f"{point[1]:.2g}"))
        for point in (reading.contact_points(cluster.contacts, cluster.leads) if cluster.contacts else ())
    )
    return _solved(cluster, tuple(awake), tuple(ground_v), contacts, reading.state.dominant & powered)


@lru_cache(maxsize=1024)
def _solved(
    cluster: BusCluster,
    awake: tuple[Transceiver, ...],
    ground_v: tuple[float, ...],
    contacts: tuple[tuple[float, float] | None, ...],
    dominant: frozenset[str],
) -> ClusterConnectivity:
    if not awake:
        return ClusterConnectivity(frozenset(), {}, frozenset(), {}, {})
    return _Levels(cluster, awake, ground_v, contacts, dominant).connectivity()


class _Levels:
    """Levels of one cluster: arrays are indexed [receiver, sender]."""

    def __init__(
        self,
        cluster: BusCluster,
        awake: tuple[Transceiver, ...],
        ground_v: tuple[float, ...],
        contacts: tuple[tuple[float, float] | None, ...],
        dominant: frozenset[str],
    ) -> None:
        self.cluster, self.awake = cluster, awake
        circuit = _circuit(cluster, awake, ground_v, contacts)
        solution = circuit.solve()
        nets = _Nets(cluster)
        self.net_of = nets.net_of
        self.nets = [k for k, node in enumerate(nets.first) if not solution.floating(node)]
        pairs = [(node, one.gnd) for one in awake for node in (one.h, one.l)]
        pairs += [(nets.first[k], "BODY") for k in self.nets]
        self.ports = solution.ports(pairs)
        self.open_v = np.array([volt or 0.0 for volt in self.ports.voltage_v])
        self.farads = np.array([nets.farads[k] for k in self.nets])
        self.stuck = tuple(k for k, one in enumerate(awake) if one.id in dominant)
        self.mute = [k for k, one in enumerate(awake) if one.id in cluster.stuck]
        self.rest_v = self._driven([()])[:, 0] if self.stuck else self.open_v
        self.driven_v = self._driven([(k,) for k in range(len(awake))])

    def _driven(self, senders: Sequence[tuple[int, ...]]) -> Array:
        """Voltages of shape (ports, experiments), each with the given transceivers dominant, and the stuck.

        The experiments do not touch each other; solving them as one block-diagonal system saves time.
        """
        ohm = self.ports.impedance_ohm
        senders = [tuple(sorted({*drivers, *self.stuck})) for drivers in senders]
        legs = [[port for k in drivers for port in (2 * k, 2 * k + 1)] for drivers in senders]
        flat = [port for listed in legs for port in listed]
        block = np.zeros((len(flat), len(flat)))
        at = 0
        for listed in legs:
            end = at + len(listed)
            block[at:end, at:end] = ohm[np.ix_(listed, listed)]
            at = end
        elements = [HIGH_LEG if port % 2 == 0 else LOW_LEG for port in flat]
        names = [f"{self.awake[port // 2].id} driver" for port in flat]
        amp, _ = operating_point(self.open_v[flat], block, np.zeros((len(flat), 0)), elements, names)
        columns, at = [], 0
        for listed in legs:
            end = at + len(listed)
            columns.append(self.open_v - ohm[:, listed] @ amp[at:end])
            at = end
        return np.array(columns).T

    def connectivity(self) -> ClusterConnectivity:
        count = len(self.awake)
        dominant_v, rest_v = self._pair_v(self.driven_v), self._pair_v(self.rest_v[:, None])
        late_v = rest_v + self._left_over_v()
        at_rest = self._in_window(self.rest_v[:, None])
        dominant = (dominant_v > DOMINANT_V) & self._in_window(self.driven_v) & at_rest
        dominant[:, self.mute] = False
        low_v = np.maximum(rest_v, late_v)
        reads = dominant & (low_v < RECESSIVE_V)
        margin_v = np.minimum(dominant_v - DOMINANT_V, RECESSIVE_V - low_v)
        able = np.diag(reads)
        heard = [(s, r) for s in range(count) if able[s] for r in range(count) if r != s and reads[r, s]]
        names = [one.id for one in self.awake]
        margins = {(names[s], names[r]): float(margin_v[r, s]) for s, r in heard}
        moved_v = dominant_v - rest_v
        spoils = self._spoilt(reads, moved_v, able)
        return ClusterConnectivity(
            frozenset(margins),
            margins,
            frozenset((names[j], names[s]) for j, s in spoils),
            {one.id: one.bitrate_bps for one in self.awake},
            dict(zip(names, self._pair_ohm(), strict=True)),
            frozenset((names[s], names[r]) for r, s in np.argwhere(~dominant)),
            frozenset(names[k] for k in _turned_round(moved_v)),
            frozenset(names[k] for k in np.flatnonzero(at_rest[:, 0] & (rest_v[:, 0] >= RECESSIVE_V))),
            frozenset(names[k] for k in np.flatnonzero(able)),
        )

    def _pair_ohm(self) -> list[float]:
        ohm, legs = self.ports.impedance_ohm, range(0, 2 * len(self.awake), 2)
        return [float(ohm[k, k] + ohm[k + 1, k + 1] - 2 * ohm[k, k + 1]) for k in legs]

    def _pair_v(self, port_v: Array) -> Array:
        legs = port_v[: 2 * len(self.awake)]
        return legs[0::2] - legs[1::2]

    def _in_window(self, port_v: Array) -> Flags:
        legs = port_v[: 2 * len(self.awake)]
        middle_v = (legs[0::2] + legs[1::2]) / 2
        low_v, high_v = COMMON_MODE_V
        return (middle_v >= low_v) & (middle_v <= high_v)

    def _left_over_v(self) -> Array:
        """What is left of a dominant level between each receiver's lines at its next sample point."""
        first = 2 * len(self.awake)
        ohm = self.ports.impedance_ohm[first:, first:]
        moved_v = self.driven_v[first:] - self.rest_v[first:, None]
        # v' = -(Z C)^-1 v; with w = C^(1/2) v the matrix is symmetric
        root = np.sqrt(self.farads)
        time_s, modes = np.linalg.eigh(root[:, None] * ohm * root)
        shapes, swing = modes / root[:, None], modes.T @ (root[:, None] * moved_v)
        row = {net: k for k, net in enumerate(self.nets)}
        left_v = np.zeros((len(self.awake), len(self.awake)))
        for receiver, one in enumerate(self.awake):
            wait_s = SAMPLE_POINT / one.bitrate_bps
            fade = np.exp(-wait_s / np.maximum(time_s, 1e-15))
            between = shapes[row[self.net_of[one.h]]] - shapes[row[self.net_of[one.l]]]
            left_v[receiver] = (between * fade) @ swing
        return left_v

    def _spoilt(self, reads: Flags, moved_v: Array, able: Flags) -> Iterator[tuple[int, int]]:
        """Pairs (j, s): j does not hear s, and while both are dominant somebody misses the bit of s."""
        count = len(self.awake)
        against = [j for j in range(count) if able[j] and np.any(moved_v[:, j] < AGAINST_V)]
        pairs = [(j, s) for j in against for s in range(count) if s != j and able[s] and not reads[j, s]]
        if not pairs:
            return
        together_v = self._driven(pairs)
        still = (self._pair_v(together_v) > DOMINANT_V) & self._in_window(together_v)
        for column, (j, s) in enumerate(pairs):
            if np.any(reads[:, s] & ~still[:, column]):
                yield j, s


def _turned_round(moved_v: Array) -> list[int]:
    """Transceivers whose pull goes the other way than that of most, by what each moves at each."""
    count = len(moved_v)
    way: dict[int, int] = {}
    turned: list[int] = []
    for first in range(count):
        if first in way:
            continue
        way[first], together = 1, [first]
        for sender in together:
            for receiver in np.flatnonzero(np.abs(moved_v[:, sender]) > -AGAINST_V):
                if receiver not in way:
                    way[int(receiver)] = way[sender] if moved_v[receiver, sender] > 0 else -way[sender]
                    together.append(int(receiver))
        few, many = ([k for k in together if way[k] == sign] for sign in (-1, 1))
        turned += few if len(few) <= len(many) else many
    return turned


def _circuit(
    cluster: BusCluster,
    awake: tuple[Transceiver, ...],
    ground_v: tuple[float, ...],
    contacts: tuple[tuple[float, float] | None, ...],
) -> Circuit:
    circuit = Circuit(reference="BODY")
    for one in cluster.channels:
        circuit.node(one.h)
        circuit.node(one.l)
    for part in cluster.parts:
        circuit.resistor(part.id, part.a, part.b, part.ohm)
    held: set[str] = set()
    for one, volt in zip(awake, ground_v, strict=True):
        if one.gnd not in held:
            circuit.source(f"{one.gnd} ground", one.gnd, "BODY", volt, STIFF_OHM)
            held.add(one.gnd)
        circuit.source(f"{one.id}.H bias", one.h, one.gnd, BIAS_V, BIAS_OHM)
        circuit.source(f"{one.id}.L bias", one.l, one.gnd, BIAS_V, BIAS_OHM)
    for node, point in zip(cluster.contacts, contacts, strict=True):
        if point is not None and node not in ("BODY", *held):
            circuit.source(f"{node} contact", node, "BODY", point[0], max(STIFF_OHM, point[1]))
    return circuit


class _Nets:
    """Conductors of a cluster: the net of every node, each net's first node and its capacitance to ground.

    A pair's capacitance per metre is counted as twice as much from each wire to ground, which is the same
    between the two wires.
    """

    def __init__(self, cluster: BusCluster) -> None:
        graph: nx.Graph[str] = nx.Graph()
        graph.add_nodes_from(node for one in cluster.channels for node in (one.h, one.l))
        for part in cluster.parts:
            graph.add_nodes_from((part.a, part.b))
            if part.ohm < NET_OHM:
                graph.add_edge(part.a, part.b)
        self.net_of: dict[str, int] = {}
        self.first: list[str] = []
        for k, component in enumerate(nx.connected_components(graph)):
            self.first.append(min(component))
            self.net_of |= dict.fromkeys(component, k)
        self.farads = [1e-15] * len(self.first)
        for part in cluster.parts:
            self.farads[self.net_of[part.a]] += 2 * LINE_F_PER_M * part.length_m
        for one in cluster.channels:
            for node in (one.h, one.l):
                self.farads[self.net_of[node]] += 2 * NODE_F
