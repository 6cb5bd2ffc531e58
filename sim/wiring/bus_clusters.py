"""Clusters: the lines of one bus, and of buses that a lead or a short joins, as circuits of their own."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from functools import cached_property

import networkx as nx

from sim.vehicle.car import Car
from sim.vehicle.elements import Element, Transceiver, Wire
from sim.wiring.conduction import ohm_of
from sim.wiring.power import BIAS_OHM, BIAS_V
from sim.wiring.solver import Circuit


@dataclass(frozen=True, slots=True)
class LinePart:
    """A whole element of a bus: its ends, resistance and, for a wire, length."""

    id: str
    a: str
    b: str
    ohm: float
    length_m: float

    @classmethod
    def of(cls, element: Element, car: Car) -> LinePart:
        """The part that an element of a car is on its bus."""
        length_m = element.length_m if isinstance(element, Wire) else 0.0
        return cls(element.id, element.a, element.b, ohm_of(element, car), length_m)


@dataclass(frozen=True)
class BusCluster:
    """Bus lines that are joined, their transceivers, and where shorts tie them to the rest of the car.

    contacts: nodes outside, at the far ends of shorts. leads: ids of those shorts.
    stuck: channels with a stuck transmit input, which send nothing of their own.
    """

    parts: tuple[LinePart, ...]
    channels: tuple[Transceiver, ...]
    contacts: tuple[str, ...]
    leads: frozenset[str]
    stuck: frozenset[str] = frozenset()

    @cached_property
    def nodes(self) -> frozenset[str]:
        """The nodes of its parts and transceivers."""
        ends = [node for part in self.parts for node in (part.a, part.b)]
        return frozenset(ends).union(*((one.h, one.l) for one in self.channels))

    @cached_property
    def _hash(self) -> int:
        return hash((self.parts, self.channels, self.contacts, self.stuck))

    def __hash__(self) -> int:
        return self._hash


def bus_clusters(car: Car) -> tuple[BusCluster, ...]:
    """The clusters of a car as its harness is now, in the order of its transceivers."""
    lines = car.bus_nodes
    whole = [element for element in car.on_lines if car.is_whole(element)]
    inner = [element for element in whole if element.a in lines and element.b in lines]
    shorts = [element for element in whole if (element.a in lines) != (element.b in lines)]
    number = _cluster_numbers(car, inner)
    channels, inside, ties = defaultdict(list), defaultdict(list), defaultdict(list)
    for transceiver in car.transceivers.values():
        channels[number[transceiver.h]].append(transceiver)
    for element in inner:
        inside[number[element.a]].append(element)
    for element in shorts:
        ties[number[element.a if element.a in lines else element.b]].append(element)
    return tuple(_cluster(car, inside[k], ties[k], some) for k, some in channels.items())


def _cluster_numbers(car: Car, inner: list[Element]) -> dict[str, int]:
    """The cluster of every node of a bus line, by number."""
    graph: nx.Graph[str] = nx.Graph()
    graph.add_nodes_from(sorted(car.bus_nodes))
    graph.add_edges_from((element.a, element.b) for element in inner)
    graph.add_edges_from((one.h, one.l) for one in car.transceivers.values())
    return {node: k for k, component in enumerate(nx.connected_components(graph)) for node in component}


def _cluster(
    car: Car, inner: list[Element], shorts: list[Element], channels: list[Transceiver]
) -> BusCluster:
    ends = {node for one in shorts for node in (one.a, one.b)}
    return BusCluster(
        parts=tuple(LinePart.of(element, car) for element in (*inner, *shorts)),
        channels=tuple(channels),
        contacts=tuple(sorted(ends - car.bus_nodes)),
        leads=frozenset(one.id for one in shorts),
        stuck=car.harness.stuck & {one.id for one in channels},
    )


# 5 ns/m at 120 ohm: computed. Chip pins 10 pF between the lines and 20 pF each to ground (from memory), with
# the usual filter capacitors (10..100 pF, data-sheet layout advice).
LINE_F_PER_M = 41.7e-12
NODE_F = 75e-12
LEAST_F = 1e-15  # keeps a net of no length solvable; it discharges at once

# Below a terminator's value a series resistance leaves a conductor one net, above it parts it in two.
NET_OHM = 100.0

STIFF_OHM = 0.001


def bus_circuit(
    cluster: BusCluster,
    awake: tuple[Transceiver, ...],
    ground_v: tuple[float, ...],
    contacts: tuple[tuple[float, float] | None, ...],
) -> Circuit:
    """A cluster's circuit with the reference BODY.

    ground_v: of each awake transceiver. contacts: open voltage in V and resistance in ohm at each of the
    cluster's contacts, None where it floats.
    """
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


class BusNets:
    """Conductors of a cluster: the net of every node, each net's first node and its capacitance to ground.

    A pair's capacitance per meter is counted as twice as much from each wire to ground, which is the same
    between the two wires.
    """

    def __init__(self, cluster: BusCluster) -> None:
        self.net_of: dict[str, int] = {}
        self.first: list[str] = []
        for k, component in enumerate(nx.connected_components(_conductors(cluster))):
            self.first.append(min(component))
            self.net_of |= dict.fromkeys(component, k)
        self.farads = [LEAST_F] * len(self.first)
        for part in cluster.parts:
            self.farads[self.net_of[part.a]] += 2 * LINE_F_PER_M * part.length_m
        for one in cluster.channels:
            for node in (one.h, one.l):
                self.farads[self.net_of[node]] += 2 * NODE_F


def _conductors(cluster: BusCluster) -> nx.Graph[str]:
    graph: nx.Graph[str] = nx.Graph()
    graph.add_nodes_from(node for one in cluster.channels for node in (one.h, one.l))
    for part in cluster.parts:
        graph.add_nodes_from((part.a, part.b))
        if part.ohm < NET_OHM:
            graph.add_edge(part.a, part.b)
    return graph
