"""The rubric: what an attempt is worth by seven criteria, each from 0 to 1 by a rule, with the reason.

The rules are those of the debrief: dangers (`safety`), good method (`good_method`), grading (`hand_in`). The
instructor sets what each criterion weighs, and may mark one otherwise. How the rules count is our own choice.

Not modeled: how well the evidence is written: it counts that there is some, and the instructor reads it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass

from sim.training.attempt import Attempt
from sim.training.good_method import Method
from sim.training.hand_in import HandIn
from sim.training.jobs import REPAIRS
from sim.vehicle.edits import EDIT_KINDS, apply_all, changes_of
from sim.vehicle.problems import EditProblem, Problem
from sim.vehicle.words import counted

A_DANGER, A_VAIN_REPAIR = 0.5, 0.25  # what one of them takes away
AT_THE_CAR = ("measure", "load", "look", "scope")
LONGEST_COMMENT = 2000
MOST_WEIGHT = 10


@dataclass(frozen=True, slots=True)
class Score:
    """What a criterion is worth, 0 to 1, and why; None: this job did not call for it."""

    score: float | None
    why: str


@dataclass(frozen=True, slots=True)
class Graded:
    """An attempt that was handed in, with what the rules of the trade say of its log."""

    attempt: Attempt
    result: HandIn
    method: tuple[Method, ...]

    def followed(self, *names: str) -> tuple[Method, ...]:
        """The rules with these names that the job called for."""
        return tuple(one for one in self.method if one.rule.name in names)


@dataclass(frozen=True, slots=True)
class Criterion:
    """A criterion: its name, what it asks, and its rule."""

    name: str
    asks: str
    mark: Callable[[Graded], Score]


Rubric = dict[str, Score]


def rubric(attempt: Attempt) -> Rubric:
    """The marks of an attempt that was handed in, by criterion."""
    assert attempt.result is not None
    graded = Graded(attempt, attempt.result, attempt.method)
    return {one.name: one.mark(graded) for one in CRITERIA}


def total(marks: Mapping[str, float | None], weights: Mapping[str, float]) -> float | None:
    """The weighted mean of the marks, 0 to 1, without what was not called for; None if nothing is left."""
    counted_ones = [(mark, weights.get(name, 1.0)) for name, mark in marks.items() if mark is not None]
    weight = sum(share for _, share in counted_ones)
    return sum(mark * share for mark, share in counted_ones) / weight if weight else None


def as_json(marks: Rubric) -> str:
    """Marks as they are kept."""
    return json.dumps({name: [one.score, one.why] for name, one in marks.items()})


def from_json(text: str | None) -> Rubric:
    """Marks as they were kept; none for a hand-in of an older version."""
    return {name: Score(score, why) for name, (score, why) in json.loads(text or "{}").items()}


def marks_from_json(text: str | None) -> dict[str, float]:
    """What an instructor marked, as it was kept."""
    return {name: float(mark) for name, mark in json.loads(text or "{}").items()}


def weights_of(text: str | None) -> dict[str, float]:
    """What each criterion weighs in a class; 1 by default."""
    known = json.loads(text or "{}")
    return {one.name: float(known.get(one.name, 1.0)) for one in CRITERIA}


def checked_weights(weights: Mapping[str, float]) -> str:
    """Weights as they are kept; raises `Problem` for one that is none, or if all are 0."""
    for name, weight in weights.items():
        if name not in NAMES or not 0 <= weight <= MOST_WEIGHT:
            raise Problem(f"a weight is 0 to {MOST_WEIGHT}, of {', '.join(NAMES)} (here: {name} {weight:g})")
    if not any(weights.get(name, 1.0) for name in NAMES):
        raise Problem("at least one criterion weighs more than 0")
    return json.dumps(dict(weights))


def checked_review(marks: Mapping[str, float], comment: str) -> str:
    """Marks of an instructor as they are kept; raises `Problem` for one that is none."""
    for name, mark in marks.items():
        if name not in NAMES or not 0 <= mark <= 1:
            raise Problem(f"a mark is 0 to 100 %, of {', '.join(NAMES)} (here: {name} {mark:.0%})")
    if len(comment) > LONGEST_COMMENT:
        raise Problem(f"a comment has at most {LONGEST_COMMENT} characters (here: {len(comment)})")
    return json.dumps(dict(marks))


# -- the rules ---------------------------------------------------------------------------------------------


def _safety(graded: Graded) -> Score:
    found = [step.dangers[0] for step in graded.attempt.steps if step.dangers]
    if not found:
        return Score(1.0, "no step was dangerous")
    return Score(max(0.0, 1 - A_DANGER * len(found)), f"{counted(len(found), 'step')} at risk: {found[0]}")


def _plan(graded: Graded) -> Score:
    return _by_rules(graded.followed("all modules asked", "report saved"), "nothing was changed or cleared")


def _measurement(graded: Graded) -> Score:
    rules = graded.followed("supply under load", "ground under load")
    if rules:
        return _by_rules(rules, "")
    steps = graded.attempt.steps
    first = next((place for place, step in enumerate(steps) if step.repairs), len(steps))
    kinds = AT_THE_CAR if _takes_a_check_at_the_car(graded.attempt) else (*AT_THE_CAR, "scan")
    checks = [step for step in steps[:first] if step.verb in kinds and not step.vain]
    if not checks:
        return Score(0.0, "nothing was checked at the car before the first repair")
    return Score(1.0, f"{counted(len(checks), 'check')} before the first repair")


def _takes_a_check_at_the_car(attempt: Attempt) -> bool:
    """Whether the exercise's solution measures or inspects before it repairs: then a scan is not enough."""
    verbs = [text.split()[0] for text in attempt.exercise.solution]
    first = next((place for place, verb in enumerate(verbs) if verb in REPAIRS), len(verbs))
    return not set(AT_THE_CAR).isdisjoint(verbs[:first])


def _by_rules(rules: tuple[Method, ...], otherwise: str) -> Score:
    if not rules:
        return Score(None, otherwise)
    return Score(sum(one.done for one in rules) / len(rules), " ".join(one.words for one in rules))


def _evidence(graded: Graded) -> Score:
    said = bool(graded.result.evidence.strip())
    if said:
        return Score(1.0, "said how the cause is known")
    if graded.attempt.notes:
        return Score(0.5, f"{counted(len(graded.attempt.notes), 'note')}, but no words at the hand-in")
    return Score(0.0, "no words on how the cause is known")


def _repair(graded: Graded) -> Score:
    if not graded.attempt.exercise.arrives:
        return Score(None, "nothing was wrong with this car")
    if not graded.result.repaired:
        return Score(0.0, "the car is not whole")
    vain = sum(step.verb in REPAIRS and bool(step.vain) for step in graded.attempt.steps)
    vain += needless_replacements(graded.attempt)
    if not vain:
        return Score(1.0, "the car is whole")
    return Score(
        max(0.0, 1 - A_VAIN_REPAIR * vain), f"the car is whole, after {counted(vain, 'repair')} in vain"
    )


def needless_replacements(attempt: Attempt) -> int:
    """How many parts were replaced that had nothing wrong inside: it put nothing right."""
    car, count = apply_all(attempt.exercise.whole_car, attempt.exercise.arrives), 0
    for step in attempt.steps:
        if step.vain or step.verb not in EDIT_KINDS:
            continue
        before = car
        with suppress(EditProblem):  # a fuse that has blown in the bay is whole here
            car = apply_all(car, [step.action])
        put_right = set(changes_of(before)) - set(changes_of(car))
        count += step.verb == "replace" and not put_right
    return count


def _proof(graded: Graded) -> Score:
    asked, open_ones = len(graded.attempt.exercise.proof), graded.result.unproven
    if not graded.result.repaired:
        return Score(0.0, "there is no repair to prove")
    words = f"not shown: {'; '.join(open_ones)}" if open_ones else "everything was shown"
    return Score((asked - len(open_ones)) / asked, words)


def _report(graded: Graded) -> Score:
    verdict = graded.result.verdict
    words = [
        f"{counted(len(several), what)}"
        for several, what in (
            (verdict.right, "right cause"), (verdict.near, "near cause"), (verdict.wrong, "wrong cause"),
            (verdict.missed, "missed cause"),
        )
        if several
    ]  # fmt: skip
    return Score(verdict.credit, ", ".join(words))


CRITERIA = (
    Criterion("safety", "no step that can hurt someone or the car", _safety),
    Criterion("plan", "all modules scanned first, a report saved before clearing", _plan),
    Criterion("measurement", "checked under load, or at all, before the first repair", _measurement),
    Criterion("evidence", "says how the cause is known", _evidence),
    Criterion("repair", "the car is whole, without repairs in vain", _repair),
    Criterion("proof", "shown after the repair what the job asks for", _proof),
    Criterion("report", "the causes that were named are the right ones", _report),
)
NAMES = tuple(one.name for one in CRITERIA)
