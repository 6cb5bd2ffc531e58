"""Contacts that move in simulated time: relays after their coils are switched, intermittent ones by chance.

Not modelled: contact bounce; what shakes an intermittent contact (bumps, engine vibration, heat): it opens at
any time alike.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from functools import partial

from sim.bench.causes import Causes
from sim.bench.running_car import RunningCar
from sim.modules.world import Timer, World
from sim.vehicle.car import Car
from sim.vehicle.description_high_voltage import CONTACTORS
from sim.vehicle.wire_ends import WireEnd

PULL_IN_S, DROP_OUT_S = 0.010, 0.005  # relay data sheets give some milliseconds; common practice
LEAST_S = 0.001  # shorter interruptions no input and no bus would notice; common practice


class Relays:
    """pulled_in: the relays whose contacts are closed."""

    def __init__(self, live: RunningCar, causes: Causes) -> None:
        self._live = live
        self._causes = causes
        self._timers: dict[str, Timer] = {}
        spec = live.car.built.high_voltage
        self._contactors = dict.fromkeys(CONTACTORS, spec.controller) if spec else {}
        self._names = sorted((*live.car.built.relays, *self._contactors))
        self.pulled_in: frozenset[str] = frozenset()

    def update(self) -> None:
        """Start a timer for each relay whose coil says otherwise than its contact, stop what is not due."""
        wanted = self._live.reading.relays_wanted()
        for name in self._names:
            due = (name in wanted) != (name in self.pulled_in)
            timer = self._timers.get(name)
            if due and timer is None:
                delay_s = PULL_IN_S if name in wanted else DROP_OUT_S
                self._timers[name] = self._live.world.after(delay_s, partial(self._flip, name))
            elif not due and timer is not None:
                timer.cancel()
                del self._timers[name]

    def _flip(self, name: str) -> None:
        del self._timers[name]
        latest = self._live.latest
        pulled_in = name not in self.pulled_in
        self.pulled_in = self.pulled_in ^ {name}
        driver, title = self._driver(name)
        causes = (self._causes.coil(driver), None if pulled_in else latest.trigger)
        words = f"{title} {'pulls in' if pulled_in else 'drops out'}"
        on = "on" if pulled_in else "off"
        latest.switches[name] = self._live.world.record("relay", name, words, causes, value=on)
        self._live.electrical(latest.switches[name])

    def _driver(self, name: str) -> tuple[WireEnd, str]:
        """What drives a coil, and what it is of."""
        if name in self._contactors:
            return WireEnd(self._contactors[name], name), f"contactor {name}"
        relay = self._live.car.built.relays[name]
        return relay.driver, f"relay {name}{f' ({relay.title})' if relay.title else ''}"


class Intermittents:
    """The intermittent parts of one car. `turn(id, opens)` is called when one opens or closes."""

    def __init__(self, world: World, turn: Callable[[str, bool], None]) -> None:
        self._world, self._turn = world, turn
        self._timers: dict[str, Timer] = {}
        self._chance: dict[str, random.Random] = {}

    def update(self, car: Car) -> None:
        """Start what an edit has made intermittent, stop what it has repaired."""
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
