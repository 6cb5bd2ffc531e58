"""Fault memory of one module: the ISO 14229-1 status of its trouble codes and what is stored with them.

Every code that a module can set has a `DtcRule`. Its test reports `test_failed` or `test_passed`, and
`new_operation_cycle` ends one operation cycle and begins the next. Bits and rules: ISO 14229-1 as given by
open-source implementations that keep the variable names of its Annex D.

Everything reported comes in the order of the code's number.
Not modeled: mirror and user-defined memories, severity, fault detection counters that move in steps, the
status bit that asks for a warning lamp (`lamp_codes` says it for the engine lamp), loss of what a module had
not yet written when it lost power.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from difflib import get_close_matches
from enum import IntFlag
from typing import Final

from sim.vehicle.codes import CodeError, dtc_bytes, is_emission_related, with_failure_type
from sim.vehicle.conditions import PowerMode


class Status(IntFlag):
    """Bits of the status byte of a trouble code, ISO 14229-1 (second-hand, agreeing with udsoncan)."""

    TEST_FAILED = 0x01
    TEST_FAILED_THIS_CYCLE = 0x02
    PENDING = 0x04
    CONFIRMED = 0x08
    TEST_NOT_COMPLETED_SINCE_CLEAR = 0x10
    TEST_FAILED_SINCE_CLEAR = 0x20
    TEST_NOT_COMPLETED_THIS_CYCLE = 0x40
    WARNING_INDICATOR_REQUESTED = 0x80


CLEARED: Final = Status.TEST_NOT_COMPLETED_SINCE_CLEAR | Status.TEST_NOT_COMPLETED_THIS_CYCLE
_FAILED: Final = (
    Status.TEST_FAILED | Status.TEST_FAILED_THIS_CYCLE | Status.PENDING | Status.TEST_FAILED_SINCE_CLEAR
)
_KEPT: Final = Status.PENDING | Status.CONFIRMED
AVAILABLE_BITS: Final = 0x7F  # of the status byte: all but the warning indicator

COUNTER_FAILED: Final = 127  # ISO 14229-1 fault detection counter, as given by the open package `uds`
COUNTER_PASSED: Final = -128  # the same
AGING_CYCLES: Final = 40  # typical number of warm-up cycles until a code is forgotten: common practice
# Good cycles until the malfunction indicator lamp goes out and the permanent code with it; a code that was
# cleared needs only one. OBD rules, from memory.
LAMP_OUT_CYCLES: Final = 3
CAPACITY: Final = 32  # codes kept with their snapshots: our own choice, a module's design decides it


@dataclass(frozen=True, slots=True)
class DtcRule:
    """How one code of a module is kept.

    `code` with or without failure type; confirmed in the `confirmation_cycles`-th failing operation cycle
    running (cycles in which the test did not run do not count); forgotten after `aging_cycles` cycles that
    ran the test and passed. Raises CodeError for a bad code.
    """

    code: str
    confirmation_cycles: int = 1
    aging_cycles: int = AGING_CYCLES
    number: int = field(init=False, repr=False)  # the three bytes of the code, by which codes are ordered

    def __post_init__(self) -> None:
        object.__setattr__(self, "code", with_failure_type(self.code))
        object.__setattr__(self, "number", int.from_bytes(dtc_bytes(self.code), "big"))


@dataclass(frozen=True, slots=True)
class SnapshotRecord:
    """What a module noted when a test failed: time in s, its supply in V, the power mode it knew of.

    Coolant in °C, engine speed in rpm and vehicle speed in km/h are None where the module does not know them.
    """

    time_s: float
    supply_v: float
    power_mode: PowerMode | None
    coolant_c: float | None = None
    engine_rpm: float | None = None
    speed_kph: float | None = None


@dataclass(slots=True)
class Dtc:
    """One code of a module as it is now. Only FaultMemory writes to it.

    `first` and `last` are the snapshots of the first and the latest failure since the code was stored,
    None while the code is not stored. `occurrences` counts how often the test went from not failed to
    failed, `aging_count` the good cycles since. `permanent` (SAE J1979 service 0A): was confirmed, and is not
    yet proved good; clearing does not touch it.
    """

    rule: DtcRule
    status: Status = CLEARED
    counter: int = 0
    occurrences: int = 0
    failing_cycles: int = 0
    aging_count: int = 0
    first: SnapshotRecord | None = None
    last: SnapshotRecord | None = None
    permanent: bool = False

    @property
    def code(self) -> str:
        """Text with failure type, for instance `U0100-87`."""
        return self.rule.code

    @property
    def stored(self) -> bool:
        """Whether the memory holds a snapshot of it."""
        return self.first is not None


class FaultMemory:
    """The trouble codes of one module.

    `on_change(code, old status, new status)` is told every change of a status byte; a monitor whose code goes
    to CLEARED has to run its test anew. While `recording` is False (service ControlDTCSetting) results of
    tests change nothing; clearing still works. If all `capacity` places are taken, a new code pushes out the
    stored code that matters least: first one that is not confirmed, then the one that failed longest ago. A
    code whose test fails now is never pushed out, so a full memory of those stores nothing new. `changes`
    counts changes of a status byte, for those who keep what they made of them.
    """

    def __init__(
        self,
        rules: Iterable[DtcRule] = (),
        *,
        capacity: int = CAPACITY,
        on_change: Callable[[str, int, int], None] = lambda code, old, new: None,
    ) -> None:
        self.capacity = capacity
        self.recording = True
        self.changes = 0
        self._on_change = on_change
        self._codes: dict[str, Dtc] = {}
        for rule in rules:
            self.declare(rule)

    def declare(self, rule: DtcRule) -> None:
        """Add a code that the module can set. Raises CodeError if it has it already."""
        if rule.code in self._codes:
            raise CodeError(f"the code {rule.code} is declared twice")
        self._codes[rule.code] = Dtc(rule)
        self._codes = dict(sorted(self._codes.items(), key=lambda item: item[1].rule.number))

    @property
    def dtcs(self) -> tuple[Dtc, ...]:
        """All codes that the module can set."""
        return tuple(self._codes.values())

    def get(self, code: str) -> Dtc:
        """The entry of a code, with or without failure type. Raises CodeError with the nearest code."""
        entry = self._codes.get(code) or self._codes.get(with_failure_type(code))
        if entry is None:
            near = get_close_matches(with_failure_type(code), self._codes, n=1)
            hint = f"; did you mean {near[0]}?" if near else ""
            raise CodeError(f"this module has no code {code}{hint}")
        return entry

    @property
    def lamp_codes(self) -> tuple[str, ...]:
        """Codes that ask for the engine lamp: emission-related, confirmed, and not yet proved good.

        The lamp goes out after LAMP_OUT_CYCLES good cycles, long before the code is forgotten.
        """
        asking = (one for one in self.matching(Status.CONFIRMED) if one.aging_count < LAMP_OUT_CYCLES)
        return tuple(one.code for one in asking if is_emission_related(one.code))

    def matching(self, mask: int) -> tuple[Dtc, ...]:
        """Codes with at least one bit of `mask` set: (status & mask) != 0, ISO 14229-1."""
        both = int.__and__  # that of the enumeration makes an object for each code, and this is asked often
        return tuple(entry for entry in self._codes.values() if both(entry.status, mask))

    def test_failed(self, code: str, snapshot: SnapshotRecord) -> None:
        """The test of `code` has run and failed."""
        entry = self.get(code)
        if not self.recording:
            return
        old = entry.status
        entry.counter = COUNTER_FAILED
        entry.status = old & ~CLEARED | _FAILED
        entry.aging_count = 0
        if not old & Status.TEST_FAILED:
            entry.occurrences = min(entry.occurrences + 1, 255)
        if not old & Status.TEST_FAILED_THIS_CYCLE:
            entry.failing_cycles = min(entry.failing_cycles + 1, 255)
        if not old & Status.TEST_FAILED or not entry.stored:
            self._store(entry, snapshot)
        if entry.stored and entry.failing_cycles >= entry.rule.confirmation_cycles:
            entry.status |= Status.CONFIRMED
            entry.permanent = True
        self._report(entry, old)

    def test_passed(self, code: str) -> None:
        """The test of `code` has run and passed."""
        entry = self.get(code)
        if not self.recording:
            return
        old = entry.status
        entry.counter = COUNTER_PASSED
        entry.status = old & ~(CLEARED | Status.TEST_FAILED)
        self._report(entry, old)

    def new_operation_cycle(self) -> None:
        """End this operation cycle and begin the next."""
        for entry in self.dtcs:
            old = entry.status
            ran = not old & Status.TEST_NOT_COMPLETED_THIS_CYCLE
            if ran and not old & Status.TEST_FAILED_THIS_CYCLE:
                self._good_cycle(entry)
            entry.status &= ~Status.TEST_FAILED_THIS_CYCLE
            entry.status |= Status.TEST_NOT_COMPLETED_THIS_CYCLE
            entry.counter = 0
            self._report(entry, old)

    def clear(self, code: str | None = None) -> None:
        """Forget one code, or all of them: status, counters, snapshots; not `permanent`. Raises CodeError."""
        entries = self.dtcs if code is None else (self.get(code),)
        for entry in entries:
            old = entry.status
            entry.status = CLEARED
            entry.counter = entry.failing_cycles = 0
            self._forget(entry)
            self._report(entry, old)

    def _good_cycle(self, entry: Dtc) -> None:
        """A cycle in which the test ran and never failed: not pending, one cycle nearer to forgotten."""
        entry.status &= ~Status.PENDING
        entry.failing_cycles = 0
        if entry.status & Status.CONFIRMED:
            entry.aging_count += 1
            if entry.aging_count >= entry.rule.aging_cycles:
                entry.status &= ~Status.CONFIRMED
        entry.permanent &= bool(entry.status & Status.CONFIRMED) and entry.aging_count < LAMP_OUT_CYCLES
        if not entry.status & _KEPT:
            self._forget(entry)

    def _store(self, entry: Dtc, snapshot: SnapshotRecord) -> None:
        if entry.stored or self._make_room():
            entry.first = entry.first or snapshot
            entry.last = snapshot

    def _make_room(self) -> bool:
        stored = [entry for entry in self.dtcs if entry.stored]
        if len(stored) < self.capacity:
            return True
        passive = [entry for entry in stored if not entry.status & Status.TEST_FAILED]
        if not passive:
            return False
        pushed_out = min(passive, key=_worth)
        old = pushed_out.status
        pushed_out.status &= ~Status.CONFIRMED
        self._forget(pushed_out)
        self._report(pushed_out, old)
        return True

    def _forget(self, entry: Dtc) -> None:
        entry.first = entry.last = None
        entry.occurrences = entry.aging_count = 0

    def _report(self, entry: Dtc, old: Status) -> None:
        if entry.status != old:
            self.changes += 1
            self._on_change(entry.code, int(old), int(entry.status))


def _worth(entry: Dtc) -> tuple[bool, float, int]:
    """Sort key of passive stored codes, the least worth keeping first."""
    failed_last_s = entry.last.time_s if entry.last is not None else 0.0
    return bool(entry.status & Status.CONFIRMED), failed_last_s, entry.rule.number
