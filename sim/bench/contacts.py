"""Contacts that move in simulated time: relays after their coils are switched, and intermittent ones.

An intermittent contact opens by chance at any time alike; or only while it is shaken, by a hand at the
harness there or by the road; or as long as it is hot, in a warm engine bay or under a heat gun.

Not modeled: contact bounce, the engine's own vibration, heat that goes along a wire.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from functools import partial

from sim.bench.causes import Causes
from sim.bench.running_car import RunningCar
from sim.bench.temperature import Spots
from sim.modules.world import Timer, World
from sim.vehicle.car import Car
from sim.vehicle.description_high_voltage import CONTACTORS
from sim.vehicle.wire_ends import WireEnd

PULL_IN_S, DROP_OUT_S = 0.010, 0.005  # relay data sheets give some milliseconds; common practice
BUMPS_S = 6.0  # between two bumps that open a loose contact of a car that drives; common practice
OPENS_ABOVE_C, CLOSES_BELOW_C = 60.0, 50.0  # of a joint that heat opens; from memory
FELT_EVERY_S = 1.0
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
        self._between_s: dict[str, float] = {}  # of those that are shaken now
        self._open: set[str] = set()  # of those that are shaken or hot
        self._in_hand: frozenset[str] = frozenset()
        self._spots = Spots(world)

    def update(self, car: Car) -> None:
        """Start what an edit has made intermittent, stop what it has repaired."""
        known = car.harness.intermittent
        for id in [id for id in self._timers if id not in known]:
            self._timers.pop(id).cancel()
            self._between_s.pop(id, None)
            self._open.discard(id)
        for id, how in known.items():
            self._chance.setdefault(id, random.Random(f"{self._world.seed} {id}"))
            if how.when == "any time" and id not in self._timers:
                self._plan(id, how.between_s, how.open_s, opens=True)
            elif how.when == "when hot" and id not in self._timers:
                self._feel(id)
        self.shake(self._in_hand)

    def shake(self, in_hand: frozenset[str]) -> None:
        """These elements are shaken by hand from now on, and all by the road while the car drives."""
        self._in_hand = in_hand
        driving = self._world.speed_kph.value != 0
        for id, how in self._world.car.harness.intermittent.items():
            if how.when != "when shaken":
                continue
            between_s = how.between_s if id in in_hand else BUMPS_S if driving else 0.0
            if between_s == self._between_s.get(id, 0.0):
                continue
            self._between_s[id] = between_s
            if id in self._timers:
                self._timers[id].cancel()
            self._set(id, opens=False)
            if between_s:
                self._plan(id, between_s, how.open_s, opens=True)

    def treat(self, ids: frozenset[str], temperature_c: float) -> None:
        """A heat gun or freeze spray brings these elements to a temperature, from which they come back."""
        self._spots.bring(ids, temperature_c)

    def _plan(self, id: str, between_s: float, open_s: float, opens: bool) -> None:
        wait_s = max(LEAST_S, self._chance[id].expovariate(1 / (between_s if opens else open_s)))
        self._timers[id] = self._world.after(wait_s, partial(self._due, id, between_s, open_s, opens))

    def _due(self, id: str, between_s: float, open_s: float, opens: bool) -> None:
        self._set(id, opens)
        self._plan(id, between_s, open_s, not opens)

    def _set(self, id: str, opens: bool) -> None:
        if opens != (id in self._open):
            self._open ^= {id}
            self._turn(id, opens)

    def _feel(self, id: str) -> None:
        """Open above one temperature, close below another, and look again."""
        now_c = self._spots.temperature_c(id)
        if now_c > OPENS_ABOVE_C or now_c < CLOSES_BELOW_C:
            self._set(id, now_c > OPENS_ABOVE_C)
        self._timers[id] = self._world.after(FELT_EVERY_S, partial(self._feel, id))
