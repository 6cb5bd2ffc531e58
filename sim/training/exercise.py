"""An exercise file: a customer's words, a car, what is really wrong with it, and what it is there to teach.

Everything in it is invented. `arrives` are the hidden edits; `before` is what happened to the car
before it came in, so that codes are stored as on a car that was driven. `solution` is a list of
actions that finds, repairs and proves.

Not modelled: customers who leave something out on purpose.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal, get_args

from pydantic import BeforeValidator, Field

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.vehicle.car import Car
from sim.vehicle.description import Part
from sim.vehicle.edits import parse_edit
from sim.vehicle.problems import FileProblem, Problem, did_you_mean
from sim.vehicle.reading import line_of, parse, read_car

Tool = Literal[
    "seat", "scan", "clear", "eye", "meter", "lamp", "scope", "unplug", "fuses", "battery", "bypass", "repair"
]
TOOLS: tuple[Tool, ...] = get_args(Tool)


def _listed(value: object) -> object:
    return [value] if isinstance(value, str) else value


Lines = Annotated[tuple[str, ...], BeforeValidator(_listed)]


class WorkOrder(Part):
    """What the customer says and what is known of the car. Names are invented."""

    customer: str = Field(min_length=1, max_length=80)
    words: str = Field(min_length=1, max_length=1200)
    history: str = Field("", max_length=1200)


class Guide(Part):
    """For the instructor: why the car shows what it shows, usual wrong turns, what to ask."""

    why: str = Field(min_length=1)
    wrong_turns: Lines = ()
    ask: Lines = ()


class Exercise(Part):
    """A whole exercise file."""

    exercise: str = Field(min_length=1, max_length=120)
    topic: str = Field(min_length=1, max_length=60)
    level: int = Field(1, ge=1, le=5)
    car: str
    seed: int = Field(0, ge=0, le=2**31)
    work_order: WorkOrder
    arrives: Lines = Field(min_length=1)
    before: Lines = ()
    goal: str = Field(min_length=1)
    tools: tuple[Tool, ...] = TOOLS
    minutes: float = Field(30, gt=0, le=600)
    safety: Lines = ()
    hints: Lines = ()
    guide: Guide
    solution: Lines = ()

    def vehicle(self) -> Car:
        """The car of this exercise, whole."""
        return read_car(scenarios_folder() / "vehicles" / f"{self.car}.yaml")

    def bench(self) -> Bench:
        """The car as it stands in the bay when the student gets it."""
        bench = Bench(self.vehicle(), self.arrives, self.seed)
        bench.do_all(self.before)
        return bench


def read_exercise(path: Path) -> Exercise:
    """The exercise in a file; raises `FileProblem` with file, line and reason."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise FileProblem(f"cannot be read: {error}", path.name, 1) from None
    return exercise_from_text(text, path.name)


def exercise_from_text(text: str, name: str) -> Exercise:
    """The exercise that a text describes; its car, edits and actions are checked."""
    exercise, document = parse(text, name, Exercise)
    try:
        _check(exercise)
    except Problem as problem:
        raise FileProblem(problem.what, name, line_of(document, problem.path), problem.path) from None
    return exercise


def shipped_exercises() -> dict[str, Path]:
    """The exercises that come with busbay, by file name without ending, in curriculum order."""
    return {path.stem: path for path in sorted((scenarios_folder() / "exercises").glob("*.yaml"))}


def _check(exercise: Exercise) -> None:
    folder = scenarios_folder() / "vehicles"
    known = [path.stem for path in folder.glob("*.yaml")]
    if exercise.car not in known:
        raise Problem(f"no car '{exercise.car}'{did_you_mean(exercise.car, known)}", ("car",))
    car = exercise.vehicle()
    for index, text in enumerate(exercise.arrives):
        try:
            car = parse_edit(text, car).apply(car)
        except Problem as problem:
            raise Problem(problem.what, ("arrives", index)) from None
    bench = Bench(exercise.vehicle(), exercise.arrives, exercise.seed)
    for index, text in enumerate(exercise.before):
        try:
            bench.do(text)
        except Problem as problem:
            raise Problem(problem.what, ("before", index)) from None
