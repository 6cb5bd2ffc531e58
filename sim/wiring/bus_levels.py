"""Levels on the lines of one cluster while each transceiver in turn is dominant, and who reads them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from sim.vehicle.elements import Transceiver
from sim.wiring.bus_clusters import BusCluster, BusNets, bus_circuit
from sim.wiring.oneway import Array, Leg
from sim.wiring.operating_point import operating_point
from sim.wiring.segments import SAMPLE_POINT_PCT, ClusterConnectivity

Flags = NDArray[np.bool_]

# Receiver thresholds: transceiver data sheets, 'differential signal'; undefined between the two.
DOMINANT_V = 0.9
RECESSIVE_V = 0.5
# Common-mode window of ISO 11898-2:2003, as transceiver data sheets quote it.
COMMON_MODE_V = (-2.0, 7.0)
HIGH_LEG, LOW_LEG = Leg(supply_v=5.0), Leg()

# A driver that pulls another's lines this far toward recessive is connected the wrong way round.
AGAINST_V = -0.1


class BusLevels:
    """Levels of one cluster: arrays are indexed [receiver, sender]."""

    def __init__(
        self,
        cluster: BusCluster,
        awake: tuple[Transceiver, ...],
        ground_v: tuple[float, ...],
        contacts: tuple[tuple[float, float] | None, ...],
        dominant: frozenset[str],
    ) -> None:
        self._awake = awake
        solution = bus_circuit(cluster, awake, ground_v, contacts).solve()
        self._nets = BusNets(cluster)
        self._held_nets = [k for k, node in enumerate(self._nets.first) if not solution.floating(node)]
        pairs = [(node, one.gnd) for one in awake for node in (one.h, one.l)]
        pairs += [(self._nets.first[k], "BODY") for k in self._held_nets]
        ports = solution.ports(pairs)
        self._ohm = ports.impedance_ohm
        self._open_v = np.array([volt or 0.0 for volt in ports.voltage_v])
        self._stuck = tuple(k for k, one in enumerate(awake) if one.id in dominant)
        self._mute = [k for k, one in enumerate(awake) if one.id in cluster.stuck]
        self._rest_v = self._driven([()])[:, 0] if self._stuck else self._open_v
        self._driven_v = self._driven([(k,) for k in range(len(awake))])

    def connectivity(self) -> ClusterConnectivity:
        """Who reads whom, and why others do not."""
        names = [one.id for one in self._awake]
        dominant_v, rest_v = self._pair_v(self._driven_v), self._pair_v(self._rest_v[:, None])
        low_v = np.maximum(rest_v, rest_v + self._left_over_v())
        at_rest = self._in_window(self._rest_v[:, None])
        dominant = (dominant_v > DOMINANT_V) & self._in_window(self._driven_v) & at_rest
        dominant[:, self._mute] = False
        reads = dominant & (low_v < RECESSIVE_V)
        margin_v = np.minimum(dominant_v - DOMINANT_V, RECESSIVE_V - low_v)
        margins = {(names[s], names[r]): float(margin_v[r, s]) for s, r in _links(reads)}
        moved_v = dominant_v - rest_v
        held = at_rest[:, 0] & (rest_v[:, 0] >= RECESSIVE_V)
        return ClusterConnectivity(
            links=frozenset(margins),
            margins_v=margins,
            disrupts=frozenset((names[j], names[s]) for j, s in self._disrupted(reads, moved_v)),
            bitrates_bps={one.id: one.bitrate_bps for one in self._awake},
            pair_ohm=dict(zip(names, self._pair_ohm(), strict=True)),
            missed=frozenset((names[s], names[r]) for r, s in np.argwhere(~dominant)),
            swapped=frozenset(names[k] for k in _swapped(moved_v)),
            held=frozenset(names[k] for k in np.flatnonzero(held)),
            can_send=frozenset(names[k] for k in np.flatnonzero(np.diag(reads))),
        )

    def _driven(self, senders: Sequence[tuple[int, ...]]) -> Array:
        """Voltages of shape (ports, experiments), each with the given transceivers dominant, and the stuck.

        The experiments do not touch each other; solving them as one block-diagonal system saves time.
        """
        drivers = [sorted({*some, *self._stuck}) for some in senders]
        legs = [[port for k in some for port in (2 * k, 2 * k + 1)] for some in drivers]
        flat = [port for some in legs for port in some]
        number = np.repeat(np.arange(len(legs)), [len(some) for some in legs])
        amp, _ = operating_point(
            self._open_v[flat],
            np.where(np.equal.outer(number, number), self._ohm[np.ix_(flat, flat)], 0.0),
            np.zeros((len(flat), 0)),
            [HIGH_LEG if port % 2 == 0 else LOW_LEG for port in flat],
            [f"{self._awake[port // 2].id} driver" for port in flat],
        )
        parts = np.split(amp, np.flatnonzero(np.diff(number)) + 1)
        columns = [self._open_v - self._ohm[:, some] @ part for some, part in zip(legs, parts, strict=True)]
        return np.array(columns).T

    def _pair_ohm(self) -> list[float]:
        ohm, legs = self._ohm, range(0, 2 * len(self._awake), 2)
        return [float(ohm[k, k] + ohm[k + 1, k + 1] - 2 * ohm[k, k + 1]) for k in legs]

    def _pair_v(self, port_v: Array) -> Array:
        legs = port_v[: 2 * len(self._awake)]
        return legs[0::2] - legs[1::2]

    def _in_window(self, port_v: Array) -> Flags:
        legs = port_v[: 2 * len(self._awake)]
        middle_v = (legs[0::2] + legs[1::2]) / 2
        low_v, high_v = COMMON_MODE_V
        return (middle_v >= low_v) & (middle_v <= high_v)

    def _left_over_v(self) -> Array:
        """What is left of a dominant level between each receiver's lines at its next sample point."""
        first = 2 * len(self._awake)
        moved_v = self._driven_v[first:] - self._rest_v[first:, None]
        # v' = -(Z C)^-1 v; with w = C^(1/2) v the matrix is symmetric
        root = np.sqrt(np.array([self._nets.farads[k] for k in self._held_nets]))
        time_s, modes = np.linalg.eigh(root[:, None] * self._ohm[first:, first:] * root)
        shapes, swing = modes / root[:, None], modes.T @ (root[:, None] * moved_v)
        row = {net: k for k, net in enumerate(self._held_nets)}
        left_v = np.zeros((len(self._awake), len(self._awake)))
        for receiver, one in enumerate(self._awake):
            wait_s = SAMPLE_POINT_PCT / 100 / one.bitrate_bps
            fade = np.exp(-wait_s / np.maximum(time_s, 1e-15))
            high, low = row[self._nets.net_of[one.h]], row[self._nets.net_of[one.l]]
            left_v[receiver] = ((shapes[high] - shapes[low]) * fade) @ swing
        return left_v

    def _disrupted(self, reads: Flags, moved_v: Array) -> Iterator[tuple[int, int]]:
        """Pairs (j, s): j does not hear s, and while both are dominant some receiver misses the bit of s."""
        count, can_send = len(self._awake), np.diag(reads)
        against = [j for j in range(count) if can_send[j] and np.any(moved_v[:, j] < AGAINST_V)]
        pairs = [(j, s) for j in against for s in range(count) if s != j and can_send[s] and not reads[j, s]]
        if not pairs:
            return
        together_v = self._driven(pairs)
        still = (self._pair_v(together_v) > DOMINANT_V) & self._in_window(together_v)
        for column, (j, s) in enumerate(pairs):
            if np.any(reads[:, s] & ~still[:, column]):
                yield j, s


def _links(reads: Flags) -> Iterator[tuple[int, int]]:
    """Pairs (sender, receiver): a sender must read its own bits."""
    for sender, reads_itself in enumerate(np.diag(reads)):
        if reads_itself:
            yield from ((sender, int(one)) for one in np.flatnonzero(reads[:, sender]) if one != sender)


def _swapped(moved_v: Array) -> list[int]:
    """Transceivers that pull the opposite way from most, by how far each moves the others' lines."""
    moves: nx.DiGraph[int] = nx.DiGraph()
    moves.add_nodes_from(range(len(moved_v)))
    moves.add_edges_from((int(s), int(r)) for r, s in np.argwhere(np.abs(moved_v) > -AGAINST_V))
    swapped: list[int] = []
    while moves:
        side = {min(moves): 1}
        for sender, receiver in nx.bfs_edges(moves, min(moves)):
            side[receiver] = side[sender] if moved_v[receiver, sender] > 0 else -side[sender]
        few, many = ([k for k in side if side[k] == sign] for sign in (-1, 1))
        swapped += few if len(few) <= len(many) else many
        moves.remove_nodes_from(list(side))
    return swapped
