"""Who hears whom on the buses, from solved levels.

Each powered transceiver in turn holds its lines dominant, alone. A receiver hears it when

- it reads dominant: more than 0.9 V between its lines, while the sender drives;
- it reads recessive: less than 0.5 V with nobody driving, and again at the sample point of the first bit
  after the sender lets go (without terminators the lines discharge too slowly);
- its own lines stay inside its common-mode window, -2..+7 V against its own ground, in both states;
- the sender reads its own bits back by the same rules (else it stops sending: bit errors, ISO 11898-1).

The lines of one bus, and of buses that a lead or a short joins, make a *cluster*. A cluster is solved apart
from the rest of the car, which is seen at the modules' grounds (as sources, in steps of 0.05 V) and at the
ends of shorts (as open voltage and inner resistance), so that a switch elsewhere does not solve it again.

Not modelled: reflections, rise times, thermal shutdown, dominant time-out, the fall of a module's own 5 V
before its brown-out, several shorts to one weak wire influencing each other.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, NamedTuple

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from sim.vehicle.car import Car, Element, Transceiver, Wire
from sim.wiring.oneway import Array, Leg, operating_point
from sim.wiring.power import BIAS_OHM, BIAS_V, TESTER, ohm_of
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

    @cached_property
    def _hash(self) -> int:
        return hash((self.parts, self.channels, self.contacts))

    def __hash__(self) -> int:
        return self._hash


@dataclass(frozen=True, eq=False)
class ClusterHearing:
    """One cluster's answer.

    links: (sender, receiver). margins_v: per link, the distance from the nearer threshold of the receiver.
    spoils: (who spoils, whose frames).
    bitrates_bps, pair_ohm: of every powered channel, its bit rate and the resistance between its lines.
    able: who reads its own bits back, with or without company.
    """

    links: frozenset[tuple[str, str]]
    margins_v: dict[tuple[str, str], float]
    spoils: frozenset[tuple[str, str]]
    bitrates_bps: dict[str, int]
    pair_ohm: dict[str, float]
    able: frozenset[str] = frozenset()


class Segment(NamedTuple):
    """Channels that hear each other both ways, and those that hear at least one of them unheard."""

    members: tuple[str, ...]
    listeners: tuple[str, ...]
    bitrate_bps: int


class Hearing:
    """Links (sender, receiver) of all buses; `margins_v` of each link in V."""

    def __init__(self, answers: tuple[ClusterHearing, ...]) -> None:
        self._answers = answers
        self.links = frozenset(link for answer in answers for link in answer.links)
        self.margins_v = {link: volt for answer in answers for link, volt in answer.margins_v.items()}
        self.spoils = frozenset(pair for answer in answers for pair in answer.spoils)
        self.able = frozenset(name for answer in answers for name in answer.able)
        self._bitrates = {name: rate for answer in answers for name, rate in answer.bitrates_bps.items()}

    def segments(self) -> tuple[Segment, ...]:
        """Groups that communicate, sorted by their members; no channel is in two of them."""
        return self._segments

    @cached_property
    def _segments(self) -> tuple[Segment, ...]:
        groups = sorted(group for group in self._groups() if len(group) > 1)
        taken = {channel for group in groups for channel in group}
        segments = []
        for group in groups:
            listeners = self._listeners(group) - taken
            taken |= listeners
            segments.append(Segment(group, tuple(sorted(listeners)), self._bitrates[group[0]]))
        return tuple(segments)

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """What works but leaves little in hand, as sentences."""
        ohm_at = {name: ohm for answer in self._answers for name, ohm in answer.pair_ohm.items()}
        loads = (_load_note(segment.members[0], ohm_at[segment.members[0]]) for segment in self._segments)
        weak = (
            f"{receiver} hears {sender} with {volt * 1000:.0f} mV to spare"
            for (sender, receiver), volt in sorted(self.margins_v.items())
            if volt < MARGINAL_V
        )
        return (*(note for note in loads if note), *weak)

    def _groups(self) -> Iterator[tuple[str, ...]]:
        mutual: nx.Graph[str] = nx.Graph()
        mutual.add_edges_from(sorted((a, b) for a, b in self.links if a < b and (b, a) in self.links))
        for component in nx.connected_components(mutual):
            for group in _consistent_groups(mutual.subgraph(component)):
                yield self._undisturbed(group)

    def _undisturbed(self, group: tuple[str, ...]) -> tuple[str, ...]:
        """The part of a group that frames survive in: all, all but the tester, or nobody.

        A channel at another bit rate answers every frame with an error frame, and one that sends without
        hearing the others talks over them. A tester is taken off the line by whoever holds it; a module
        is not, so the group falls silent.
        """
        rates = {self._bitrates[channel] for channel in group}
        if len(rates) > 1:
            group = tuple(channel for channel in group if channel != TESTER)
            rates = {self._bitrates[channel] for channel in group}
        return () if len(rates) > 1 or self._talked_over(group) else group

    def _talked_over(self, group: tuple[str, ...]) -> bool:
        members = set(group)
        deaf_talkers = any(
            sender not in members and receiver in members and (receiver, sender) not in self.links
            for sender, receiver in self.links
        )
        return deaf_talkers or any(sender in members and one not in members for one, sender in self.spoils)

    def _listeners(self, group: tuple[str, ...]) -> set[str]:
        members, rate = set(group), self._bitrates[group[0]]
        heard = {receiver for sender, receiver in self.links if sender in members}
        return {receiver for receiver in heard - members if self._bitrates[receiver] == rate}


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
    lines = bus_nodes(car)
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
    return BusCluster(tuple(parts), tuple(found.channels), tuple(outside), leads)


def bus_nodes(car: Car) -> frozenset[str]:
    """Every node of the bus lines as built: what conductors and terminators join to a transceiver."""
    graph: nx.Graph[str] = nx.Graph()
    graph.add_edges_from((element.a, element.b) for element in car.elements.values())
    nodes: set[str] = set()
    for transceiver in car.transceivers.values():
        for leg in (transceiver.h, transceiver.l):
            if leg not in nodes and leg in graph:
                nodes |= nx.node_connected_component(graph, leg)
            nodes.add(leg)
    return frozenset(nodes)


# -- solving a cluster -------------------------------------------------------------------------------------


@lru_cache(maxsize=1024)
def together(answers: tuple[ClusterHearing, ...]) -> Hearing:
    """The answers of all clusters as one."""
    return Hearing(answers)


def heard_in(cluster: BusCluster, powered: frozenset[str], reading: Reading) -> ClusterHearing:
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
    return _solved(cluster, tuple(awake), tuple(ground_v), contacts)


@lru_cache(maxsize=1024)
def _solved(
    cluster: BusCluster,
    awake: tuple[Transceiver, ...],
    ground_v: tuple[float, ...],
    contacts: tuple[tuple[float, float] | None, ...],
) -> ClusterHearing:
    if not awake:
        return ClusterHearing(frozenset(), {}, frozenset(), {}, {})
    return _Levels(cluster, awake, ground_v, contacts).hearing()


class _Levels:
    """Levels of one cluster: arrays are indexed [receiver, sender]."""

    def __init__(
        self,
        cluster: BusCluster,
        awake: tuple[Transceiver, ...],
        ground_v: tuple[float, ...],
        contacts: tuple[tuple[float, float] | None, ...],
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
        self.rest_v = np.array([volt or 0.0 for volt in self.ports.voltage_v])
        self.farads = np.array([nets.farads[k] for k in self.nets])
        self.driven_v = self._driven([(k,) for k in range(len(awake))])

    def _driven(self, senders: Sequence[tuple[int, ...]]) -> Array:
        """Voltages of shape (ports, experiments), each with the given transceivers dominant.

        The experiments do not touch each other; solving them as one block-diagonal system saves time.
        """
        ohm = self.ports.impedance_ohm
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
        amp, _ = operating_point(self.rest_v[flat], block, np.zeros((len(flat), 0)), elements, names)
        columns, at = [], 0
        for listed in legs:
            end = at + len(listed)
            columns.append(self.rest_v - ohm[:, listed] @ amp[at:end])
            at = end
        return np.array(columns).T

    def hearing(self) -> ClusterHearing:
        count = len(self.awake)
        dominant_v, rest_v = self._pair_v(self.driven_v), self._pair_v(self.rest_v[:, None])
        late_v = rest_v + self._left_over_v()
        in_window = self._in_window(self.driven_v) & self._in_window(self.rest_v[:, None])
        low_v = np.maximum(rest_v, late_v)
        reads = (dominant_v > DOMINANT_V) & (low_v < RECESSIVE_V) & in_window
        margin_v = np.minimum(dominant_v - DOMINANT_V, RECESSIVE_V - low_v)
        able = np.diag(reads)
        heard = [(s, r) for s in range(count) if able[s] for r in range(count) if r != s and reads[r, s]]
        names = [one.id for one in self.awake]
        margins = {(names[s], names[r]): float(margin_v[r, s]) for s, r in heard}
        spoils = self._spoilt(reads, dominant_v - rest_v, able)
        return ClusterHearing(
            frozenset(margins),
            margins,
            frozenset((names[j], names[s]) for j, s in spoils),
            {one.id: one.bitrate_bps for one in self.awake},
            dict(zip(names, self._pair_ohm(), strict=True)),
            frozenset(name for name, reads_itself in zip(names, able, strict=True) if reads_itself),
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
