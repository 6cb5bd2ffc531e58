"""Whether the two PHYs of a 100BASE-T1 link reach each other, from the resistances of the pair as wired.

One PHY drives the pair through its 100 ohm, the other ends it in its own. What the other receives, compared
with a pair without resistance, is the loss of the wiring in dB: added resistance and a short between the
wires raise it, an open wire leaves almost nothing. The pair must be free of ground and supplies: a wire that
lies on one of them makes a single-ended line of it, which no receiver takes. Swapped wires do no harm, as
receivers correct the polarity (IEEE 802.3bw, from memory).

Not modeled: frequency (a wire's resistance counts, its length and an untwisted stretch do not), noise, what
a CAN bus makes of a pair that is shorted to it besides its wires.
"""

from __future__ import annotations

import math

import numpy as np

from sim.vehicle.elements import Transceiver
from sim.vehicle.ethernet import BITRATE_BPS, COMMON_MODE_OHM, LEAST_LEG_OHM, PAIR_OHM, quality_of
from sim.wiring.bus_clusters import BusCluster
from sim.wiring.oneway import Array
from sim.wiring.reading import ElectricalReading
from sim.wiring.segments import ClusterConnectivity

ENDS = 2


def link_connectivity(cluster: BusCluster, powered: frozenset[str], loss_db: float) -> ClusterConnectivity:
    """Who hears whom on an Ethernet link with this loss while these channels are powered."""
    fed = [one for one in cluster.channels if one.id in powered]
    rates = {one.id: one.bitrate_bps for one in fed}
    quality = quality_of(loss_db)
    if len(fed) != ENDS or len({one.phy for one in fed}) != ENDS or not quality:
        return ClusterConnectivity(bitrates_bps=rates)
    a, b = (one.id for one in fed)
    return ClusterConnectivity(
        links=frozenset({(a, b), (b, a)}), bitrates_bps=rates, quality=dict.fromkeys((a, b), quality)
    )


def loss_db_of(cluster: BusCluster, reading: ElectricalReading) -> float:
    """The loss of the pair between its two PHYs; infinite where no signal gets through."""
    if len(cluster.channels) != ENDS:
        return math.inf
    pairs = [(one.h, one.l) for one in cluster.channels]
    legs = [(node, one.gnd) for one in cluster.channels for node in (one.h, one.l)]
    ohm = reading.ports([*pairs, *legs]).impedance_ohm
    if any(ohm[k, k] < LEAST_LEG_OHM for k in range(ENDS, len(ohm))):
        return math.inf
    received, usual = _received(ohm[:ENDS, :ENDS]), _received(np.full((ENDS, ENDS), COMMON_MODE_OHM))
    return 20 * math.log10(usual / received) if received > 0 else math.inf


def _received(ohm: Array) -> float:
    """What the second port receives of 1 V that the first drives through PAIR_OHM, ended in PAIR_OHM."""
    if not np.isfinite(ohm).all():
        return 0.0
    volt = np.linalg.solve(np.eye(ENDS) + ohm / PAIR_OHM, ohm[:, 0] / PAIR_OHM)
    return abs(float(volt[1]))


def is_link(channels: tuple[Transceiver, ...]) -> bool:
    """Are they all PHYs of Ethernet links?"""
    return all(one.bitrate_bps == BITRATE_BPS for one in channels)
