"""Teaching with an exercise: a lesson plan, a worksheet without answers, a teacher's sheet with readings.

The readings are computed: the solution of each fault is played, step by step, as a student would.

Not modeled: how long a class really takes; the plan reckons with the labor time and two talks.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import ceil
from pathlib import Path
from typing import Literal

from sim.bench.action_words import words_of
from sim.bench.asking import SPOKEN
from sim.lab.report import DISCLAIMER
from sim.markup import page
from sim.training.answers import cause_words
from sim.training.attempt import HINT_MINUTES, Attempt
from sim.training.complaint import ERRS
from sim.training.exercise import TOOL_WORDS, Exercise
from sim.training.hand_in import NO_FAULT, PROOF_WORDS
from sim.training.step_words import step_words
from sim.vehicle.wire_names import lamp_words

PAGE = Path(__file__).with_name("lesson.html")
Sheet = Literal["plan", "worksheet", "teacher"]
SHEETS: dict[Sheet, str] = {"plan": "Lesson plan", "worksheet": "Worksheet", "teacher": "Teacher's sheet"}
TALK_BEFORE_MIN, TALK_AFTER_MIN = 10, 15  # work order and safety; debrief. Our own choice
ROUND_MIN = 5
EMPTY_LINES, LINES_OF_AN_ANSWER = 9, 3
SEEN_FROM_THE_SEAT = ("wait", "drive", "wiggle", "heat", "freeze")  # they take time: a key is answered later
# in words of a sheet; empty: usual
REPORTED = {"answers": "", "has power": "", "silent": "no communication", "stored": "history"}


@dataclass(frozen=True, slots=True)
class ExpectedStep:
    """A step of the solution: what is done, also in words, the minutes up to its end, what it shows."""

    action: str
    words: str
    minutes: float
    shows: str
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ExpectedFault:
    """One fault of an exercise: what is hidden, in words, why it shows what it shows, and the way there."""

    hidden: tuple[str, ...]
    why: str
    steps: tuple[ExpectedStep, ...]
    minutes: float


@dataclass(frozen=True, slots=True)
class Phase:
    """A part of a lesson: so many minutes, what it is for, and what is done."""

    minutes: int
    title: str
    what: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Lesson:
    """Everything that is printed for an exercise; `name`: in the library. `after`: titles by name."""

    name: str
    exercise: Exercise
    after: tuple[str, ...]
    faults: tuple[ExpectedFault, ...]

    @property
    def phases(self) -> tuple[Phase, ...]:
        """How a lesson goes."""
        one = self.exercise
        work_min = ROUND_MIN * ceil(one.minutes / ROUND_MIN)
        return (
            Phase(
                TALK_BEFORE_MIN, "Work order and safety", ("Read the customer's words together.", *one.safety)
            ),
            Phase(work_min, "Work at the car", (f"To learn: {one.goal}", *self.stuck)),
            Phase(TALK_AFTER_MIN, "Debrief", (*one.guide.ask, "Show the debrief of one attempt.")),
        )

    @property
    def stuck(self) -> tuple[str, ...]:
        """What helps those who are stuck."""
        hints = len(self.exercise.hints)
        return (f"Hints for those who are stuck: {hints}, {HINT_MINUTES:g} min each.",) if hints else ()

    @property
    def minutes(self) -> int:
        """The whole lesson."""
        return sum(phase.minutes for phase in self.phases)


def lesson(name: str, exercise: Exercise, titles: Mapping[str, str]) -> Lesson:
    """The lesson of an exercise; its solutions are played. `titles`: of exercises, by their names."""
    faults = tuple(_played(exercise.variant(number)) for number in range(1 + len(exercise.others)))
    return Lesson(name, exercise, tuple(titles.get(one, one) for one in exercise.after), faults)


def _played(exercise: Exercise) -> ExpectedFault:
    attempt = Attempt.begin(exercise)
    steps = tuple(_expected(attempt, action) for action in exercise.solution)
    hidden = tuple(cause_words(text, exercise.real_car) for text in exercise.arrives) or (NO_FAULT,)
    return ExpectedFault(hidden, exercise.guide.why, steps, attempt.minutes)


def _expected(attempt: Attempt, action: str) -> ExpectedStep:
    step = attempt.do(action)
    seen = step.sight
    car = attempt.exercise.whole_car
    lit = ", ".join(lamp_words(name, car).removesuffix(" lamp") for name in seen.lit)
    lamps = f", lamps: {lit}" if lit else ""
    ignition = "no supply" if seen.ignition == "dark" else f"ignition {seen.ignition}"
    seat = f"{ignition}, engine {seen.engine}{lamps}"
    found = () if step.report is None else _in_report(step.sight.found())
    shows = step_words(step) or (seat if step.verb in SEEN_FROM_THE_SEAT else "")
    return ExpectedStep(
        step.action,
        words_of(step.action, car),
        attempt.minutes,
        shows,
        (*step.notes, *found),
    )


def _in_report(found: Mapping[str, object]) -> tuple[str, ...]:
    """What of a report is out of the ordinary, together what is alike."""
    alike: dict[str, list[str]] = {}
    for what, said in found.items():
        alike.setdefault(REPORTED.get(str(said), str(said)), []).append(what)
    return tuple(f"{said}: {', '.join(those)}" for said, those in alike.items() if said)


# -- printed -------------------------------------------------------------------------------------------------


def as_html(told: Lesson, sheets: Iterable[Sheet] = SHEETS) -> str:
    """These sheets as one page to be printed, each beginning on paper of its own."""
    kinds = tuple(sheets)
    title = f"{told.exercise.exercise}: {', '.join(SHEETS[kind].lower() for kind in kinds)}"
    return page(
        PAGE, title=title, disclaimer=DISCLAIMER, told=told, one=told.exercise, kinds=kinds, names=SHEETS,
        proof=proof_words(told.exercise), tools=[TOOL_WORDS[tool] for tool in told.exercise.tools],
        lines=range(EMPTY_LINES), room=range(LINES_OF_AN_ANSWER), spoken=SPOKEN, errs=ERRS,
    )  # fmt: skip


def proof_words(exercise: Exercise) -> tuple[str, ...]:
    """What a repair has to show, in words."""
    return tuple(PROOF_WORDS[one] for one in exercise.proof)


def as_text(told: Lesson) -> str:
    """Plan and teacher's sheet as plain text."""
    one = told.exercise
    lines = [f"{one.exercise} ({told.name}): level {one.level}, {one.topic}, {one.whole_car.title}"]
    lines += [f"First: {', '.join(told.after)}"] if told.after else []
    for phase in told.phases:
        lines += ["", f"{phase.minutes} min  {phase.title}", *(f"  {what}" for what in phase.what)]
    lines += [f"{SPOKEN[question]} “{answer.says}”" for question, answer in one.answers.items()]
    lines += [*one.guide.asked, *(f"On a real vehicle: {said}" for said in one.guide.transfer)]
    for number, fault in enumerate(told.faults, start=1):
        which = f" {number}" if len(told.faults) > 1 else ""
        lines += ["", f"Hidden{which}: {'; '.join(fault.hidden)}", f"  {fault.why}"]
        for step in fault.steps:
            lines.append(f"{step.minutes:7.1f} min  {step.action}: {step.shows}".rstrip(": "))
            lines += [f"{'':13}{note}" for note in step.notes]
    return "\n".join(lines) + "\n"
