"""From a test to its code: a fault matures before its code sets, and heals before its test passes again.

Results go into the module's fault memory and into the trace.

Not modeled: fault detection counters that move in steps (a fault matures by time); what a module has not yet
written to its memory when it loses its supply.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from sim.modules.facts import ENGINE_RPM, Fact, Known
from sim.modules.fault_memory import CLEARED, DtcRule, FaultMemory, SnapshotRecord, Status
from sim.modules.knowledge import Knowledge
from sim.modules.world import Causes, Host, Timer
from sim.vehicle.messages import conditions_of


class FaultRecorder:
    """Keeps the fault memory of one module.

    tests: every test that can set a code. dtc_events: the event that set a code, until it is cleared.
    Tells `Knowledge` whether a code asks for the engine lamp.
    """

    def __init__(self, host: Host, knowledge: Knowledge) -> None:
        self.world = host.world
        self.memory = FaultMemory(on_change=self._status_changed)
        self.tests: Sequence[Maturing] = ()
        self.dtc_events: dict[str, int] = {}
        self._host = host
        self._knowledge = knowledge
        conditions = conditions_of(host.world.car.built, host.name)
        self._reads_codes = any(leaf.code for _, one in conditions for leaf in one.leaves())

    def declare(self, tests: Sequence[Maturing]) -> None:
        """Take these tests, and their codes into the memory."""
        self.tests = tests
        spec = self._host.spec
        rules = [DtcRule(test.code, spec.confirm_cycles, spec.aging_cycles) for test in tests]
        for rule in dict.fromkeys(rules):  # two tests may share a code
            self.memory.declare(rule)

    def set_dtc(self, code: str, words: str, causes: Causes) -> None:
        """A test has failed for as long as it takes."""
        entry, host = self.memory.get(code), self._host
        failed_before = bool(entry.status & Status.TEST_FAILED)
        snapshot = self._snapshot()
        if not failed_before and self.memory.recording:
            words = f"{host.name} sets {entry.code}: {words}"
            self.dtc_events[entry.code] = host.record("code", words, causes(), entry.code, "present")
        self.memory.test_failed(code, snapshot)
        self._note_failed(entry.code, failed=True)

    def _snapshot(self) -> SnapshotRecord:
        """What the module knows now; the engine's module measures coolant and engine speed itself."""
        world, known = self.world, self._knowledge
        coolant_c, engine_rpm = None, _figure(known.value("engine_speed_rpm"))
        if known.runs_engine:
            coolant_c, engine_rpm = (
                float(round(world.coolant_c())),
                float(ENGINE_RPM[str(world.engine.value)]),
            )
        return SnapshotRecord(
            world.now_s, round(self._host.supply_v, 2), known.known_mode(),
            coolant_c, engine_rpm, _figure(known.value("vehicle_speed_kph")),
        )  # fmt: skip

    def heal_dtc(self, code: str, causes: Causes) -> None:
        """A test has passed."""
        if self.memory.get(code).status & Status.TEST_FAILED and self.memory.recording:
            words = f"{self._host.name}: {code} no longer fails"
            self._host.record("code heals", words, causes(), code, "stored")
        self.memory.test_passed(code)
        self._note_failed(self.memory.get(code).code, failed=False)

    def _note_failed(self, code: str, failed: bool) -> None:
        """Let what reads the module's own codes know: a status bit tells of tests before its start, too."""
        known = self._knowledge.failed_since_start
        if failed == (code in known):
            return
        if failed:
            known[code] = self.dtc_events.get(code)
        else:
            del known[code]
        if self._reads_codes:
            self._host.invalidate()

    def ignition_on(self, by_line: bool = False) -> None:
        """An operation cycle begins with the ignition: by the sense line, or by what the module receives."""
        if self._host.answers and by_line == bool(self._knowledge.lines):
            self.memory.new_operation_cycle()

    def _judge_engine_lamp(self) -> None:
        asking = self.memory.lamp_codes
        if bool(asking) is not self._knowledge.engine_lamp.value:
            event = next((self.dtc_events[one] for one in asking if one in self.dtc_events), None)
            self._knowledge.engine_lamp = Fact(bool(asking), event)
            self._host.invalidate()

    def _status_changed(self, code: str, old: int, new: int) -> None:
        self._judge_engine_lamp()
        if (old ^ new) & Status.TEST_FAILED:
            self._knowledge.failing.pop(code, None)
            if new & Status.TEST_FAILED:
                self._knowledge.failing[code] = self.dtc_events.get(code)
            self._host.invalidate()
        if (old ^ new) & Status.CONFIRMED:
            self._knowledge.stored.pop(code, None)
            if new & Status.CONFIRMED:
                self._knowledge.stored[code] = self.dtc_events.get(code)
            self._host.invalidate()
        if new != CLEARED:
            return
        self.dtc_events.pop(code, None)
        self._note_failed(code, failed=False)
        if old & (Status.PENDING | Status.CONFIRMED):
            words = f"{self._host.name}: {code} is cleared"
            self._host.record("code cleared", words, (self.world.tester_event,), code, "cleared")
        for test in self.tests:
            if self.memory.get(test.code).code == code:
                test.again()


def _figure(value: Known) -> float | None:
    """A signal's number; None while it is not received, invalid, or none."""
    return float(value) if isinstance(value, int) and not isinstance(value, bool) else None


class Maturing:
    """One test with its code: `judge(failing, causes)` starts maturing or healing.

    `proved` is asked before the test passes: was the good seen, or only nothing bad?
    """

    def __init__(
        self,
        recorder: FaultRecorder,
        code: str,
        mature_s: float,
        heal_s: float,
        words: Callable[[], str],
        proved: Callable[[], bool] = lambda: True,
    ) -> None:
        self.code = code
        self.failing: bool | None = None
        self._recorder = recorder
        self._world = recorder.world
        self._mature_s = mature_s
        self._heal_s = heal_s
        self._words = words
        self._proved = proved
        self._causes: Causes = tuple
        self._least_s = 0.0
        self._timer: Timer | None = None
        self._decided_s = -math.inf

    @property
    def words(self) -> str:
        """What fails, with its values now."""
        return self._words()

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
        """End what was maturing or healing; just before or just after its due time, the order matters."""
        if self._timer is None:
            return
        now_s = self._world.now_s
        if self._timer.waiting and (self.failing or self._proved()):
            self._world.network.tell_apart(self._timer.left_s)
        self._world.network.tell_apart(now_s - self._decided_s)
        self._timer.cancel()

    def _restart(self) -> None:
        if self._timer:
            self._timer.cancel()
        action, delay_s = (self._fail, self._mature_s) if self.failing else (self._pass, self._heal_s)
        self._timer = self._world.after(max(delay_s, self._least_s), action)

    def _fail(self) -> None:
        self._decided_s = self._world.now_s
        self._recorder.set_dtc(self.code, self._words(), self._causes)

    def _pass(self) -> None:
        if self._proved():
            self._decided_s = self._world.now_s
            self._recorder.heal_dtc(self.code, self._causes)


def judge_all(tests: Sequence[Maturing], enabled: bool, failing: bool, causes: Causes) -> None:
    """Judge tests of one thing while they are enabled; otherwise nothing is tested."""
    for test in tests:
        if enabled:
            test.judge(failing, causes)
        else:
            test.rest()


def with_test_failure_type(code: str, failure_type: str) -> str:
    """A code with the failure type that fits its test, unless the vehicle file gives one."""
    return code if "-" in code else f"{code}-{failure_type}"
