"""A cluster of bus lines as a circuit of its own, and the nets of conductors in it."""

from __future__ import annotations

import networkx as nx

from sim.vehicle.elements import Transceiver
from sim.wiring.bus_clusters import BusCluster
from sim.wiring.power import BIAS_OHM, BIAS_V
from sim.wiring.solver import Circuit

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
