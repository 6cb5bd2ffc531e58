"""What a student may do: which sentences make sense on the car as it is known, and which are refused.

A refusal costs nothing, so it tells nothing: it follows from the wiring diagram and what was found.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress

from sim.bench.actions import Action, parse_action
from sim.training.exercise import Exercise, Tool
from sim.training.findings import Findings
from sim.training.jobs import HANDS_ON, tool_for
from sim.vehicle.car import Car
from sim.vehicle.edit import Edit
from sim.vehicle.harness_state import Lead
from sim.vehicle.problems import EditProblem

FITTED_WRONG = "fit"  # a fuse of another rating is a fault that a student may well make


def car_as_known(car: Car, findings: Findings, fitted: Mapping[str, Lead]) -> Car:
    """A car with nothing off and none of the fitted leads but what was found so."""
    leads = {name: lead for name, lead in fitted.items() if name in findings.leads}
    return car.with_harness(unplugged=frozenset(findings.off), leads=leads)


def understood(
    text: str, exercise: Exercise, findings: Findings, fitted: Mapping[str, Lead]
) -> tuple[Action, Car]:
    """The action that a sentence means, and the car on which it makes sense.

    Raises `EditProblem` in the words of the car that its diagram shows.
    """
    try:
        known = car_as_known(exercise.whole_car, findings, fitted)
        return parse_action(text, known), known
    except EditProblem:
        with suppress(EditProblem):  # a part that only the real car has may be named by its name
            known = car_as_known(exercise.real_car, findings, fitted)
            return parse_action(text, known), known
        raise


def check_allowed(action: Action, tools: tuple[Tool, ...]) -> None:
    """Raise `EditProblem` where an action would damage the car or takes a tool that is not there."""
    if action.edit is not None:
        _check_edit(action.edit)
    tool = tool_for(action)
    if tool not in tools:
        raise EditProblem(f"this exercise is to be solved without the tool '{tool}'")


def _check_edit(edit: Edit) -> None:
    if edit.kind == "theory":
        raise EditProblem("a theory is nothing to do at the car: hand it in as a cause")
    if edit.kind == "fault" and edit.verb not in (*HANDS_ON, FITTED_WRONG):
        raise EditProblem(f"'{edit.verb}' would damage the customer's car")
