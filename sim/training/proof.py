"""Proves that an exercise works: its solution is played from work order to hand-in, with every check.

For authors of exercises, and for the tests: `prove` raises one clear sentence, or tells what it saw.

`rivals` asks the other question: is there something else that the solution has not ruled out when it begins
to repair?

Not modeled: words of the work order that no step of the complaint plays; rivals that are two faults at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from itertools import islice
from math import isinf

from sim.lab.check_outcomes import found_in
from sim.lab.compare import reliable, with_unit
from sim.lab.next_check import thing_words
from sim.lab.sight import Sight
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet
from sim.training.attempt import Attempt
from sim.training.complaint import check_complaint
from sim.training.exercise import Exercise
from sim.training.good_cars import good_car_like
from sim.training.hand_in import NO_FAULT, HandIn
from sim.training.rival_sets import Glance, nearest, one_of_each, other_faults
from sim.training.rivals import Edits, Solved, agree_at_first, log_of, misleads, solved, work_fidelity
from sim.training.suspects import words_of
from sim.vehicle.problems import EditProblem, Problem, Unsettled


@dataclass(frozen=True, slots=True)
class Proven:
    """What the scripted solution showed; `symptoms`: how the car differed from a whole one, in words."""

    symptoms: tuple[str, ...]
    result: HandIn
    minutes: float
    log: Solved


def prove(exercise: Exercise) -> Proven:
    """Play complaint and solution; raises `Problem` where the one does not fit the car, or where the other
    does not find, repair and prove.
    """
    attempt = _begun(exercise)
    check_complaint(exercise)
    for place, action in enumerate(exercise.solution):
        try:
            step = attempt.do(action)
        except EditProblem as problem:
            raise Problem(problem.what, ("solution", place)) from None
        if step.vain:
            raise Problem(f"'{action}' has no effect: {step.vain}", ("solution", place))
        if step.dangers:
            raise Problem(f"'{action}' is unsafe: {step.dangers[0]}", ("solution", place))
    shown, log = symptoms(attempt), log_of(attempt)
    if exercise.arrives and not shown:
        raise Problem("before its repair the car shows nothing that a good car would not", ("arrives",))
    result = attempt.hand_in(exercise.arrives or [NO_FAULT])
    if not result.complete:
        raise Problem(f"the solution does not end it: {_lacking(result)}", ("solution",))
    return Proven(shown, result, attempt.minutes, log)


def rivals(
    exercise: Exercise,
    workshop: Workshop,
    progress: Progress = quiet,
    stop: Stop = never,
    *,
    log: Solved | None = None,
    most: int | None = None,
) -> tuple[str, ...]:
    """What else may be wrong when the scripted solution begins to repair, and would not be put right by it.

    Empty where all that is left by then is one class: whatever it is, the same repair mends it. `most`: run
    no more than so many cars, those with a fault next to the hidden one; what hand and eye tell needs no run.
    `log`: what the solution has shown, where that is known.
    """
    log = log or solved(exercise)
    glance = Glance(log)
    sets = other_faults(exercise)
    unsettled = (
        edits for edits in (sets if most is None else nearest(exercise, sets)) if not glance.settles(edits)
    )
    asked = list(islice(unsettled, most))
    alike = one_of_each(exercise, asked) if asked else {}
    left = agree_at_first(log, list(alike), workshop, progress, stop)
    items = {edits: edits for edits in left}
    misled: set[Edits] = set()
    for done, (edits, is_misled) in enumerate(workshop.spread(partial(misleads, log), items, stop=stop)):
        misled |= {edits} if is_misled else set()
        progress(done + 1, len(left))
    found = [edits for one in left if one in misled for edits in alike[one]]
    return tuple(words_of(edits) for edits in found)


def _begun(exercise: Exercise) -> Attempt:
    try:
        return Attempt.begin(exercise)
    except (EditProblem, Unsettled) as problem:
        raise Problem(f"what happens before the car comes in cannot happen: {problem}", ("before",)) from None


def _lacking(result: HandIn) -> str:
    if not result.repaired:
        return "the car is not as it was built"
    return f"not shown: {'; '.join(result.unproven)}"


def symptoms(attempt: Attempt) -> tuple[str, ...]:
    """How an attempt's car showed itself other than a whole one, before its first repair."""
    control = _good_car_at_work(attempt.exercise)
    found: dict[str, None] = {}
    for step in attempt.steps:
        if step.repairs:
            break
        other = control.do(step.action)
        found |= dict.fromkeys(_differences(step.sight, other.sight))
    return tuple(found)


def _good_car_at_work(exercise: Exercise) -> Attempt:
    """An attempt at the same job, with nothing wrong, as `at_work` makes it."""
    good = exercise.broken_by(())
    return Attempt(good, good_car_like(good, work_fidelity(good)))


def _differences(seen: Sight, whole: Sight) -> list[str]:
    found, usual = reliable([{**one.seat(), **found_in(one)} for one in (seen, whole)])
    return [
        f"{thing_words(name)}: {_told(name, found.get(name))}, normally {_told(name, usual.get(name))}"
        for name in [*found, *(name for name in usual if name not in found)]
        if not _alike(found.get(name), usual.get(name))
    ]


def _told(name: str, value: str | float | None) -> str:
    """As a meter would show it: no more than thousandths, and OL for what has no end."""
    if isinstance(value, float):
        return "OL" if isinf(value) else with_unit(f"{round(value, 3):g}", name)
    return "nothing" if value is None else value


def _alike(one: str | float | None, other: str | float | None) -> bool:
    if isinstance(one, float) and isinstance(other, float):
        return abs(one - other) <= 0.05 * max(abs(one), abs(other), 1.0)
    return one == other
