"""Whether modules could answer the tester at all with some circuits open: a look at the wiring, no run.

Not modelled: anything but open circuits; what a module's software makes of it.
"""

from __future__ import annotations

import copy
from collections.abc import Iterable
from dataclasses import replace
from functools import lru_cache

from sim.bench.live import LiveCar
from sim.vehicle.car import Car
from sim.vehicle.edits import apply_all
from sim.vehicle.harness import TESTER
from sim.vehicle.reading import car_from_text
from sim.wiring.power import is_closed
from sim.wiring.wiring import Reading, SwitchState, Wiring


class Reach:
    """One car, as it is given, and the ways from the tester to its modules."""

    def __init__(self, vehicle: str, given: tuple[str, ...] = ()) -> None:
        self._car = apply_all(car_from_text(vehicle), given)
        self._wiring = Wiring(self._car)
        self._ways = ways_to(self._car)

    def all_reached(self, modules: Iterable[str], opened: frozenset[str], state: SwitchState) -> bool:
        """Could all these modules have answered, with these elements open and the switches like this?"""
        reading = self._reading(opened, state)
        specs = self._car.built.modules
        fed = {name for name, spec in specs.items() if reading.supply_v(name) >= spec.min_supply_v} | {TESTER}
        wanted = [name for name in modules if name in specs]
        if not fed.issuperset(wanted):
            return False
        channels = frozenset(id for id, one in self._car.transceivers.items() if one.module in fed)
        links = reading.hears(channels).links
        hops = {hop for name in wanted for hop in self._ways[name]}
        return all((here, there) in links and (there, here) in links for here, there in hops)

    def _reading(self, opened: frozenset[str], state: SwitchState) -> Reading:
        car = self._car
        taken = frozenset(id for id in opened if is_closed(car.all_elements[id], car, state))
        wiring = copy.copy(self._wiring)
        wiring.__dict__["clusters"] = tuple(
            replace(cluster, parts=tuple(part for part in cluster.parts if part.id not in opened))
            for cluster in self._wiring.clusters
        )
        return Reading(wiring, state, wiring.solution(state, taken))


def ways_to(car: Car) -> dict[str, list[tuple[str, str]]]:
    """The way from the tester to every module, as pairs of channels that must hear each other."""
    live, known = LiveCar(car), car.transceivers
    ways = {name: live.way(TESTER, name) for name in live.modules}
    return {
        name: [(here, there) for here, there in way if here in known and there in known]
        for name, way in ways.items()
    }


@lru_cache(maxsize=4)
def reach_of(vehicle: str, given: tuple[str, ...]) -> Reach:
    """The same, once per process."""
    return Reach(vehicle, given)
