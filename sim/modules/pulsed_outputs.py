"""Outputs with pulse width modulation: how long of each period a module switches its pin to ground.

The first step of the description whose condition holds gives the duty cycle. A module judges its own pin: at
rest a load pulls it up (its checks of that level are `CircuitMonitor`s), switched it must fall; a pin that
stays high meanwhile is shorted to battery.

Not modeled: duty cycles that change by and by, a driver that protects itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from sim.modules.enable_condition import EnableConditions
from sim.modules.fault_recorder import FaultRecorder, Maturing
from sim.modules.knowledge import Knowledge
from sim.modules.set_up import SetUp
from sim.modules.world import Causes, Host
from sim.vehicle.description_software import PulsedOutput

STAYS_HIGH_SHARE: Final = 0.5  # of the supply, at a pin that is switched to ground; common practice
MATURES_S: Final = 0.5  # common practice
SETTLED_S: Final = 0.5


class PulsedOutputs:
    """The duty cycles of one module; `world.duty_pct` holds them. events: their last change."""

    def __init__(self, host: Host, knowledge: Knowledge, set_up: SetUp, events: dict[str, int]) -> None:
        self._host = host
        self._knowledge = knowledge
        self._set_up = set_up
        self._events = events
        self._rules = {
            pin: [(knowledge.asks(step.when), step) for step in one.steps]
            for pin, one in host.spec.pulsed.items()
        }

    def update(self) -> bool:
        """Choose by the rules; returns whether a duty cycle has changed."""
        changed = False
        for pin, rules in self._rules.items():
            step = next((step for asks, step in rules if asks() is True), None)
            pct = 0 if step is None or self._set_up.is_blank else step.pct
            if pct == self._pct(pin):
                continue
            causes = self._knowledge.judge(step.when).events if step else ()
            title = pin.replace("_", " ")
            words = (
                f"{self._host.name} drives {title} by {pct} %"
                if pct
                else f"{self._host.name} lets {title} go"
            )
            self._events[pin] = self._host.record("output", words, causes)
            self._host.world.duty_pct[self._host.name, pin] = pct
            changed = True
        return changed

    def shut(self) -> None:
        """Supply lost, reset or asleep: no pin is switched."""
        for pin in self._rules:
            if self._pct(pin):
                self._host.world.duty_pct[self._host.name, pin] = 0
                self._events[pin] = self._host.state_event or 0

    def _pct(self, pin: str) -> int:
        return self._host.world.duty_pct.get((self._host.name, pin), 0)


class PulsedMonitor:
    """Watches that a pin falls when it is switched to ground. `told`: its duty cycle, for live data."""

    def __init__(
        self, host: Host, faults: FaultRecorder, conditions: EnableConditions, pin: str, spec: PulsedOutput
    ) -> None:
        self._host = host
        self._pin = pin
        self._enable = conditions.of(None, SETTLED_S)
        self._switched_v = 0.0
        self._causes: Causes = tuple
        self.tests = []
        if spec.battery_code is not None:
            self.tests.append(Maturing(faults, spec.battery_code, MATURES_S, MATURES_S, self._words))

    @property
    def told(self) -> float:
        """The duty cycle in %."""
        return float(self._host.world.duty_pct.get((self._host.name, self._pin), 0))

    def measure(self, switched_v: float, causes: Causes) -> None:
        """The voltage at the pin while it is switched to ground."""
        self._switched_v, self._causes = switched_v, causes

    def update(self) -> None:
        """Judge the pin while it is being switched."""
        if not (self._enable.on and self.told):
            self.rest()
            return
        for test in self.tests:
            test.judge(self._switched_v > STAYS_HIGH_SHARE * self._host.supply_v, self._causes)

    def rest(self) -> None:
        """Nothing is tested any more."""
        for test in self.tests:
            test.rest()

    def _words(self) -> str:
        return f"{self._switched_v:.1f} V at pin {self._pin} while it is switched to ground"


def pulsed_monitors(
    host: Host, faults: FaultRecorder, conditions: EnableConditions
) -> Iterator[tuple[str, PulsedMonitor]]:
    """The monitors of one module's outputs with pulse width modulation, by pin."""
    for pin, spec in host.spec.pulsed.items():
        yield pin, PulsedMonitor(host, faults, conditions, pin, spec)
