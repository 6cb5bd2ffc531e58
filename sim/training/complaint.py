"""The customer's words put to the test: each step of a complaint, done on the car as it came in.

A window, a sign or a radio is no lamp of the driver's seat. What the customer finds dead is then asked of its
module by a scan: it is silent, or holds a code. That goes on in a car of its own, not in the student's.

Not modeled: what a customer makes up, or takes for a fault although it is none.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from sim.bench.actions import parse_action
from sim.bench.bench import Bench, BenchWithoutReasons
from sim.bench.live import Fidelity
from sim.catalogue import vehicle_text
from sim.lab.compare import Miss, misses
from sim.lab.run import Trial, fidelity_for, sight_of
from sim.training.exercise import Complaint, Exercise
from sim.training.good_cars import good_car_like
from sim.vehicle.edits import verb_of
from sim.vehicle.problems import Problem

SHORT_S = 120.0  # frame by frame this takes half a second; our own choice
ERRS = "the car shows otherwise: the customer errs"


def _fidelity_for(exercise: Exercise) -> Fidelity:
    """The fidelity that the steps of the complaint need, mostly faster than every frame."""
    asked = tuple(action for step in exercise.complaint for action in step.do)
    trial = Trial(vehicle_text(exercise.car), actions=(*exercise.before, *asked))
    return fidelity_for(trial, exercise.whole_car)


def complaint_misses(exercise: Exercise) -> Iterator[Miss]:
    """Everything in which the car, as it came in, differs from what the customer says; steps from 1.

    No more is simulated than is asked for. Raises `EditProblem` or `Unsettled` where no such car can come in.
    """
    if exercise.complaint:
        yield from _misses(_as_it_came_in(exercise), exercise.complaint)


def _as_it_came_in(exercise: Exercise) -> Bench:
    """The class's car where frame by frame is quick enough, as it has been driven in already."""
    fidelity = _fidelity_for(exercise)
    if fidelity == "frame" or _waited_s(exercise) <= SHORT_S:
        return exercise.bench(reasons=False)
    return exercise.driven_in(partial(BenchWithoutReasons, fidelity=fidelity))


def _waited_s(exercise: Exercise) -> float:
    """For how long the steps of the complaint wait, in s."""
    waits = (text for step in exercise.complaint for text in step.do if verb_of(text) == "wait")
    return sum(parse_action(text, exercise.real_car).number for text in waits)


def _misses_of_a_good_car(exercise: Exercise) -> Iterator[Miss]:
    return _misses(good_car_like(exercise, _fidelity_for(exercise)), exercise.complaint)


def check_complaint(exercise: Exercise) -> None:
    """Raises `Problem` where words or answers do not fit the car, or words would fit a whole one."""
    if exercise.complaint:
        one = next(complaint_misses(exercise), None)
        if one:
            raise Problem(f"the complaint does not fit the car: {_told(one)}", ("complaint", one.step - 1))
        if exercise.arrives and next(_misses_of_a_good_car(exercise), None) is None:
            raise Problem("a car with nothing wrong would show the same as the complaint", ("complaint",))
    check_answers(exercise)


def check_answers(exercise: Exercise) -> None:
    """Raises `Problem` where an answer is not what the car shows, or one that is said to be wrong is."""
    for question, answer in exercise.answers.items():
        one = next(_misses(exercise.bench(reasons=False), answer.played), None) if answer.played else None
        if one and not answer.wrong:
            place = ("answers", question, "played", one.step - 1)
            raise Problem(f"the answer does not fit the car: {_told(one)}", place)
        if answer.wrong and one is None:
            raise Problem("the car shows what this wrong answer says", ("answers", question))


def _misses(bench: Bench, steps: Complaint) -> Iterator[Miss]:
    for number, step in enumerate(steps, start=1):
        yield from misses(step, [sight_of(bench, action) for action in step.do], number)


def _told(one: Miss) -> str:
    return f"{one.what}: the customer says {one.seen}, the car shows {one.says}"
