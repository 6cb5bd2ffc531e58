"""Contacts that open now and then, at times drawn from the bench's seed.

Not modelled: what shakes them (bumps, engine vibration, heat); they open at any time alike.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from functools import partial

from sim.modules.world import Timer, World
from sim.vehicle.car import Car

LEAST_S = 0.001  # shorter interruptions no input and no bus would notice; common practice


class Intermittents:
    """The intermittent parts of one car. `turn(id, opens)` is called when one opens or closes."""

    def __init__(self, world: World, turn: Callable[[str, bool], None]) -> None:
        self._world, self._turn = world, turn
        self._timers: dict[str, Timer] = {}
        self._chance: dict[str, random.Random] = {}

    def update(self, car: Car) -> None:
        """Start what an edit has made intermittent, stop what it has mended."""
        known = car.harness.intermittent
        for id in [id for id in self._timers if id not in known]:
            self._timers.pop(id).cancel()
        for id in known:
            if id not in self._timers:
                self._chance.setdefault(id, random.Random(f"{self._world.seed} {id}"))
                self._plan(id, car, opens=True)

    def _plan(self, id: str, car: Car, opens: bool) -> None:
        between_s, open_s = car.harness.intermittent[id]
        mean_s = between_s if opens else open_s
        wait_s = max(LEAST_S, self._chance[id].expovariate(1 / mean_s))
        self._timers[id] = self._world.after(wait_s, partial(self._due, id, opens))

    def _due(self, id: str, opens: bool) -> None:
        self._turn(id, opens)
        self._plan(id, self._world.car, not opens)
