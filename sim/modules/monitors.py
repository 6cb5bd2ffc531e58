"""What a module watches: messages that must arrive, values that must be valid, voltages at its own pins.

A fault matures before its code sets, and heals before its test passes again. Nothing is tested, and no
code sets, while the enabling condition is not true (and for the settling time after it comes true).

Not modelled: fault detection counters that move in steps; a fault matures by time.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

from sim.modules.facts import INVALID
from sim.modules.world import Timer
from sim.network.streams import Watch
from sim.vehicle.codes import invalid_data_code, is_known_role, lost_communication_code
from sim.vehicle.conditions import Condition
from sim.vehicle.description import CircuitCheck
from sim.vehicle.messages import Expected

if TYPE_CHECKING:
    from sim.modules.module import ControlModule

TESTS_ABOVE_V = 9.0  # monitors rest below this supply unless the file says otherwise; common practice
MISSING_MESSAGE = "87"  # SAE J2012-DA failure types, as given by two agreeing open tables
SIGNAL_INVALID = "86"


Causes = Callable[[], tuple[int, ...]]


class Maturing:
    """One test with its code: `judge(failing, causes)` starts maturing or healing.

    `proved` is asked before the test passes: has the good been seen, or only nothing bad?
    """

    def __init__(
        self,
        module: ControlModule,
        code: str,
        mature_s: float,
        heal_s: float,
        words: Callable[[], str],
        proved: Callable[[], bool] = lambda: True,
    ) -> None:
        self.module = module
        self.code = code
        self._mature_s = mature_s
        self._heal_s = heal_s
        self._words = words
        self._proved = proved
        self.failing: bool | None = None
        self._causes: Causes = tuple
        self._least_s = 0.0
        self._timer: Timer | None = None
        self._decided_s = -math.inf

    def judge(self, failing: bool, causes: Causes, least_s: float = 0.0) -> None:
        """The monitored thing is bad (or good) from now on; nothing is decided before `least_s` from now.

        `causes` is asked when it is decided.
        """
        if failing is self.failing:
            return
        self._leave()
        self.failing = failing
        self._causes = causes
        self._least_s = least_s
        self._restart()

    def rest(self) -> None:
        """Nothing is tested any more; what is stored stays."""
        self._leave()
        self.failing = None

    def again(self) -> None:
        """The code was cleared: the test runs anew from here."""
        if self.failing is not None:
            self._restart()

    def _leave(self) -> None:
        """What was maturing or healing is over; just before or just behind its end, the order matters."""
        if self._timer is None:
            return
        now_s = self.module.world.now_s
        if self._timer.waiting and (self.failing or self._proved()):
            self.module.world.network.tell_apart(self._timer.due_s - now_s)
        self.module.world.network.tell_apart(now_s - self._decided_s)
        self._timer.cancel()

    def _restart(self) -> None:
        if self._timer:
            self._timer.cancel()
        action, delay_s = (self._fail, self._mature_s) if self.failing else (self._pass, self._heal_s)
        self._timer = self.module.world.after(max(delay_s, self._least_s), action)

    def _fail(self) -> None:
        self._decided_s = self.module.world.now_s
        self.module.set_code(self.code, self._words(), self._causes)

    def _pass(self) -> None:
        if self._proved():
            self._decided_s = self.module.world.now_s
            self.module.heal_code(self.code, self._causes)


class Enabling:
    """May the tests of one condition run? `on` once it has held for the settling time."""

    def __init__(self, module: ControlModule, when: Condition | None, after_s: float) -> None:
        self._module = module
        self._when = when
        self._asks = module.asks_monitoring(when)
        self._after_s = after_s
        self._timer: Timer | None = None
        self.on = False
        self.events: tuple[int, ...] = ()

    def look(self) -> None:
        """Judge the condition now."""
        if not (self._module.tests_run and self._asks() is True):
            self.stop()
        elif not self.on and (self._timer is None or not self._timer.waiting):
            self.events = self._module.judge_monitoring(self._when).events
            self._timer = self._module.world.after(self._after_s, self._settled)

    def stop(self) -> None:
        """The tests may not run; the settling time begins anew."""
        self.on = False
        if self._timer:
            self._timer.cancel()
            self._timer = None

    def _settled(self) -> None:
        self.on = True
        self._module.invalidate()


class MessageMonitor:
    """Watches one message of another module: that it arrives, and that its signals are valid."""

    def __init__(self, module: ControlModule, expected: Expected) -> None:
        self.module = module
        self.expected = expected
        self._channel = module.receiving_channel(expected.message)
        role = module.world.car.built.modules[expected.sender].role or expected.sender
        lost_code = with_failure_type(expected.code or lost_communication_code(role), MISSING_MESSAGE)
        invalid_code = expected.invalid_code
        if invalid_code is None and is_known_role(role):
            invalid_code = invalid_data_code(role)
        times = (expected.mature_s, expected.heal_s)
        self.lost = Maturing(
            module, lost_code, *times, lambda: f"{expected.message} not heard", self._heard_since_start
        )
        self.invalid: Maturing | None = None
        self._signals = tuple(module.world.car.messages.sent[expected.message].signals)
        if invalid_code is not None and self._signals:
            self.invalid = Maturing(
                module,
                with_failure_type(invalid_code, SIGNAL_INVALID),
                *times,
                lambda: f"{expected.message} carries invalid values",
            )
        self.enabling = module.enabling(expected.when, expected.after_s)
        self._watch: Watch | None = None
        self._since_s = 0.0

    @property
    def tests(self) -> list[Maturing]:
        """The tests of this monitor, each with its own code."""
        return [self.lost, *([self.invalid] if self.invalid else [])]

    def look(self) -> None:
        """Start or stop watching as the enabling condition says, and look at validity."""
        if not (self.enabling.on and self._may_judge()):
            self.rest()
            return
        if self._watch is None:
            self._since_s = self.module.world.now_s
            self._listen()
            # good until the watch says otherwise
            self.lost.judge(False, lambda: self.enabling.events, self.expected.limit_s)
        self._look_at_values()

    def _may_judge(self) -> bool:
        return self.module.is_open(self._channel) and not self.module.judges_nothing_on(self._channel)

    def rest(self) -> None:
        """Nothing is tested any more."""
        if self._watch is not None:
            self._watch.cancel()
            self._watch = None
            for test in self.tests:
                test.rest()

    def retune(self) -> None:
        """Follow the message to the stream that brings it now; the limit counts anew from here."""
        if self._watch is not None and self._watch.stream is not self.module.source(self.expected.message):
            self._watch.cancel()
            self._listen()

    def arrived(self) -> None:
        """The message has come, by whatever stream."""
        if self.lost.failing:
            self._heard()

    def _listen(self) -> None:
        self._watch = self.module.world.network.watch(
            self.module.source(self.expected.message),
            self._channel,
            self.expected.limit_s,
            self._gone,
            lambda _: self.arrived(),
        )

    def _heard_since_start(self) -> bool:
        source = self.module.source(self.expected.message)
        heard_s = self.module.world.network.heard_at(source, self._channel)
        return heard_s is not None and heard_s >= self._since_s

    def _look_at_values(self) -> None:
        if self.invalid is None:
            return
        values = [self.module.value(name) for name in self._signals]
        if INVALID in values:
            self.invalid.judge(True, self._value_causes)
        elif any(value is not None for value in values):
            self.invalid.judge(False, self._value_causes)
        else:
            self.invalid.rest()

    def _value_causes(self) -> tuple[int, ...]:
        """What the receiver has last been told, and on what the sender bases its values now."""
        source = self.module.source(self.expected.message)
        events = [event for name in self._signals for event in source.causes_of(name)]
        events += [self.module.signal(name).event for name in self._signals]
        return tuple(sorted({event for event in events if event is not None}))

    def _gone(self, time_s: float) -> None:
        module = self.module
        causes = module.world.explainer.silence(module.name, self.expected.message)
        limit_ms = self.expected.limit_s * 1000
        event = module.world.record(
            "lost",
            module.name,
            f"{module.name} has not heard {self.expected.message} for {limit_ms:g} ms",
            causes or module.world.explainer.arrival(module.name, self.expected.message),
        )
        self.lost.judge(True, lambda: (event,))

    def _heard(self) -> None:
        module = self.module
        event = module.world.record(
            "heard",
            module.name,
            f"{module.name} hears {self.expected.message} again",
            module.world.explainer.arrival(module.name, self.expected.message),
        )
        self.lost.judge(False, lambda: (event,))


class CircuitMonitor:
    """Watches the voltage at one of the module's own pins."""

    def __init__(self, module: ControlModule, check: CircuitCheck) -> None:
        self.module = module
        self.check = check
        self.test = Maturing(module, check.code, check.mature_ms / 1000, check.heal_ms / 1000, self._words)
        self.enabling = module.enabling(check.when, check.after_ms / 1000)
        self.pin_v = 0.0
        self._causes: Causes = tuple

    def measure(self, pin_v: float, causes: Causes) -> None:
        """The voltage at the pin as the wiring has it now; `causes` is asked when the verdict changes."""
        self.pin_v = pin_v
        self._causes = causes

    def look(self) -> None:
        """Judge the voltage while the test may run."""
        if not self.enabling.on:
            self.rest()
            return
        low = self.check.below_v is not None and self.pin_v < self.check.below_v
        high = self.check.above_v is not None and self.pin_v > self.check.above_v
        failing = low or high
        if failing is not self.test.failing:
            self.test.judge(failing, self._causes)

    def rest(self) -> None:
        """Nothing is tested any more."""
        self.test.rest()

    def _words(self) -> str:
        return f"{self.pin_v:.1f} V at pin {self.check.pin}"


def with_failure_type(code: str, failure_type: str) -> str:
    """A code with the failure type that fits its test, unless the file gives one."""
    return code if "-" in code else f"{code}-{failure_type}"
