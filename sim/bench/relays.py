"""The relays of a live car: they pull in and drop out a few milliseconds after their coils are switched."""

from __future__ import annotations

from functools import partial

from sim.bench.causes import Causes
from sim.bench.running_car import RunningCar
from sim.modules.world import Timer

PULL_IN_S, DROP_OUT_S = 0.010, 0.005  # relay data sheets give some milliseconds; common practice


class Relays:
    """pulled_in: the relays whose contacts are closed."""

    def __init__(self, live: RunningCar, causes: Causes) -> None:
        self._live = live
        self._causes = causes
        self._timers: dict[str, Timer] = {}
        self.pulled_in: frozenset[str] = frozenset()

    def update(self) -> None:
        """Start a timer for each relay whose coil says otherwise than its contact, stop what is not due."""
        wanted = self._live.reading.relays_wanted()
        for name in sorted(self._live.car.built.relays):
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
        latest, relay = self._live.latest, self._live.car.built.relays[name]
        pulled_in = name not in self.pulled_in
        self.pulled_in = self.pulled_in ^ {name}
        causes = (self._causes.coil(relay.driver), None if pulled_in else latest.trigger)
        title = f" ({relay.title})" if relay.title else ""
        words = f"relay {name}{title} {'pulls in' if pulled_in else 'drops out'}"
        latest.switches[name] = self._live.world.record("relay", name, words, causes)
        self._live.electrical(latest.switches[name])
