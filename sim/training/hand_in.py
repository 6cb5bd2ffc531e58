"""Handing in: what was named, what the repair was shown to do, and what that is worth."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from sim.training.exercise import Proof
from sim.training.grading import CauseGrade
from sim.training.work_step import WorkStep

ASLEEP_A = 0.1  # what a parked car may take at most is some 0.05 A; common practice, with room for one module
MONITORS_NEED_S = 5.0  # of ignition on, before a clean report says anything; common practice
CAUSE_SHARE, REPAIR_SHARE, PROOF_SHARE = 0.5, 0.25, 0.25  # of the credit; our own choice


@dataclass(frozen=True, slots=True)
class HandIn:
    """What was handed in, and what it is worth.

    `verdict`: the named causes, graded. `unproven`: what the repair has not been shown to do.
    """

    named: tuple[str, ...]
    verdict: CauseGrade
    repaired: bool
    saved_before: bool
    unproven: tuple[str, ...]
    evidence: str = ""

    @property
    def proven(self) -> bool:
        """Whether everything was shown that the exercise asks for."""
        return not self.unproven

    @property
    def complete(self) -> bool:
        """Whether the cause is named, the repair made and proven."""
        return self.verdict.exact and self.repaired and self.proven

    @property
    def credit(self) -> float:
        """0 to 1: half for the causes, a quarter each for a whole car and for the proof."""
        proof = self.repaired and self.proven
        return CAUSE_SHARE * self.verdict.credit + REPAIR_SHARE * self.repaired + PROOF_SHARE * proof


def saved_before(steps: Sequence[WorkStep]) -> bool:
    """Whether a report was saved before codes were cleared or anything was taken apart."""
    for step in steps:
        if step.verb == "save":
            return True
        if step.changes or step.verb == "clear":
            return False
    return False


def unproven(steps: Sequence[WorkStep], proof: Sequence[Proof]) -> tuple[str, ...]:
    """What an exercise asks to be shown after the last repair and was not, in words."""
    last = max((k for k, step in enumerate(steps) if step.changes), default=-1)
    after = steps[last + 1 :]
    return tuple(PROOF_WORDS[kind] for kind in proof if not _SHOWS[kind](after))


def _clean_scan(steps: Sequence[WorkStep]) -> bool:
    cleared_s: float | None = None
    clean = False
    for step in steps:
        if step.verb == "clear" and any(word == "done" for _, word in step.sight.asked):
            cleared_s, clean = step.sight.time_s, False
        elif step.verb == "scan":
            at = step.sight
            clean = (
                cleared_s is not None
                and at.time_s - cleared_s >= MONITORS_NEED_S
                and at.ignition == "run"
                and bool(at.power)
                and not at.codes
                and not at.silent
            )
    return clean


def _engine_ran(steps: Sequence[WorkStep]) -> bool:
    return any(step.sight.engine == "running" for step in steps)


def _slept(steps: Sequence[WorkStep]) -> bool:
    found = [step.sight.reading for step in steps if step.action == "measure amps BAT.NEG"]
    return bool(found) and found[-1] is not None and abs(found[-1]) < ASLEEP_A


PROOF_WORDS: dict[Proof, str] = {
    "scan": "codes cleared, ignition on for a while, and a scan without codes or silent modules",
    "start": "the engine starts",
    "sleep": f"the parked car falls asleep: measured at the battery, below {ASLEEP_A:g} A",
}
_SHOWS: dict[Proof, Callable[[Sequence[WorkStep]], bool]] = {
    "scan": _clean_scan, "start": _engine_ran, "sleep": _slept,
}  # fmt: skip
