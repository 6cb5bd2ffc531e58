"""Who hears whom on the buses, from solved levels.

Each powered transceiver in turn holds its lines dominant, alone. A receiver hears it when

- it reads dominant: more than 0.9 V between its lines, while the sender drives;
- it reads recessive: less than 0.5 V with all drivers off, and again at the sample point of the first bit
  after the sender lets go (without terminators the lines discharge too slowly);
- its own lines stay inside its common-mode window, -2..+7 V against its own ground, in both states;
- the sender reads its own bits back by the same rules (else it stops sending: bit errors, ISO 11898-1).

If channels that cannot be understood disturb the others all the same, all channels on the joined lines are
in one segment, and a `ChannelFault` says what is wrong between a channel and the line; error confinement
(`sim.network`) says what becomes of them. A channel that hears others and that none hears does no harm: it
listens.

A cluster (`sim.wiring.bus_clusters`) is solved apart from the rest of the car, which is seen at the modules'
grounds (as sources, in steps of 0.05 V) and at the ends of shorts (as open voltage and inner resistance), so
that a switch elsewhere does not solve it again.

Not modeled: reflections, rise times, thermal shutdown, the fall of a module's own 5 V before its brown-out,
several shorts to one weak wire influencing each other; what an unheard module's own error counters make of
others that talk while it does; bit by bit what a line without terminators does (its modules are alone on it:
error passive, as they become on the real one).
"""

from __future__ import annotations

from functools import cached_property, lru_cache

from sim.vehicle.elements import Transceiver
from sim.vehicle.ethernet import BEST_QUALITY, LEAST_GOOD_QUALITY
from sim.wiring.bus_clusters import BusCluster
from sim.wiring.bus_levels import BusLevels
from sim.wiring.reading import ElectricalReading
from sim.wiring.segments import ClusterConnectivity, Segment

# What a driver is specified for: 45 ohm (transceiver data sheet, 'minimum load') and 65 ohm (test condition).
LEAST_LOAD_OHM, MOST_LOAD_OHM = 45.0, 65.0
MARGINAL_V = 0.2  # below half of what a healthy bus leaves; common practice

GROUND_STEP_V = 0.05


class Connectivity:
    """Who hears whom on all buses.

    links: (sender, receiver). margins_v: of each link, in V.
    can_send: channels that read their own bits back. quality: of Ethernet links, the signal quality index.
    """

    def __init__(self, answers: tuple[ClusterConnectivity, ...]) -> None:
        self._answers = answers
        self.links = frozenset(link for answer in answers for link in answer.links)
        self.margins_v = {link: volt for answer in answers for link, volt in answer.margins_v.items()}
        self.can_send = frozenset(name for answer in answers for name in answer.can_send)
        self.quality = {name: index for answer in answers for name, index in answer.quality.items()}

    @cached_property
    def shared_lines(self) -> tuple[Segment, ...]:
        """All that a network needs to know: channels that communicate, disturb or are disturbed.

        A channel in none of them is alone, without another to acknowledge its frames.
        """
        return tuple(sorted(one for answer in self._answers for one in answer.segments))

    @cached_property
    def segments(self) -> tuple[Segment, ...]:
        """Groups that communicate, sorted by their members; no channel is in two of them."""
        return tuple(one for one in self.shared_lines if len(one.members) > 1 and one.understands)

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """What works with little margin, as sentences."""
        ohm_at = {name: ohm for answer in self._answers for name, ohm in answer.pair_ohm.items()}
        ends = (one.members[0] for one in self.segments if one.members[0] in ohm_at)
        loads = (_load_note(name, ohm_at[name]) for name in ends)
        weak = (
            f"{receiver} hears {sender} with {volt * 1000:.0f} mV to spare"
            for (sender, receiver), volt in sorted(self.margins_v.items())
            if volt < MARGINAL_V
        )
        poor = (
            f"{name} reports signal quality {index} of {BEST_QUALITY}"
            for name, index in sorted(self.quality.items())
            if index < LEAST_GOOD_QUALITY
        )
        return (*(note for note in loads if note), *weak, *poor)


def _load_note(channel: str, ohm: float) -> str:
    if LEAST_LOAD_OHM <= ohm <= MOST_LOAD_OHM:
        return ""
    limit = f"below {LEAST_LOAD_OHM:g}" if ohm < LEAST_LOAD_OHM else f"above {MOST_LOAD_OHM:g}"
    return f"{ohm:.0f} ohm between the lines at {channel}, {limit} ohm"


@lru_cache(maxsize=1024)
def together(answers: tuple[ClusterConnectivity, ...]) -> Connectivity:
    """The answers of all clusters as one."""
    return Connectivity(answers)


def cluster_connectivity(
    cluster: BusCluster, powered: frozenset[str], reading: ElectricalReading
) -> ClusterConnectivity:
    """Who hears whom in one cluster while these channels are powered."""
    awake, ground_v = [], []
    for channel in cluster.channels:
        if channel.phy:
            continue  # of a pair that is joined to a CAN bus
        offset_v = reading.between(channel.gnd, "BODY") if channel.id in powered else None
        if offset_v is not None:
            awake.append(channel)
            ground_v.append(_in_steps(offset_v))
    contacts = tuple(
        None if point is None else (_in_steps(point[0]), float(f"{point[1]:.2g}"))
        for point in (reading.contact_points(cluster.contacts, cluster.leads) if cluster.contacts else ())
    )
    return _solved(cluster, tuple(awake), tuple(ground_v), contacts, reading.state.dominant & powered)


def _in_steps(volt: float) -> float:
    return round(volt / GROUND_STEP_V) * GROUND_STEP_V


@lru_cache(maxsize=1024)
def _solved(
    cluster: BusCluster,
    awake: tuple[Transceiver, ...],
    ground_v: tuple[float, ...],
    contacts: tuple[tuple[float, float] | None, ...],
    dominant: frozenset[str],
) -> ClusterConnectivity:
    if not awake:
        return ClusterConnectivity()
    return BusLevels(cluster, awake, ground_v, contacts, dominant).connectivity()
