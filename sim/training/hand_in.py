"""Handing in: the named causes graded, what the repair was shown to do, and what that is worth.

Causes are graded against the hidden edits by their effect on the car.

Not modeled: causes in free words.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from sim.modules.facts import MOVES
from sim.training.effects import effect_of, is_near, is_same, joined
from sim.training.exercise import Proof
from sim.training.jobs import WorkStep
from sim.vehicle.car import Car
from sim.vehicle.edits import parse_edit
from sim.vehicle.problems import EditProblem

NO_FAULT = "no fault found"
NEAR_CREDIT = 0.5  # the right circuit counts half; our own choice


@dataclass(frozen=True, slots=True)
class CauseGrade:
    """Named causes sorted: `right`, `near` as (named, hidden), `wrong`; `missed` are hidden edits.

    `also`: true, but a consequence of what was wrong, such as the fuse that a short has blown.
    """

    right: tuple[str, ...]
    near: tuple[tuple[str, str], ...]
    wrong: tuple[str, ...]
    missed: tuple[str, ...]
    also: tuple[str, ...] = ()

    @property
    def exact(self) -> bool:
        """Everything named, and nothing but what was wrong."""
        return not (self.near or self.wrong or self.missed)

    @property
    def credit(self) -> float:
        """0 to 1: right causes count whole, near ones half, wrong and missed ones nothing."""
        named = len(self.right) + len(self.near) + len(self.wrong)
        hidden = len(self.right) + len(self.near) + len(self.missed)
        return (len(self.right) + NEAR_CREDIT * len(self.near)) / max(named, hidden) if named else 0.0


def normal_causes(named: Iterable[str], car: Car) -> tuple[str, ...]:
    """Causes in normal form, each once; raises `EditProblem` for none, and for repairs."""
    texts = [" ".join(text.split()) for text in named if text.strip()]
    if not texts:
        raise EditProblem(f"name at least one cause, or '{NO_FAULT}'")
    if any(text.lower() == NO_FAULT for text in texts):
        if len(texts) > 1:
            raise EditProblem(f"'{NO_FAULT}' cannot be combined with causes: remove it, or them")
        return (NO_FAULT,)
    edits = [parse_edit(text, car) for text in texts]
    for edit in edits:
        if edit.kind == "repair":
            raise EditProblem(f"'{edit.text}' is a repair; name what was wrong, such as 'unplug ABS'")
    return tuple(dict.fromkeys(edit.text for edit in edits))


def grade(named: Sequence[str], hidden: Sequence[str], car: Car, blown: Iterable[str] = ()) -> CauseGrade:
    """Sort named causes (in normal form) against hidden edits of a car that is as built and whole.

    `blown`: fuses that the hidden edits had blown when the car came in.
    """
    consequences = [effect_of(f"blow {fuse}", car) for fuse in sorted(blown) if f"blow {fuse}" not in hidden]
    also = [text for text in named if text != NO_FAULT and effect_of(text, car) in consequences]
    found = _grade([text for text in named if text not in also], hidden, car)
    return replace(found, also=tuple(also))


def _grade(named: Sequence[str], hidden: Sequence[str], car: Car) -> CauseGrade:
    if NO_FAULT in named:
        if not hidden:
            return CauseGrade(tuple(named), (), (), ())
        return CauseGrade((), (), tuple(named), tuple(hidden))
    said = {text: effect_of(text, car) for text in named}
    true = {text: effect_of(text, car) for text in hidden}
    if is_same(joined(said.values()), joined(true.values())):
        return CauseGrade(tuple(named), (), (), ())
    right: list[str] = []
    left = dict(true)
    for text, effect in said.items():
        match = next((one for one, other in left.items() if is_same(effect, other)), None)
        if match is not None:
            right.append(text)
            del left[match]
    near: list[tuple[str, str]] = []
    for text in (one for one in said if one not in right):
        match = next((one for one in left if is_near(text, one, car)), None)
        if match is not None:
            near.append((text, match))
            del left[match]
    taken = {*right, *(text for text, _ in near)}
    wrong = tuple(text for text in said if text not in taken)
    return CauseGrade(tuple(right), tuple(near), wrong, tuple(left))


ASLEEP_A = 0.1  # what a parked car may take at most is some 0.05 A; common practice, with room for one module
MONITORS_NEED_S = 5.0  # of ignition on, before a clean report says anything; common practice
# of the credit; our own choice. Where a job called for no rule of good method the others make up the whole.
CAUSE_SHARE, REPAIR_SHARE, PROOF_SHARE, METHOD_SHARE = 0.4, 0.2, 0.2, 0.2


@dataclass(frozen=True, slots=True)
class HandIn:
    """What was handed in, and what it is worth.

    `verdict`: the named causes, graded. `unproven`: what the repair has not been shown to do. `method`: the
    share of the rules of good method that was followed, 0 to 1; None if this job called for none.
    """

    named: tuple[str, ...]
    verdict: CauseGrade
    repaired: bool
    saved_before: bool
    unproven: tuple[str, ...]
    evidence: str = ""
    method: float | None = None

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
        """0 to 1: twice as much for the causes as for a whole car, for the proof and for good method."""
        shares = [
            (CAUSE_SHARE, self.verdict.credit),
            (REPAIR_SHARE, float(self.repaired)),
            (PROOF_SHARE, float(self.repaired and self.proven)),
        ]
        if self.method is not None:
            shares.append((METHOD_SHARE, self.method))
        return sum(share * worth for share, worth in shares) / sum(share for share, _ in shares)


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
    return any(step.sight.engine in MOVES for step in steps)


def _slept(steps: Sequence[WorkStep]) -> bool:
    at_clamp = ("measure amps BAT.NEG", "measure clamp amps BAT.NEG")
    found = [step.sight.reading for step in steps if step.action in at_clamp]
    return bool(found) and found[-1] is not None and abs(found[-1]) < ASLEEP_A


PROOF_WORDS: dict[Proof, str] = {
    "scan": "codes cleared, ignition on for a while, and a scan without codes or silent modules",
    "start": "the engine starts",
    "sleep": f"the parked car falls asleep: measured at the battery, below {ASLEEP_A:g} A",
}
_SHOWS: dict[Proof, Callable[[Sequence[WorkStep]], bool]] = {
    "scan": _clean_scan, "start": _engine_ran, "sleep": _slept,
}  # fmt: skip
