"""Exercises from the command line: list them, take one, try it, be debriefed.

What a student sees goes through `sim.training.attempt`; hidden edits appear in the debrief only.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from textwrap import fill, indent

import click

from sim.bench.asking import CustomerQuestion
from sim.catalogue import shipped_exercises
from sim.command_line import (
    FILE,
    action_options_for,
    actions_of,
    as_one,
    command,
    print_json,
    print_table,
    progress,
    sentences,
    shipped,
    write_told,
)
from sim.lab.workshop import Workshop
from sim.modules.facts import engine_told
from sim.training.attempt import Attempt
from sim.training.debrief import Debrief, debrief
from sim.training.debrief_page import as_html, as_markdown, sections
from sim.training.exercise import Exercise, find_exercise, read_exercise
from sim.training.forecast import RunSuspects
from sim.training.hand_in import HandIn
from sim.training.jobs import WorkStep
from sim.training.proof import prove, rivals
from sim.vehicle.car import Car
from sim.vehicle.problems import Problem

WIDTH = 100
LEVELS = ("", "I", "II", "III", "IV", "V")

exercise_argument = click.argument(
    "exercise",
    help="An exercise by its name or number, or an exercise file.",
    shell_complete=shipped("exercises"),
)


@dataclass(frozen=True, slots=True)
class ExerciseWork:
    """An exercise, what is done to its car, and what is handed in."""

    exercise: str
    do: tuple[str, ...]
    script: Path | None
    causes: tuple[str, ...]
    evidence: str

    @property
    def actions(self) -> list[str]:
        """All actions, in order."""
        return actions_of(self.script, self.do)


def _car_of(name: str) -> Car:
    return find_exercise(name).whole_car


attempt_options = as_one(
    "work",
    ExerciseWork,
    exercise_argument,
    action_options_for(_car_of),
    click.option(
        "--hand-in",
        "causes",
        metavar="CAUSE",
        shell_complete=sentences("fault", "theory", car_of=_car_of),
        multiple=True,
        help="What was wrong, such as 'pull F3', or 'no fault found'; again for more.",
    ),
    click.option("--evidence", default="", metavar="WORDS", help="How you know."),
)


@dataclass(frozen=True, slots=True)
class ExerciseRow:
    """An exercise in the order of the curriculum. `level`: 1 to 5. `minutes`: labor time that is planned."""

    name: str
    level: int
    minutes: float
    car: str
    topic: str
    title: str


@command("exercises", examples=["exercises", "exercises --json"], result=tuple[ExerciseRow, ...])
def exercises(as_json: bool) -> None:
    """List the exercises that come with busbay."""
    read = {name: read_exercise(path) for name, path in shipped_exercises().items()}
    rows = [
        ExerciseRow(name, one.level, one.minutes, one.car, one.topic, one.exercise)
        for name, one in read.items()
    ]
    if as_json:
        print_json(rows)
        return
    cells = [
        (one.name, LEVELS[one.level], f"{one.minutes:.0f} min", one.car, one.topic, one.title) for one in rows
    ]
    print_table(("name", "level", "time", "car", "topic", "title"), cells)


@dataclass(frozen=True, slots=True)
class WorkOrderTold:
    """What a student gets to see of an exercise before the work begins."""

    exercise: str
    car: str
    minutes: float
    customer: str
    words: str
    history: str
    goal: str
    tools: tuple[str, ...]
    proof: tuple[str, ...]
    safety: tuple[str, ...]
    hints: int


@command("exercise", examples=["exercise 2", "exercise 02-left-in-storage --json"], result=WorkOrderTold)
@exercise_argument
def exercise(exercise: str, as_json: bool) -> None:
    """Print the work order of an exercise.

    And nothing of what is hidden.
    """
    found = find_exercise(exercise)
    order = found.work_order
    told = WorkOrderTold(
        found.exercise, found.whole_car.title, found.minutes, order.customer, order.words, order.history,
        found.goal, tuple(found.tools), tuple(found.proof), tuple(found.safety), len(found.hints),
    )  # fmt: skip
    if as_json:
        print_json(told)
    else:
        _print_order(told)


def _print_order(told: WorkOrderTold) -> None:
    print(f"{told.exercise} ({told.car}, {told.minutes:g} min)")
    print(f"\nCustomer: {told.customer}")
    print(indent(fill(told.words, WIDTH - 2), "  "))
    if told.history:
        print(f"History: {told.history}")
    print(f"\nTo learn: {told.goal}")
    print(f"Tools: {', '.join(told.tools)}")
    print(f"A repair has to show: {', '.join(told.proof)}")
    for caution in told.safety:
        print(f"Safety: {caution}")
    print(f"Hints: {told.hints}")
    print(f"Ask the customer: {', '.join(f'ask {one}' for one in CustomerQuestion)}")


@dataclass(frozen=True, slots=True)
class AttemptStep:
    """An action at the car of an exercise: labor minutes up to its end, and what came of it.

    `vain`: why it could not be done. `found`: what differs from "answers" in a report, by module or code.
    """

    minutes: float
    action: str
    ignition: str
    engine: str
    lamps: tuple[str, ...]
    vain: str
    display: str
    notes: tuple[str, ...]
    dangers: tuple[str, ...]
    found: dict[str, str]


@dataclass(frozen=True, slots=True)
class HandInTold:
    """What was handed in, judged: named causes that are right, true consequences, near or wrong.

    `missed`: how many hidden causes were not named. `credit`: 0 to 1.
    """

    right: tuple[str, ...]
    also: tuple[str, ...]
    near: tuple[str, ...]
    wrong: tuple[str, ...]
    missed: int
    repaired: bool
    proven: bool
    unproven: tuple[str, ...]
    complete: bool
    credit: float


@dataclass(frozen=True, slots=True)
class AttemptTold:
    """An attempt: hints taken, steps, labor minutes, parts cost, and the result (null: not handed in)."""

    hints: tuple[str, ...]
    steps: tuple[AttemptStep, ...]
    minutes: float
    cost: float
    result: HandInTold | None


@command(
    "try",
    examples=['try 2 --do "press start" --do "wait 5 s" --do scan --do "fit F2" --hand-in "pull F2"'],
    result=AttemptTold,
)
@attempt_options
@click.option("--hints", default=0, metavar="N", help="Take so many hints first.")
def try_exercise(
    work: ExerciseWork,
    hints: int,
    as_json: bool,
) -> int:
    """Work on the car of an exercise and hand in.

    Exit code 1 where something is handed in that does not complete it.
    """
    attempt = Attempt.begin(find_exercise(work.exercise))
    taken = [attempt.hint() for _ in range(hints)]
    steps = []
    for text in () if as_json else taken:
        print(f"hint: {text}")
    for action in work.actions:
        steps.append(_step_told(attempt.do(action)))
        if not as_json:
            _print_step(steps[-1])
    if not as_json:
        print(f"{attempt.minutes:.1f} min of labor, parts {attempt.cost:g}")
    result = _hand_in_told(attempt.hand_in(work.causes, work.evidence)) if work.causes else None
    if as_json:
        print_json(AttemptTold(tuple(taken), tuple(steps), attempt.minutes, attempt.cost, result))
    elif result:
        _print_result(result)
    return 0 if result is None or result.complete else 1


def _step_told(step: WorkStep) -> AttemptStep:
    sight = step.sight
    found = {} if step.report is None else sight.found()
    differing = {what: str(value) for what, value in found.items() if value != "answers"}
    return AttemptStep(
        step.labor_min, step.action, sight.ignition, sight.engine, sight.lit, step.vain, step.display,
        step.notes, step.dangers, differing,
    )  # fmt: skip


def _print_step(step: AttemptStep) -> None:
    lamps = f", lamps: {' '.join(step.lamps)}" if step.lamps else ""
    print(f"{step.minutes:6.1f} min  {step.action}  [{step.ignition}, {engine_told(step.engine)}{lamps}]")
    for words in (step.vain, step.display, *step.notes):
        if words:
            print(f"    {words}")
    for danger in step.dangers:
        print(f"    CAUTION: {danger}")
    for what, found in step.found.items():
        print(f"    {what}: {found}")


def _hand_in_told(result: HandIn) -> HandInTold:
    verdict = result.verdict
    return HandInTold(
        verdict.right, verdict.also, tuple(named for named, _ in verdict.near), verdict.wrong,
        len(verdict.missed) + len(verdict.near), result.repaired, result.proven, result.unproven,
        result.complete, result.credit,
    )  # fmt: skip


def _print_result(told: HandInTold) -> None:
    for words, causes in (
        ("right", told.right), ("also true", told.also), ("wrong", told.wrong), ("near", told.near),
    ):  # fmt: skip
        for cause in causes:
            print(f"{words}: {cause}")
    print(f"repaired: {'yes' if told.repaired else 'not yet'}")
    print(f"proven: {'yes' if told.proven else 'not yet: ' + '; '.join(told.unproven)}")
    still = f", {told.missed} still to be found" if told.missed else ""
    print(f"{'complete' if told.complete else 'not complete'}{still}, {told.credit:.0%}")


@dataclass(frozen=True, slots=True)
class DebriefSection:
    """A heading of the debrief with its sentences."""

    title: str
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class JudgedStep:
    """A step with its verdict, the reason, and the possible causes that it left (null: not worked out)."""

    action: str
    minutes: float
    verdict: str
    reason: str
    left: int | None


@dataclass(frozen=True, slots=True)
class DebriefTold:
    """The debrief of an attempt, which names what was hidden."""

    exercise: str
    hidden: tuple[str, ...]
    sections: tuple[DebriefSection, ...]
    steps: tuple[JudgedStep, ...]


@command(
    "debrief",
    examples=[
        'debrief 2 --script work.txt --hand-in "pull F2"',
        'debrief 2 --hand-in "pull F2" --html page.html',
    ],
    result=DebriefTold,
)
@attempt_options
@click.option("--quick", is_flag=True, help="Without possible causes: checks are not judged.")
@click.option("--html", type=FILE, help="Write a page to be printed.")
def print_debrief(
    work: ExerciseWork,
    quick: bool,
    html: Path | None,
    as_json: bool,
) -> None:
    """Tell what each check of an attempt was worth.

    As Markdown, or as a page.
    """
    if not work.causes:
        raise Problem(
            "the debrief comes after handing in: add --hand-in CAUSE, or --hand-in 'no fault found'"
        )
    attempt = Attempt.begin(find_exercise(work.exercise))
    for action in work.actions:
        attempt.do(action)
    attempt.hand_in(work.causes, work.evidence)
    told = _debriefed(attempt, quick)
    if html:
        write_told(html, as_html(told))
    if as_json:
        print_json(_debrief_told(told))
    elif not html:
        print(as_markdown(told), end="")


def _debriefed(attempt: Attempt, quick: bool) -> Debrief:
    if quick:
        return debrief(attempt)
    with Workshop() as workshop, progress("percent") as tell:
        return debrief(attempt, RunSuspects(attempt, workshop, progress=tell))


def _debrief_told(told: Debrief) -> DebriefTold:
    steps = tuple(
        JudgedStep(
            one.step.action, one.step.minutes, one.ruling.verdict, one.ruling.reason,
            None if told.suspects is None else one.left,
        )
        for one in told.judged
    )  # fmt: skip
    said = tuple(DebriefSection(title, tuple(lines)) for title, lines in sections(told))
    of = told.attempt.exercise
    return DebriefTold(of.exercise, tuple(of.arrives), said, steps)


@dataclass(frozen=True, slots=True)
class CheckedFault:
    """One fault of an exercise: minutes of its solution, how the car showed it, and what else it could be."""

    minutes: float
    symptoms: tuple[str, ...]
    rivals: tuple[str, ...]


@command(
    "check-exercise",
    examples=["check-exercise 02-left-in-storage", "check-exercise my-exercise.yaml --rivals"],
    result=tuple[CheckedFault, ...],
)
@exercise_argument
@click.option(
    "--rivals", "and_rivals", is_flag=True, help="And look for what else it could be: minutes on a large car."
)
def check_exercise(exercise: str, and_rivals: bool, as_json: bool) -> int:
    """Play an exercise's solution, and look for rivals.

    The solution of each fault has to find it, to repair it and to prove the repair. Exit code 1 where it does
    not, or where something else would have answered every check alike.
    """
    read = find_exercise(exercise)
    found = []
    for number in range(1 + len(read.others)):
        found.append(_checked(read.variant(number), and_rivals))
        if not as_json:
            _print_checked(found[-1], f"fault {number + 1}" if read.others else "the fault", and_rivals)
    if as_json:
        print_json(found)
    return 1 if any(one.rivals for one in found) else 0


def _checked(one: Exercise, and_rivals: bool) -> CheckedFault:
    proven = prove(one)
    if not and_rivals:
        return CheckedFault(proven.minutes, proven.symptoms, ())
    with Workshop() as workshop, progress("runs") as tell:
        found = rivals(one, workshop, log=proven.log, progress=tell)
    return CheckedFault(proven.minutes, proven.symptoms, tuple(map(str, found)))


def _print_checked(told: CheckedFault, what: str, and_rivals: bool) -> None:
    print(f"{what}: found, repaired and proved in {told.minutes:.0f} min")
    for symptom in told.symptoms:
        print(f"  {symptom}")
    if and_rivals:
        print("when it is repaired, left are:" if told.rivals else "nothing else is left when it is repaired")
    for rival in told.rivals:
        print(f"  {rival}")
