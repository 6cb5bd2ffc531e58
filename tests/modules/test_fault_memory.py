"""Fault memory against the rules of ISO 14229-1 as given by open-source implementations."""

from collections.abc import Callable

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from udsoncan import Dtc

from sim.modules.fault_memory import CLEARED, DtcRule, FaultMemory, SnapshotRecord, Status
from sim.vehicle.codes import CodeError, dtc_bytes

CODE = "U0100-87"


def at(time_s: float) -> SnapshotRecord:
    return SnapshotRecord(time_s, 12.6, "run")


def memory_with(**rule_values: int) -> FaultMemory:
    return FaultMemory([DtcRule(CODE, **rule_values)])


def status(memory: FaultMemory, code: str = CODE) -> str:
    return f"{memory.get(code).status:02X}"


@pytest.mark.parametrize(
    ("threshold", "expected"),
    [
        (2, "50 00 27 26 64 24 60 20 60 20"),
        (1, "50 00 2F 2E 6C 2C 68 28 60 20"),
    ],
)
def test_status_byte_through_a_whole_life(threshold: int, expected: str) -> None:
    """Cleared, passed, failed, healed, cycle without test, good cycle, next start, passed, aged, passed.

    Computed from the rules of ISO 14229-1 as given by open-source implementations.
    """
    memory = memory_with(confirmation_cycles=threshold, aging_cycles=2)
    seen = [status(memory)]

    def note() -> None:
        seen.append(status(memory))

    memory.test_passed(CODE)
    note()
    memory.test_failed(CODE, at(1))
    note()
    memory.test_passed(CODE)
    note()
    memory.new_operation_cycle()  # the test does not run in this cycle: still pending after it
    memory.new_operation_cycle()
    note()
    memory.test_passed(CODE)
    note()
    memory.new_operation_cycle()
    note()
    memory.test_passed(CODE)
    note()
    memory.new_operation_cycle()
    note()
    memory.test_passed(CODE)
    note()
    assert expected == " ".join(seen)


@pytest.mark.parametrize(("threshold", "expected"), [(2, "65"), (1, "6D")])
def test_a_fault_that_is_still_there_survives_the_change_of_cycle(threshold: int, expected: str) -> None:
    """testFailed stays set until the test runs again (ISO 14229-1, second-hand)."""
    memory = memory_with(confirmation_cycles=threshold)
    memory.test_failed(CODE, at(1))
    memory.new_operation_cycle()
    assert expected == status(memory)


def test_two_failing_cycles_confirm_a_code_of_threshold_two() -> None:
    """A cycle without a test between them does not count; a good cycle starts the count again."""
    memory = memory_with(confirmation_cycles=2)
    memory.test_failed(CODE, at(1))
    memory.new_operation_cycle()
    memory.new_operation_cycle()
    memory.test_failed(CODE, at(2))
    assert "2F" == status(memory)
    memory = memory_with(confirmation_cycles=2)
    memory.test_failed(CODE, at(1))
    memory.new_operation_cycle()
    memory.test_passed(CODE)
    memory.new_operation_cycle()
    memory.test_failed(CODE, at(2))
    assert "27" == status(memory)


def test_forty_good_cycles_age_a_confirmed_code() -> None:
    """39 good cycles keep it, the 40th forgets it (common practice); one bad cycle starts the count again."""
    memory = memory_with()
    memory.test_failed(CODE, at(1))
    for _ in range(40):  # the first of these ends the failing cycle itself
        memory.new_operation_cycle()
        memory.test_passed(CODE)
    assert "28" == status(memory)
    assert memory.get(CODE).aging_count == 39
    memory.test_failed(CODE, at(2))
    assert memory.get(CODE).aging_count == 0
    for _ in range(41):
        memory.new_operation_cycle()
        memory.test_passed(CODE)
    assert "20" == status(memory)
    assert not memory.get(CODE).stored


def test_snapshots_and_counts() -> None:
    """The first snapshot stays, the last follows each new occurrence, a lasting fault is one occurrence."""
    memory = memory_with()
    for time_s in (1.0, 2.0):
        memory.test_failed(CODE, at(time_s))
    memory.test_passed(CODE)
    memory.test_failed(CODE, at(3.0))
    entry = memory.get(CODE)
    assert (2, at(1.0), at(3.0)) == (entry.occurrences, entry.first, entry.last)
    memory.clear(CODE)
    assert (0, None, None, CLEARED) == (entry.occurrences, entry.first, entry.last, entry.status)


def test_fault_detection_counter() -> None:
    """+127 once the test has failed, -128 once it has passed; a cycle begins at 0 (ISO 14229-1)."""
    memory = memory_with()
    counters = [memory.get(CODE).counter]
    for step in (
        lambda: memory.test_failed(CODE, at(1)),
        lambda: memory.test_passed(CODE),
        memory.new_operation_cycle,
    ):
        step()
        counters.append(memory.get(CODE).counter)
    assert [0, 127, -128, 0] == counters


def test_nothing_is_recorded_while_recording_is_off() -> None:
    """ControlDTCSetting off freezes the status bits; clearing still works."""
    memory = memory_with()
    memory.test_failed(CODE, at(1))
    memory.recording = False
    memory.test_passed(CODE)
    assert "2F" == status(memory)
    memory.clear()
    memory.test_failed(CODE, at(3))
    assert "50" == status(memory)


def test_every_change_is_reported_once_and_in_order_of_number() -> None:
    """The trace learns old and new status; a result that changes nothing is silent."""
    changes: list[tuple[str, str]] = []
    rules = [DtcRule(code) for code in ("U0140-87", "P0562-00", "U0121-87")]
    memory = FaultMemory(
        rules, on_change=lambda code, old, new: changes.append((code, f"{old:02X}>{new:02X}"))
    )
    memory.test_failed("U0140-87", at(1))
    memory.test_failed("U0140-87", at(2))
    memory.test_failed("P0562", at(4))
    memory.new_operation_cycle()
    memory.clear()
    assert [
        ("U0140-87", "50>2F"), ("P0562-00", "50>2F"),
        ("P0562-00", "2F>6D"), ("U0140-87", "2F>6D"),
        ("P0562-00", "6D>50"), ("U0140-87", "6D>50"),
    ] == changes  # fmt: skip
    assert ["P0562-00", "U0121-87", "U0140-87"] == [entry.code for entry in memory.dtcs]


def test_matching_uses_the_mask_as_iso_14229_does() -> None:
    """(status & mask) != 0, with the bits the module can set; mask 00 matches nothing."""
    memory = FaultMemory([DtcRule("U0100-87"), DtcRule("U0121-87")])
    memory.test_failed("U0121-87", at(1))
    assert ["U0121-87"] == [entry.code for entry in memory.matching(0x08)]
    assert ["U0100-87"] == [entry.code for entry in memory.matching(0x50)]
    assert () == memory.matching(0x00)
    assert () == memory.matching(0x80)


def three_places() -> FaultMemory:
    memory = FaultMemory([DtcRule(f"U010{k}-87", confirmation_cycles=1) for k in range(5)], capacity=3)
    for k in range(3):
        memory.test_failed(f"U010{k}-87", at(k))
    return memory


def stored(memory: FaultMemory) -> str:
    return " ".join(entry.code[4] for entry in memory.dtcs if entry.stored)


def test_what_is_not_confirmed_makes_room_before_what_is() -> None:
    """Even if it failed later; of two alike the one that failed longer ago goes."""
    rules = [DtcRule("U0100-87"), DtcRule("U0101-87", confirmation_cycles=2), DtcRule("U0102-87")]
    memory = FaultMemory([*rules, DtcRule("U0103-87"), DtcRule("U0104-87")], capacity=3)
    for k, code in enumerate(("U0100-87", "U0102-87", "U0101-87")):
        memory.test_failed(code, at(k))
        memory.test_passed(code)
    memory.test_failed("U0103-87", at(3))
    assert "0 2 3" == stored(memory)
    memory.test_failed("U0104-87", at(4))
    assert "2 3 4" == stored(memory)


def test_a_full_memory_of_present_faults_stores_nothing_new() -> None:
    """A code that fails now is worth more than a newcomer, and is stored as soon as one heals."""
    memory = three_places()
    memory.test_failed("U0103-87", at(3))
    assert ("0 1 2", "27") == (stored(memory), status(memory, "U0103-87"))
    memory.test_passed("U0101-87")
    memory.test_failed("U0103-87", at(4))
    assert ("0 2 3", "2F", "26") == (stored(memory), status(memory, "U0103-87"), status(memory, "U0101-87"))
    memory.clear()
    assert "" == stored(memory)


def test_the_oldest_passive_code_makes_room() -> None:
    """Of two healed codes the one that failed longer ago goes."""
    memory = three_places()
    memory.test_passed("U0101-87")
    memory.test_passed("U0100-87")
    memory.test_failed("U0104-87", at(5))
    assert "1 2 4" == stored(memory)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (
            lambda: FaultMemory([DtcRule("U0100"), DtcRule("U0100-00")]),
            "the code U0100-00 is declared twice",
        ),
        (
            lambda: memory_with().get("U0100-88"),
            "this module has no code U0100-88; did you mean U0100-87?",
        ),
    ],
)
def test_bad_input_gets_one_clear_error(make: Callable[[], object], message: str) -> None:
    """The sentence names the code, the value and the limit."""
    with pytest.raises(CodeError) as caught:
        make()
    assert message == str(caught.value)


def test_bits_are_those_of_udsoncan() -> None:
    """PyPI udsoncan gives every bit of the status byte the same meaning."""
    theirs = {
        Status.TEST_FAILED: "test_failed",
        Status.TEST_FAILED_THIS_CYCLE: "test_failed_this_operation_cycle",
        Status.PENDING: "pending",
        Status.CONFIRMED: "confirmed",
        Status.TEST_NOT_COMPLETED_SINCE_CLEAR: "test_not_completed_since_last_clear",
        Status.TEST_FAILED_SINCE_CLEAR: "test_failed_since_last_clear",
        Status.TEST_NOT_COMPLETED_THIS_CYCLE: "test_not_completed_this_operation_cycle",
        Status.WARNING_INDICATOR_REQUESTED: "warning_indicator_requested",
    }
    assert set(Status) == set(theirs)
    for bit, name in theirs.items():
        assert Dtc.Status(**{name: True}).get_byte_as_int() == bit


RULES = {
    "P0562-00": DtcRule("P0562-00", confirmation_cycles=2, aging_cycles=3),
    "U0073-88": DtcRule("U0073-88", aging_cycles=2),
    "U0100-87": DtcRule("U0100-87", confirmation_cycles=3, aging_cycles=4),
    "U0121-87": DtcRule("U0121-87", aging_cycles=1),
}
SOME_CODE = st.sampled_from(sorted(RULES))


class AnyHistory(RuleBasedStateMachine):
    """Whatever happens to a memory of two places, what ISO 14229-1 promises holds.

    The machine keeps its own record of results, one list per cycle, and the invariants compare the bits
    with statements about that record, not with a second state machine.
    """

    @initialize()
    def start(self) -> None:
        self.memory = FaultMemory(RULES.values(), capacity=2, on_change=self.changed)
        self.seen = {code: int(CLEARED) for code in RULES}
        self.time_s = 0.0
        self.results: dict[str, list[list[bool]]] = {code: [[]] for code in RULES}

    def changed(self, code: str, old: int, new: int) -> None:
        assert old == self.seen[code]
        assert old != new
        self.seen[code] = new

    @rule(code=SOME_CODE)
    def fail(self, code: str) -> None:
        self.time_s += 1
        self.memory.test_failed(code, at(self.time_s))
        self.results[code][-1].append(False)

    @rule(code=SOME_CODE)
    def succeed(self, code: str) -> None:
        self.memory.test_passed(code)
        self.results[code][-1].append(True)

    @rule()
    def cycle(self) -> None:
        self.memory.new_operation_cycle()
        for cycles in self.results.values():
            cycles.append([])

    @rule(code=SOME_CODE)
    def clear(self, code: str) -> None:
        self.memory.clear(code)
        self.results[code] = [[]]

    @invariant()
    def the_bits_say_what_happened(self) -> None:
        for code, cycles in self.results.items():
            bits = self.memory.get(code).status
            every = [result for cycle in cycles for result in cycle]
            now = cycles[-1]
            assert bool(bits & Status.TEST_FAILED) == bool(every and not every[-1])
            assert bool(bits & Status.TEST_FAILED_THIS_CYCLE) == (False in now)
            assert bool(bits & Status.TEST_NOT_COMPLETED_THIS_CYCLE) == (not now)
            assert bool(bits & Status.TEST_NOT_COMPLETED_SINCE_CLEAR) == (not every)
            assert bool(bits & Status.TEST_FAILED_SINCE_CLEAR) == (False in every)
            finished = [cycle for cycle in cycles[:-1] if cycle]
            pending = False in now or bool(finished and False in finished[-1])
            assert bool(bits & Status.PENDING) == pending

    @invariant()
    def confirmation_follows_the_rules(self) -> None:
        for code, cycles in self.results.items():
            entry = self.memory.get(code)
            rule_ = RULES[code]
            if entry.status & Status.CONFIRMED:
                failing = [False in cycle for cycle in cycles if cycle]
                runs = "".join("x" if bad else "." for bad in failing).split(".")
                assert max(map(len, runs)) >= rule_.confirmation_cycles
                assert entry.stored

    @invariant()
    def the_memory_is_bounded_ordered_and_fully_reported(self) -> None:
        entries = self.memory.dtcs
        assert sum(entry.stored for entry in entries) <= 2
        assert sorted(RULES, key=dtc_bytes) == [entry.code for entry in entries]
        assert self.seen == {entry.code: int(entry.status) for entry in entries}
        for entry in entries:
            if entry.first is not None and entry.last is not None:
                assert entry.first.time_s <= entry.last.time_s <= self.time_s


AnyHistory.TestCase.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)
TestAnyHistory = AnyHistory.TestCase
