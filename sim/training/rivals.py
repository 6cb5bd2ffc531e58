"""What else it could be: other sets of edits, put to the test by an exercise's scripted solution.

    log = solved(exercise)
    glance = Glance(log)
    [edits for edits in other_faults(exercise) if not glance.settles(edits) and misleads(log, edits)]

A set of edits misleads where a car with it would have answered every check as the exercise's car did, and
one of the repairs would have been made on it in vain.

Chance is no evidence: of an intermittent contact only what hand and eye find is compared. Nor is a
doubtful reading.

Not modeled: faults that show nothing at all; pairs that have nothing to do with the hidden edits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from sim.bench.live import Fidelity
from sim.catalogue import vehicle_text
from sim.lab.check_outcomes import parts_of
from sim.lab.compare import agree
from sim.lab.run import ImpossibleCar, Trial, bench_of, fidelity_for
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet
from sim.training.attempt import Attempt
from sim.training.effects import same_effect
from sim.training.exercise import Exercise
from sim.vehicle.edits import verb_of
from sim.vehicle.edits_modules import CHARGED_PCT
from sim.vehicle.harness_state import HarnessState, alterations
from sim.vehicle.problems import EditProblem, Unsettled

Edits = tuple[str, ...]
Parts = dict[str, str | float]


@dataclass(frozen=True, slots=True)
class SolvedStep:
    """One step of a solution, and what it showed on the exercise's car. `repairs`: it put something right."""

    action: str
    parts: Parts
    repairs: bool

    @property
    def verb(self) -> str:
        """The first word of the action."""
        return verb_of(self.action)


@dataclass(frozen=True, slots=True)
class Solved:
    """An exercise (as JSON) and what its solution showed, step by step."""

    exercise: str
    lines: tuple[SolvedStep, ...]

    @property
    def read(self) -> Exercise:
        """The exercise."""
        return _exercise(self.exercise)

    @property
    def opening(self) -> tuple[SolvedStep, ...]:
        """The first steps up to a scan, which exercises of one car often share; none where they repair."""
        scan = next((k + 1 for k, line in enumerate(self.lines) if line.verb == "scan"), 0)
        first = self.lines[:scan]
        return () if any(line.repairs for line in first) else first


def solved(exercise: Exercise) -> Solved:
    """Play the solution and keep what it shows; raises `EditProblem` where a step makes no sense."""
    attempt = at_work(exercise)
    for action in exercise.solution:
        attempt.do(action)
    return log_of(attempt)


def log_of(attempt: Attempt) -> Solved:
    """What an attempt has shown so far."""
    lines = tuple(SolvedStep(step.action, parts_of(step.sight), step.repairs) for step in attempt.steps)
    return Solved(attempt.exercise.model_dump_json(), lines)


def at_work(exercise: Exercise) -> Attempt:
    """An attempt at the fidelity that the checks of the solution need, which is faster than every frame.

    Raises `EditProblem`, `ImpossibleCar` or `Unsettled` where such a car cannot come in.
    """
    bench = bench_of(_work(exercise))
    bench.do_all(exercise.before)
    return Attempt(exercise, bench)


def work_fidelity(exercise: Exercise) -> Fidelity:
    """The fidelity of `at_work`."""
    return fidelity_for(_work(exercise), exercise.whole_car)


def _work(exercise: Exercise) -> Trial:
    actions = (*exercise.before, *exercise.solution)
    return Trial(vehicle_text(exercise.car), exercise.arrives, actions, exercise.seed)


@lru_cache(maxsize=16)
def _exercise(text: str) -> Exercise:
    return Exercise.model_validate_json(text)


# told apart: a check shows another thing; misled: a repair is made in vain; alike: no difference to the end
Answer = Literal["told apart", "misled", "alike"]
BY_CHANCE = "interrupt"


def agree_at_first(
    log: Solved, sets: Sequence[Edits], workshop: Workshop, progress: Progress = quiet, stop: Stop = never
) -> list[Edits]:
    """Those sets of edits with which the opening would have shown the same; one run serves many exercises."""
    exercise, opening = log.read, log.opening
    actions = (*exercise.before, *(line.action for line in opening))
    asked = [edits for edits in sets if opening and not by_chance((*edits, *exercise.arrives))]
    vehicle = vehicle_text(exercise.car)
    trials = [Trial(vehicle, edits, actions, exercise.seed) for edits in asked]
    accounts = workshop.run(trials, progress=progress, stop=stop)
    skip = len(exercise.before)
    gone = {
        edits
        for edits, account in zip(asked, accounts, strict=True)
        if not account.sights
        or not all(
            agree(line.parts, parts_of(sight))
            for line, sight in zip(opening, account.sights[skip:], strict=True)
        )
    }
    return [edits for edits in sets if edits not in gone]


def answer(log: Solved, edits: Edits) -> Answer:
    """How a car with these edits answers a person who works by this solution."""
    exercise = log.read
    try:
        attempt = at_work(exercise.broken_by(edits))
    except (EditProblem, Unsettled, ImpossibleCar):
        return "told apart"
    chance = by_chance(edits)
    for line in log.lines:
        before = attempt.bench.car.harness
        try:
            step = attempt.do(line.action)
        except EditProblem:
            return "misled" if line.repairs else "told apart"
        if line.repairs and (step.vain or not helped(before, attempt.bench.car.harness)):
            return "misled"
        compared = line.verb == "look" or bool(step.vain) or not chance
        if compared and not agree(line.parts, parts_of(step.sight)):
            return "told apart"
    return "alike"


def misleads(log: Solved, edits: Edits) -> bool:
    """Whether a repair would be in vain on a car with these edits, which are not the hidden ones."""
    exercise = log.read
    if same_effect(edits, exercise.arrives, exercise.real_car):
        return False
    return answer(log, edits) == "misled"


def by_chance(edits: Edits) -> bool:
    """Whether one of the edits shows itself by chance only."""
    return any(verb_of(edit) == BY_CHANCE for edit in edits)


def helped(before: HarnessState, after: HarnessState) -> bool:
    """Whether a repair put anything right; charging does nothing for a battery that was full."""
    if after.battery_pct != before.battery_pct:
        return before.battery_pct is not None and before.battery_pct < CHARGED_PCT
    still = {(one.field, one.part) for one in alterations(HarnessState(), after)}
    return any((one.field, one.part) not in still for one in alterations(HarnessState(), before))
