"""What a module watches: messages that must arrive, values that must be valid, voltages at its own pins.

Nothing is tested, and no code sets, while the enable condition is not true (and for the settling time after
it comes true).

Not modeled: tests that a module runs once at its start only.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from sim.modules.enable_condition import SUPPLY_PIN, EnableConditions
from sim.modules.facts import INVALID
from sim.modules.fault_recorder import FaultRecorder, Maturing, with_test_failure_type
from sim.modules.reception import Reception
from sim.modules.world import Causes
from sim.network.streams import Watch
from sim.vehicle.codes import invalid_data_code, is_known_role, lost_communication_code
from sim.vehicle.description_software import CircuitCheck
from sim.vehicle.messages import Expected

MISSING_MESSAGE = "87"  # SAE J2012-DA failure types, as given by two agreeing open tables
SIGNAL_INVALID = "86"


class Watching(Protocol):
    """What a module watches, with the tests that come of it."""

    @property
    def tests(self) -> Sequence[Maturing]:
        """Its tests."""

    def update(self) -> None:
        """Judge what it watches now."""

    def rest(self) -> None:
        """Nothing is tested any more."""


class MessageMonitor:
    """Watches one message of another module: that it arrives, and that its signals are valid."""

    def __init__(
        self, reception: Reception, faults: FaultRecorder, conditions: EnableConditions, expected: Expected
    ) -> None:
        self.expected = expected
        self.enable_condition = conditions.of(expected.when, expected.after_s)
        self._reception = reception
        self._host = reception.host
        self._message = self._host.world.car.messages.sent[expected.message]
        self._bus = reception.bus_of(expected.message)
        self._channel = reception.channel_of(expected.message)
        lost_code, invalid_code = self._codes()
        times = (expected.mature_s, expected.heal_s)
        self.lost = Maturing(
            faults, lost_code, *times, lambda: f"{expected.message} not received", self._heard_since_start
        )
        self.tests = [self.lost]
        self.invalid: Maturing | None = None
        if invalid_code is not None and self._message.signals:
            words = f"{expected.message} carries invalid values"
            self.invalid = Maturing(faults, invalid_code, *times, lambda: words)
            self.tests.append(self.invalid)
        self._watch: Watch | None = None
        self._since_s = 0.0
        reception.on_arrival(expected.message, self.arrived)

    def _codes(self) -> tuple[str, str | None]:
        """Of the message's loss, and of invalid values, if the sender's role has one."""
        expected = self.expected
        role = self._host.world.car.built.modules[expected.sender].role or expected.sender
        lost = with_test_failure_type(expected.code or lost_communication_code(role), MISSING_MESSAGE)
        invalid = expected.invalid_code
        if invalid is None and is_known_role(role):
            invalid = invalid_data_code(role)
        return lost, invalid and with_test_failure_type(invalid, SIGNAL_INVALID)

    def update(self) -> None:
        """Start or stop watching as the enable condition says, and check validity."""
        if not (self.enable_condition.on and self._reception.may_judge(self._bus)):
            self.rest()
            return
        if self._watch is None:
            self._since_s = self._host.world.now_s
            self._listen()
            # good until the watch says otherwise
            self.lost.judge(False, lambda: self.enable_condition.events, self.expected.limit_s)
        self._check_values()

    def rest(self) -> None:
        """Nothing is tested any more."""
        if self._watch is not None:
            self._watch.cancel()
            self._watch = None
            for test in self.tests:
                test.rest()

    def retune(self) -> None:
        """Follow the message to the stream that brings it now; the limit counts anew from here."""
        source = self._reception.source(self.expected.message)
        if self._watch is not None and self._watch.stream is not source:
            self._watch.cancel()
            self._listen()

    def arrived(self) -> None:
        """The message has come, by whatever stream."""
        if self.lost.failing:
            self._heard()

    def _listen(self) -> None:
        self._watch = self._host.world.network.watch(
            self._reception.source(self.expected.message),
            self._channel,
            self.expected.limit_s,
            self._gone,
            lambda _: self.arrived(),
        )

    def _heard_since_start(self) -> bool:
        source = self._reception.source(self.expected.message)
        heard_s = self._host.world.network.heard_at(source, self._channel)
        return heard_s is not None and heard_s >= self._since_s

    def _check_values(self) -> None:
        if self.invalid is None:
            return
        values = [self._reception.knowledge.value(name) for name in self._message.signals]
        if INVALID in values:
            self.invalid.judge(True, self._value_causes)
        elif any(value is not None for value in values):
            self.invalid.judge(False, self._value_causes)
        else:
            self.invalid.rest()

    def _value_causes(self) -> tuple[int, ...]:
        """What the receiver has last been told, and on what the sender bases its values now."""
        source = self._reception.source(self.expected.message)
        names = self._message.signals
        events = [event for name in names for event in source.causes_of(name)]
        events += [self._reception.knowledge.signal(name).event for name in names]
        return tuple(sorted({event for event in events if event is not None}))

    def _gone(self, time_s: float) -> None:
        name, message = self._host.name, self.expected.message
        explainer = self._host.world.explainer
        causes = explainer.silence(name, message)
        words = f"{name} has not received {message} for {self.expected.limit_s * 1000:g} ms"
        event = self._host.record("lost", words, causes or explainer.arrival(name, message), message, "lost")
        self.lost.judge(True, lambda: (event,))

    def _heard(self) -> None:
        name, message = self._host.name, self.expected.message
        causes = self._host.world.explainer.arrival(name, message)
        event = self._host.record("heard", f"{name} receives {message} again", causes, message, "again")
        self.lost.judge(False, lambda: (event,))


class CircuitMonitor:
    """Watches the voltage at one of the module's own pins."""

    def __init__(self, faults: FaultRecorder, conditions: EnableConditions, check: CircuitCheck) -> None:
        self.check = check
        self.test = Maturing(faults, check.code, check.mature_ms / 1000, check.heal_ms / 1000, self._words)
        self.tests = [self.test]
        own = check.pin.startswith(SUPPLY_PIN)
        self.enable_condition = conditions.of(check.when, check.after_ms / 1000, of_supply=own)
        self.pin_v = self.other_v = 0.0
        self.judged_before: tuple[CircuitMonitor, ...] = ()  # the range of both pins, if it compares two
        self._causes: Causes = tuple

    def measure(self, pin_v: float, other_v: float, causes: Causes) -> None:
        """The voltage at the pin, and at the one that it is compared with, as the wiring has it now.

        `causes` is asked when the result changes.
        """
        self.pin_v, self.other_v = pin_v, other_v
        self._causes = causes

    @property
    def fails(self) -> bool:
        """Is the voltage out of its limits now?"""
        check = self.check
        if check.agrees_with is not None:
            return abs(self.pin_v - check.times * self.other_v) > check.within_v
        low = check.below_v is not None and self.pin_v < check.below_v
        return low or (check.above_v is not None and self.pin_v > check.above_v)

    def causes_now(self) -> tuple[int, ...]:
        """The events that make the voltage what it is."""
        return self._causes()

    def update(self) -> None:
        """Judge the voltage while the test may run."""
        if not self.enable_condition.on or any(one.fails for one in self.judged_before):
            self.rest()
            return
        self.test.judge(self.fails, self._causes)

    def rest(self) -> None:
        """Nothing is tested any more."""
        self.test.rest()

    def _words(self) -> str:
        other = self.check.agrees_with
        more = f", {self.other_v:.1f} V at pin {other}" if other else ""
        return f"{self.pin_v:.1f} V at pin {self.check.pin}{more}"
