"""The battery's charge: what the car takes from it over hours, and what the generator gives back.

Between two changes of the electrical network its current is constant, so the charge is exact arithmetic. The
network sees it in steps of one per cent, at which open-circuit voltage and internal resistance are set anew
(`sim.wiring.battery`, `sim.wiring.power`): modules and lamps then take less, and a car that is left alone for
a night costs a hundred looks.

Not modeled: the capacity lost to high currents, cold and age, self-discharge,
and the collapse of the voltage below the nominal zero, where the charge stops.
"""

from __future__ import annotations

from collections.abc import Callable
from math import ceil

from sim.modules.facts import Fact
from sim.modules.world import Timer, World
from sim.network.frames import NS_PER_S
from sim.wiring.power import charge_pct
from sim.wiring.wiring import Reading

STEP_PCT = 1.0
TOLD_PCT = 10.0  # the trace has an event for each of these that is passed downwards
S_PER_H = 3600.0
NS_PER_H = S_PER_H * NS_PER_S
LEAST_WAIT_S = 1e-6  # a step that is due by rounding is taken a moment later


class StateOfCharge:
    """shown_pct: the charge that the network is solved for; `charge_pct` the exact one, both 0 to 100 %."""

    def __init__(self, world: World, on_step: Callable[[], None], on_fall: Callable[[float], None]) -> None:
        self._world = world
        self._on_step = on_step
        self._on_fall = on_fall
        self._capacity_ah = world.car.built.battery.capacity_ah
        self._timer: Timer | None = None
        self._since_ns = world.now_ns
        self._current_a = 0.0
        self._reading: Reading | None = None
        self.given()

    def given(self) -> None:
        """The charge as the car's condition has it: at the beginning, or after an edit of it."""
        self.shown_pct = self._base_pct = self._pct = charge_pct(self._world.car)
        self._sense()
        self._since_ns = self._world.now_ns
        self._taken_ah: dict[str, float] = {}

    @property
    def charge_pct(self) -> float:
        """State of charge now."""
        passed_h = (self._world.now_ns - self._since_ns) / NS_PER_H
        return min(100.0, max(0.0, self._pct - self._rate_pct_per_h * passed_h))

    @property
    def override_pct(self) -> float | None:
        """For the network: None as long as the car's condition says it."""
        return None if self.shown_pct == self._base_pct else self.shown_pct

    def update(self, reading: Reading) -> None:
        """The network has changed: another current flows from here on."""
        self._count()
        self._reading = reading
        self._current_a = reading.current("BAT")
        self._plan()

    def taken_ah(self) -> dict[str, float]:
        """What each module, load, coil and short has taken since the charge was last given, Ah."""
        self._count()
        return dict(self._taken_ah)

    @property
    def _rate_pct_per_h(self) -> float:
        return 100 * self._current_a / self._capacity_ah

    def _count(self) -> None:
        now_ns = self._world.now_ns
        self._pct = self.charge_pct
        if self._reading is not None and now_ns > self._since_ns and self._current_a > 0:
            passed_h = (now_ns - self._since_ns) / NS_PER_H
            for name, amp in consumption_a(self._reading).items():
                self._taken_ah[name] = self._taken_ah.get(name, 0.0) + amp * passed_h
        self._since_ns = now_ns

    def _plan(self) -> None:
        """The next step of the shown charge, if the current stays."""
        if self._timer:
            self._timer.cancel()
        step_pct = -STEP_PCT if self._current_a > 0 else STEP_PCT
        goal_pct = min(100.0, max(0.0, self.shown_pct + step_pct))
        if self._current_a and goal_pct != self.shown_pct:
            wait_s = (self._pct - goal_pct) / self._rate_pct_per_h * S_PER_H
            self._timer = self._world.after(max(LEAST_WAIT_S, wait_s), lambda: self._step(goal_pct))

    def _sense(self) -> None:
        """What a battery sensor can tell of it."""
        self._world.battery_pct = Fact(round(self.shown_pct), self._world.edit_events.get("BAT"))

    def _step(self, goal_pct: float) -> None:
        self._count()
        passed = goal_pct < self.shown_pct and ceil(goal_pct / TOLD_PCT) < ceil(self.shown_pct / TOLD_PCT)
        self._pct = self.shown_pct = goal_pct
        self._sense()
        if passed:
            self._on_fall(goal_pct)
        self._on_step()


def consumption_a(reading: Reading) -> dict[str, float]:
    """What each module, load, relay coil and short takes now, in A, by its name.

    Of a short's current the part that is lost in it: the rest feeds other consumers.
    """
    found: dict[str, float] = {}
    consumers = reading.inventory.consumers
    for name, amp in zip(consumers.values(), reading.currents(list(consumers)), strict=True):
        found[name] = found.get(name, 0.0) + abs(amp)
    battery_v = max(1.0, reading.between("BAT+", "BAT-") or 0.0)
    for part in reading.inventory.shorts:
        lost = abs(reading.between(part.a, part.b) or 0.0) / battery_v
        found[part.id] = found.get(part.id, 0.0) + abs(reading.current(part.id)) * lost
    return found
