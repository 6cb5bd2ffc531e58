"""The customer's words put to the test: each step of a complaint, done on the car as it came in.

A window, a sign or a radio is no lamp of the driver's seat. What the customer finds dead is then asked of its
module by a scan: it is silent, or holds a code. That goes on in a car of its own, not in the student's.

Not modelled: what a customer makes up, or takes for a fault although it is none.
"""

from __future__ import annotations

from collections.abc import Iterator

from sim.lab.compare import Miss, misses
from sim.lab.run import sight_of
from sim.training.exercise import Exercise
from sim.vehicle.problems import Problem


def complaint_misses(exercise: Exercise) -> Iterator[Miss]:
    """Everything in which the car, as it came in, differs from what the customer says; steps from 1.

    No more is simulated than is asked for. Raises `EditProblem` or `Unsettled` where no such car can come in.
    """
    bench = exercise.bench(reasons=False)
    for number, step in enumerate(exercise.complaint, start=1):
        yield from misses(step, [sight_of(bench, action) for action in step.do], number)


def check_complaint(exercise: Exercise) -> None:
    """Raises `Problem` where the words do not fit the car, or would fit one with nothing wrong as well."""
    if not exercise.complaint:
        return
    one = next(complaint_misses(exercise), None)
    if one:
        told = f"{one.what}: the customer says {one.seen}, the car shows {one.says}"
        raise Problem(f"the complaint does not fit the car: {told}", ("complaint", one.step - 1))
    if exercise.arrives and next(complaint_misses(exercise.broken_by(())), None) is None:
        raise Problem("a car with nothing wrong would show the same as the complaint", ("complaint",))
