"""Which modules the tester can reach at all with some circuits open: a look at the wiring, no run.

Not modeled: anything but open circuits; what a module's software makes of it.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

from sim.bench.traffic import frame_path
from sim.vehicle.car import Car
from sim.vehicle.edits import apply_all
from sim.vehicle.elements import TESTER, TESTER_MIN_V
from sim.vehicle.reading import car_from_text
from sim.wiring.bus_clusters import BusCluster
from sim.wiring.conduction import SwitchState, is_closed
from sim.wiring.connectivity import cluster_connectivity
from sim.wiring.ethernet_connectivity import is_link, link_connectivity, loss_db_of
from sim.wiring.segments import ClusterConnectivity
from sim.wiring.wiring import Reading, Wiring


class ReachableModules:
    """One car, as it is given, and the ways from the tester to its modules."""

    def __init__(self, vehicle: str, given: tuple[str, ...] = ()) -> None:
        self._car = apply_all(car_from_text(vehicle), given)
        self._wiring = Wiring(self._car)
        self._ways = ways_to(self._car)

    def reached(self, opened: frozenset[str], state: SwitchState) -> frozenset[str]:
        """The modules that could have answered, with these elements open and the switches like this.

        They and all on the way have supply, and each hop of the way is heard in both directions.
        """
        reading = self._reading(opened, state)
        if reading.supply_v(TESTER) < TESTER_MIN_V:
            return frozenset()
        specs = self._car.built.modules
        fed = {name for name, spec in specs.items() if reading.supply_v(name) >= spec.min_supply_v} | {TESTER}
        channels = frozenset(id for id, one in self._car.transceivers.items() if one.module in fed)
        clusters = [_without(cluster, opened) for cluster in self._wiring.clusters]
        answers = (self._answer(one, channels, reading, opened, state) for one in clusters)
        links = {link for one in answers for link in one.links}
        both_ways = {pair for pair in links if pair[::-1] in links}
        return frozenset(name for name in fed - {TESTER} if both_ways.issuperset(self._ways[name]))

    def _answer(
        self,
        cluster: BusCluster,
        channels: frozenset[str],
        reading: Reading,
        opened: frozenset[str],
        state: SwitchState,
    ) -> ClusterConnectivity:
        if not is_link(cluster.channels):
            return cluster_connectivity(cluster, channels, reading)
        ids = opened.intersection(self._car.all_elements)
        cut = any(
            {self._car.all_elements[id].a, self._car.all_elements[id].b} & self._car.bus_nodes for id in ids
        )
        there = self._reading(opened, state, lines=True) if cut else reading
        return link_connectivity(cluster, channels, loss_db_of(cluster, there))

    def _reading(self, opened: frozenset[str], state: SwitchState, lines: bool = False) -> Reading:
        """lines: open the elements of bus lines, too."""
        car = self._car
        # what hangs on the bus lines draws next to nothing: opening them is nothing to the supplies
        fed_through = [
            car.all_elements[id] for id in opened if lines or car.all_elements[id].a not in car.bus_nodes
        ]
        taken = frozenset(one.id for one in fed_through if is_closed(one, car, state))
        return Reading(self._wiring, state, self._wiring.solution(state, taken))


def _without(cluster: BusCluster, opened: frozenset[str]) -> BusCluster:
    left = tuple(part for part in cluster.parts if part.id not in opened)
    return cluster if len(left) == len(cluster.parts) else replace(cluster, parts=left)


def ways_to(car: Car) -> dict[str, list[tuple[str, str]]]:
    """The way from the tester to every module, as pairs of channels that must hear each other."""
    known = car.transceivers
    ways = {name: frame_path(car, TESTER, name) for name in car.built.modules}
    return {
        name: [(here, there) for here, there in way if here in known and there in known]
        for name, way in ways.items()
    }


@lru_cache(maxsize=4)
def reach_of(vehicle: str, given: tuple[str, ...]) -> ReachableModules:
    """The same, once per process."""
    return ReachableModules(vehicle, given)
