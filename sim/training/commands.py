"""Exercises from the command line: list them, take one, try it, be debriefed.

What a student sees goes through `sim.training.attempt`; hidden edits appear in the debrief only.
"""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from pathlib import Path
from textwrap import fill, indent

from sim.arguments import action_arguments, actions
from sim.catalogue import shipped_exercises
from sim.lab.workshop import Workshop
from sim.training.attempt import Attempt
from sim.training.debrief import debrief
from sim.training.debrief_page import as_html, as_markdown
from sim.training.exercise import Exercise, find_exercise, read_exercise
from sim.training.forecast import RunSuspects
from sim.training.hand_in import HandIn
from sim.training.jobs import WorkStep
from sim.training.proof import prove, rivals
from sim.vehicle.problems import Problem

WIDTH = 100


def list_exercises(chosen: Namespace) -> int:
    """One line per exercise."""
    for name, path in shipped_exercises().items():
        one = read_exercise(path)
        level = "I" * one.level if one.level < 4 else {4: "IV", 5: "V"}[one.level]
        print(f"{name:32} {level:3} {one.minutes:3.0f} min  {one.car:16} {one.topic:20} {one.exercise}")
    return 0


def exercise_arguments(parser: ArgumentParser) -> None:
    """Arguments of `exercise`."""
    _name_argument(parser)
    parser.add_argument(
        "--check", action="store_true", help="play the scripted solution and say whether it finds the fault"
    )
    parser.add_argument(
        "--rivals", action="store_true", help="and look for what else it could be: minutes on a large car"
    )


def show_exercise(chosen: Namespace) -> int:
    """The work order, and nothing of what is hidden."""
    exercise = find_exercise(chosen.name)
    if chosen.check or chosen.rivals:
        return _check(exercise, chosen.rivals)
    order = exercise.work_order
    print(f"{exercise.exercise} ({exercise.whole_car.title}, {exercise.minutes:g} min)")
    print(f"\nCustomer: {order.customer}")
    print(indent(fill(order.words, WIDTH - 2), "  "))
    if order.history:
        print(f"History: {order.history}")
    print(f"\nTo learn: {exercise.goal}")
    print(f"Tools: {', '.join(exercise.tools)}")
    print(f"A repair has to show: {', '.join(exercise.proof)}")
    for caution in exercise.safety:
        print(f"Safety: {caution}")
    print(f"Hints: {len(exercise.hints)}")
    return 0


def try_arguments(parser: ArgumentParser) -> None:
    """Arguments of `try`."""
    _work_arguments(parser)
    parser.add_argument("--hints", type=int, default=0, metavar="N", help="take so many hints first")


def try_exercise(chosen: Namespace) -> int:
    """Work on the car of an exercise; status 0 unless something was handed in that does not complete it."""
    attempt = Attempt.begin(find_exercise(chosen.name))
    for _ in range(chosen.hints):
        print(f"hint: {attempt.hint()}")
    for action in actions(chosen):
        _print_step(attempt.do(action))
    print(f"{attempt.minutes:.1f} min of labor, parts {attempt.cost:g}")
    if not chosen.hand_in:
        return 0
    result = attempt.hand_in(chosen.hand_in, chosen.evidence)
    _print_result(result)
    return 0 if result.complete else 1


def debrief_arguments(parser: ArgumentParser) -> None:
    """Arguments of `debrief`."""
    _work_arguments(parser)
    parser.add_argument("--quick", action="store_true", help="without possible causes: checks are not judged")
    parser.add_argument("--html", type=Path, metavar="FILE", help="write a page to be printed")


def print_debrief(chosen: Namespace) -> int:
    """The debrief of an attempt, as Markdown or as a page."""
    if not chosen.hand_in:
        raise Problem(
            "the debrief comes after handing in: add --hand-in CAUSE, or --hand-in 'no fault found'"
        )
    attempt = Attempt.begin(find_exercise(chosen.name))
    for action in actions(chosen):
        attempt.do(action)
    attempt.hand_in(chosen.hand_in, chosen.evidence)
    if chosen.quick:
        told = debrief(attempt)
    else:
        with Workshop() as workshop:
            told = debrief(attempt, RunSuspects(attempt, workshop))
    if chosen.html:
        chosen.html.write_text(as_html(told), encoding="utf-8")
    else:
        print(as_markdown(told), end="")
    return 0


# -- small things ------------------------------------------------------------------------------------------


def _name_argument(parser: ArgumentParser) -> None:
    parser.add_argument("name", help="an exercise by its name or number, or an exercise file")


def _work_arguments(parser: ArgumentParser) -> None:
    _name_argument(parser)
    action_arguments(parser)
    parser.add_argument(
        "--hand-in", metavar="CAUSE", action="append", default=[], help="what was wrong, such as 'pull F3'"
    )
    parser.add_argument("--evidence", default="", metavar="WORDS", help="how you know")


def _check(exercise: Exercise, and_rivals: bool) -> int:
    left = 0
    for number in range(1 + len(exercise.others)):
        one = exercise.variant(number)
        proven = prove(one)
        what = f"fault {number + 1}" if exercise.others else "the fault"
        print(f"{what}: found, repaired and proved in {proven.minutes:.0f} min")
        for symptom in proven.symptoms:
            print(f"  {symptom}")
        if and_rivals:
            with Workshop() as workshop:
                found = rivals(one, workshop, log=proven.log)
            left += len(found)
            print(
                "nothing else is left when it is repaired" if not found else "when it is repaired, left are:"
            )
            for rival in found:
                print(f"  {rival}")
    return 1 if left else 0


def _print_step(step: WorkStep) -> None:
    sight = step.sight
    lamps = f", lamps: {' '.join(sight.lit)}" if sight.lit else ""
    print(f"{step.labor_min:6.1f} min  {step.action}  [{sight.ignition}, engine {sight.engine}{lamps}]")
    for words in (step.vain, step.display, *step.notes):
        if words:
            print(f"    {words}")
    for danger in step.dangers:
        print(f"    MIND: {danger}")
    if step.report is not None:
        for what, found in sight.found().items():
            if found != "answers":
                print(f"    {what}: {found}")


def _print_result(result: HandIn) -> None:
    verdict = result.verdict
    for words, causes in (("right", verdict.right), ("also true", verdict.also), ("wrong", verdict.wrong)):
        for cause in causes:
            print(f"{words}: {cause}")
    for named, _ in verdict.near:
        print(f"near: {named}")
    missed = len(verdict.missed) + len(verdict.near)
    print(f"repaired: {'yes' if result.repaired else 'not yet'}")
    print(f"proven: {'yes' if result.proven else 'not yet: ' + '; '.join(result.unproven)}")
    still = f", {missed} still to be found" if missed else ""
    print(f"{'complete' if result.complete else 'not complete'}{still}, {result.credit:.0%}")
