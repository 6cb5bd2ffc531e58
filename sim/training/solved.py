"""An exercise and what its scripted solution shows, step by step."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from sim.catalogue import vehicle_text
from sim.lab.check_outcomes import parts_of
from sim.lab.run import Trial, bench_of
from sim.training.attempt import Attempt
from sim.training.exercise import Exercise
from sim.vehicle.edits import verb_of

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
    actions = (*exercise.before, *exercise.solution)
    bench = bench_of(Trial(vehicle_text(exercise.car), exercise.arrives, actions, exercise.seed))
    bench.do_all(exercise.before)
    return Attempt(exercise, bench)


@lru_cache(maxsize=16)
def _exercise(text: str) -> Exercise:
    return Exercise.model_validate_json(text)
