"""Parts with electronics of their own that a module commands by pulse width, such as a radiator fan.

A unit pulls its command wire up to its own supply, and a module switches the wire to ground for a share of
each period. The unit judges what arrives at its own terminals: both levels must be there. It turns by the
duty cycle between `LEAST_PCT` and `MOST_PCT`; without a command that it understands it turns at full speed
after a moment, so that the engine does not overheat. One whose supply gives way under its own motor stops and
tries again. All of it is common practice.

Not modeled: what the motor draws when it starts, a motor that sits still, heat.
"""

from __future__ import annotations

from functools import partial
from typing import Final

from sim.bench.causes import Causes
from sim.bench.pulses import command_trains, step_v
from sim.bench.running_car import RunningCar
from sim.modules.world import Timer
from sim.vehicle.description_wiring import Unit
from sim.wiring.wiring import Reading

LOW_SHARE: Final = 0.3  # of the unit's supply: its command wire is low below this
HIGH_SHARE: Final = 0.6  # and high above this
LEAST_PCT: Final = 12  # below, the motor is at rest
MOST_PCT: Final = 95  # above, the wire counts as shorted
FULL_PCT: Final = 100
AGAIN_S: Final = 2.0  # after its supply has given way


class CommandedUnits:
    """The units of one car; `speeds_pct` is what each motor turns at, of its full speed."""

    def __init__(self, live: RunningCar, causes: Causes) -> None:
        self._live = live
        self._causes = causes
        self.speeds_pct: dict[str, int] = {}
        self._failing: dict[str, Timer] = {}  # units that are about to give up on their command
        self._resting: dict[str, Timer] = {}  # units that wait before they try again
        self._seen: tuple[Reading, tuple[object, ...]] | None = None
        loads = live.car.built.loads.items()
        self._units = {name: load.unit for name, load in loads if load.unit is not None}

    @property
    def turning(self) -> frozenset[tuple[str, int]]:
        """The motors that turn, for the electrical network."""
        return frozenset((name, pct) for name, pct in self.speeds_pct.items() if pct)

    @property
    def roaring(self) -> tuple[str, ...]:
        """The units that turn at full speed."""
        return tuple(name for name, pct in self.speeds_pct.items() if pct == FULL_PCT)

    def update(self) -> None:
        """Let every unit judge its supply and its command, where one of them may have changed."""
        seen = self._live.reading, tuple(self._live.world.duty_pct.items())
        if self._units and seen != self._seen:
            self._seen = seen
            for name, unit in self._units.items():
                self._judge(name, unit)

    def _judge(self, name: str, unit: Unit) -> None:
        supply_v = self._live.reading.between(f"{name}.1", f"{name}.3") or 0.0
        if supply_v < unit.works_above_v:
            self._stop(self._failing, name)
            if self.speeds_pct.get(name):
                self._turn(name, 0, "loses its supply and stops")
                self._resting[name] = self._live.world.after(AGAIN_S, partial(self._try_again, name))
        elif name in self._resting:
            return
        elif (pct := self._commanded_pct(name, supply_v)) is not None:
            self._stop(self._failing, name)
            self._turn(name, pct, f"turns at {pct} % of its speed" if pct else "comes to rest")
        elif self.speeds_pct.get(name) != FULL_PCT and name not in self._failing:
            wait = partial(self._give_up, name)
            self._failing[name] = self._live.world.after(unit.fails_after_s, wait)

    def _commanded_pct(self, name: str, supply_v: float) -> int | None:
        """The duty cycle that arrives; None: nothing that the unit understands."""
        here = (f"{name}.2", f"{name}.3")
        high_v = self._live.reading.between(*here)
        if high_v is None or high_v < HIGH_SHARE * supply_v:
            return None
        for train in command_trains(self._live.car, self._live.world):
            if high_v + step_v(self._live.reading, train, *here) < LOW_SHARE * supply_v:
                pct = round(100 * train.share)
                return None if pct > MOST_PCT else pct if pct >= LEAST_PCT else 0
        return None

    def _stop(self, timers: dict[str, Timer], name: str) -> None:
        if timer := timers.pop(name, None):
            timer.cancel()

    def _give_up(self, name: str) -> None:
        self._stop(self._failing, name)
        end = self._live.car.built.loads[name].end
        module = self._live.modules[end.part]
        culprits = self._live.reading.why_sensed_wrong(((f"{end.part}:{end.pin}", f"{name}.2"),))
        causes = self._causes.edits(culprits, name)
        if not causes and not module.sends:
            causes = self._causes.state(end.part)
        self._turn(name, FULL_PCT, "gets no command that it understands and turns at full speed", causes)

    def _try_again(self, name: str) -> None:
        self._stop(self._resting, name)
        self._seen = None
        self._live.invalidate()

    def _turn(self, name: str, pct: int, words: str, causes: tuple[int, ...] = ()) -> None:
        if pct == self.speeds_pct.get(name, 0):
            return
        self.speeds_pct[name] = pct
        words = f"{name.replace('_', ' ')} {words}"
        why = causes or self._causes.trigger()
        self._live.electrical(self._live.world.record("unit", name, words, why, name, str(pct)))
