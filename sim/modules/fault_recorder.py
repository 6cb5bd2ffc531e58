"""The way of a test's result into a module's fault memory and into the trace.

Not modelled: what a module has not yet written to its memory when it loses its supply.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from sim.modules.fault_memory import DtcRule, FaultMemory, SnapshotRecord, Status
from sim.modules.host import Causes, Host
from sim.modules.knowledge import Knowledge


class RecordedTest(Protocol):
    """A test that can set a code, and that runs anew once the code is cleared."""

    code: str

    def again(self) -> None:
        """Run anew from here."""


class FaultRecorder:
    """Keeps the fault memory of one module.

    tests: every test that can set a code. dtc_events: the event that set a code, until it is cleared.
    """

    def __init__(self, host: Host, knowledge: Knowledge) -> None:
        self.world = host.world
        self.memory = FaultMemory(on_change=self._status_changed)
        self.tests: Sequence[RecordedTest] = ()
        self.dtc_events: dict[str, int] = {}
        self._host = host
        self._knowledge = knowledge

    def declare(self, tests: Sequence[RecordedTest]) -> None:
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
        snapshot = SnapshotRecord(self.world.now_s, round(host.supply_v, 2), self._knowledge.known_mode())
        if not failed_before and self.memory.recording:
            words = f"{host.name} sets {entry.code}: {words}"
            self.dtc_events[entry.code] = host.record("code", words, causes())
        self.memory.test_failed(code, snapshot)

    def heal_dtc(self, code: str, causes: Causes) -> None:
        """A test has passed."""
        if self.memory.get(code).status & Status.TEST_FAILED and self.memory.recording:
            self._host.record("code heals", f"{self._host.name}: {code} no longer fails", causes())
        self.memory.test_passed(code)

    def ignition_on(self, by_line: bool = False) -> None:
        """An operation cycle begins with the ignition: by the sense line, or by what the module receives."""
        if self._host.state == "running" and by_line == bool(self._knowledge.lines):
            self.memory.new_operation_cycle()

    def _status_changed(self, code: str, old: int, new: int) -> None:
        cleared = Status.TEST_NOT_COMPLETED_SINCE_CLEAR | Status.TEST_NOT_COMPLETED_THIS_CYCLE
        if new != cleared:
            return
        self.dtc_events.pop(code, None)
        if old & (Status.PENDING | Status.CONFIRMED):
            words = f"{self._host.name}: {code} is cleared"
            self._host.record("code cleared", words, (self.world.tester_event,))
        for test in self.tests:
            if self.memory.get(test.code).code == code:
                test.again()
