"""Enable conditions: what lets a module's tests run, once it has held for the settling time.

By default a test needs the ignition, as far as the module senses it, and its supply in range; a test of the
supply itself runs down to the voltage at which the module resets.

Not modeled: enable conditions over a battery that is just being charged.
"""

from __future__ import annotations

from sim.modules.facts import Evaluation
from sim.modules.knowledge import Knowledge
from sim.modules.world import Host, Timer
from sim.vehicle.conditions import Condition

TESTS_ABOVE_V = 9.0  # for each battery in series: monitors rest below this supply; common practice
SUPPLY_PIN = "B+"  # a check of such a pin is one of the module's own supply


class EnableCondition:
    """May the tests of one condition run? `on` once it has held for the settling time."""

    def __init__(
        self,
        host: Host,
        knowledge: Knowledge,
        when: Condition | None,
        after_s: float,
        of_supply: bool = False,
    ) -> None:
        self._host = host
        self._knowledge = knowledge
        self._when = when
        self._rule = self._senses_ignition if when is None else knowledge.asks(when)
        self._after_s = after_s
        self._above_v = 0.0 if of_supply else TESTS_ABOVE_V * host.world.car.built.battery.in_series
        self._timer: Timer | None = None
        self.on = False
        self.events: tuple[int, ...] = ()

    def judge(self) -> Evaluation:
        """Is the supply in range, and the file's condition true or, by default, the ignition sensed?"""
        if self._host.supply_v < self._above_v:
            event = self._host.state_event
            return Evaluation(False, () if event is None else (event,))
        if self._when is not None:
            return self._knowledge.judge(self._when)
        event = next((fact.event for fact in self._knowledge.lines.values()), None)
        return Evaluation(self._senses_ignition(), () if event is None else (event,))

    def update(self) -> None:
        """Evaluate the condition now."""
        if not (self._host.tests_run and self.asks() is True):
            self.stop()
        elif not self.on and (self._timer is None or not self._timer.waiting):
            self.events = self.judge().events
            self._timer = self._host.world.after(self._after_s, self._settled)

    def stop(self) -> None:
        """The tests may not run; the settling time begins anew."""
        self.on = False
        if self._timer:
            self._timer.cancel()
            self._timer = None

    def asks(self) -> bool | None:
        """The value of `judge` alone."""
        return self._host.supply_v >= self._above_v and self._rule()

    def _senses_ignition(self) -> bool:
        lines = self._knowledge.lines
        return not lines or any(fact.value is True for fact in lines.values())

    def _settled(self) -> None:
        self.on = True
        self._host.invalidate()


class EnableConditions:
    """The enable conditions of one module, each shared by the tests that have it."""

    def __init__(self, host: Host, knowledge: Knowledge) -> None:
        self._host = host
        self._knowledge = knowledge
        self._all: dict[tuple[Condition | None, float, bool], EnableCondition] = {}

    def of(self, when: Condition | None, after_s: float, *, of_supply: bool = False) -> EnableCondition:
        """What enables tests of one condition and settling time. of_supply: they test the supply itself."""
        key = (when, after_s, of_supply)
        if key not in self._all:
            self._all[key] = EnableCondition(self._host, self._knowledge, when, after_s, of_supply)
        return self._all[key]

    def update(self) -> None:
        """Evaluate all of them now."""
        for one in self._all.values():
            one.update()

    def stop(self) -> None:
        """No test may run."""
        for one in self._all.values():
            one.stop()
