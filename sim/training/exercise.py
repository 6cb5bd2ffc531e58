"""An exercise file: a customer's words, a car, what is really wrong with it, and what it teaches.

Everything in it is invented. `arrives` are the hidden edits (`[]` where nothing is wrong: "no fault found");
`before` is what happened to the car before it came in, so that codes are stored as on a car that was driven.
`complaint` are the customer's words as steps of a case, done on the car as it came in; a step's note says
which words. `solution` is a list of actions that finds, repairs and proves. `others` are further faults for
the same work order, so that neighbors in a class need not have the same car; where the words do not fit one
of them, it has its own. `answers` are what the customer answers when asked (`sim.bench.asking`); an answer
may have `played` steps, as a complaint has, which show on the car what it says. A customer can be wrong:
`wrong` marks an answer that the car contradicts.

Not modeled: customers who leave something out on purpose.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from functools import cached_property, lru_cache, partial
from itertools import zip_longest
from pathlib import Path
from typing import Annotated, Literal, get_args

from pydantic import BeforeValidator, Field, model_validator

from sim.bench.actions import parse_action
from sim.bench.asking import LONGEST_ANSWER, CustomerQuestion
from sim.bench.bench import Bench, BenchWithoutReasons
from sim.bench.snapshot import StartedOnce
from sim.catalogue import shipped_cars, shipped_exercises
from sim.lab.case import CaseStep
from sim.lab.case_file import check_names
from sim.vehicle.car import Car
from sim.vehicle.description_base import Part
from sim.vehicle.edits import apply_all, is_theory, parse_edit
from sim.vehicle.problems import EditProblem, Problem, did_you_mean
from sim.vehicle.reading import described, read_car, text_of

Tool = Literal[
    "seat", "scan", "clear", "program", "eye", "meter", "lamp", "scope", "unplug", "fuses", "battery",
    "bypass", "repair",
]  # fmt: skip
TOOLS: tuple[Tool, ...] = get_args(Tool)
TOOL_WORDS: dict[Tool, str] = {
    "seat": "driver's seat", "scan": "scan tool", "clear": "clearing codes", "program": "programming",
    "eye": "visual inspection", "meter": "multimeter", "lamp": "load test", "scope": "oscilloscope",
    "unplug": "unplugging connectors", "fuses": "fuses", "battery": "battery clamps",
    "bypass": "gateway bypass lead", "repair": "repair",
}  # fmt: skip
Proof = Literal["scan", "start", "sleep"]
MOST_ACTIONS = 200
LONGEST_S = 4 * 3600.0  # of simulated time before the car comes in: longer only keeps a class waiting


def _listed(value: object) -> object:
    return [value] if isinstance(value, str) else value


Sentence = Annotated[str, Field(min_length=1, max_length=600)]
Sentences = Annotated[tuple[Sentence, ...], BeforeValidator(_listed), Field(max_length=MOST_ACTIONS)]


# what the customer says happens; a step without a note checks what the words leave unsaid
Complaint = Annotated[tuple[CaseStep, ...], Field(max_length=20)]
MakeBench = Callable[[Car, Sentences, int], Bench]
FilePath = tuple[str | int, ...]  # where in a file: keys and places in lists


def _said(value: object) -> object:
    return {"says": value} if isinstance(value, str) else value


class CustomerAnswer(Part):
    """What the customer answers to a question; `played`: steps that show it on the car as it came in.

    `wrong`: the customer errs, and the steps show otherwise.
    """

    says: str = Field(min_length=1, max_length=LONGEST_ANSWER)
    played: Complaint = ()
    wrong: bool = False

    @model_validator(mode="after")
    def _a_wrong_one_is_played(self) -> CustomerAnswer:
        if self.wrong and not self.played:
            raise ValueError("a wrong answer needs `played` steps, which the car contradicts")
        return self


Answers = dict[CustomerQuestion, Annotated[CustomerAnswer, BeforeValidator(_said)]]
UNKNOWN = "I could not tell you."


class WorkOrder(Part):
    """What the customer says and what is known of the car. Names are invented."""

    customer: str = Field(min_length=1, max_length=80)
    words: str = Field(min_length=1, max_length=1200)
    history: str = Field("", max_length=1200)


class Guide(Part):
    """For the instructor: why the car shows what it shows, usual wrong turns, what to ask.

    `expect`: what a good answer says, one for each question of `ask`, in their order.
    `transfer`: how this is done on a real vehicle, without those words: its heading says them.
    """

    why: str = Field(min_length=1, max_length=2000)
    wrong_turns: Sentences = ()
    ask: Sentences = ()
    expect: Sentences = ()
    transfer: Sentences = ()

    @model_validator(mode="after")
    def _an_answer_for_each_question(self) -> Guide:
        if self.expect and len(self.expect) != len(self.ask):
            raise ValueError(
                f"{len(self.ask)} questions in `ask`, but {len(self.expect)} answers in `expect`"
            )
        return self

    @property
    def asked(self) -> tuple[str, ...]:
        """Each question, with its answer if the guide has one."""
        return tuple(" ".join(one).rstrip() for one in zip_longest(self.ask, self.expect, fillvalue=""))


class OtherFault(Part):
    """Another fault for the same work order, with its own solution.

    `words`, `complaint`, `answers`: what the customer says of this one, where that is not what is said of the
    first.
    """

    arrives: Sentences
    solution: Sentences
    why: str = Field(min_length=1, max_length=2000)
    words: str = Field("", max_length=1200)
    complaint: Complaint = ()
    answers: Answers = Field(default_factory=dict)


class Exercise(Part):
    """A whole exercise file. `minutes` is the labor time to aim for; `proof` what a repair has to show.

    `after`: exercises, by name, that come before this one.
    """

    exercise: str = Field(min_length=1, max_length=120)
    topic: str = Field(min_length=1, max_length=60)
    level: int = Field(1, ge=1, le=5)
    after: tuple[str, ...] = Field((), max_length=10)
    car: str = Field(max_length=60)
    seed: int = Field(0, ge=0, le=2**31)
    work_order: WorkOrder
    arrives: Sentences
    before: Sentences = ()
    complaint: Complaint = ()
    answers: Answers = Field(default_factory=dict)
    goal: str = Field(min_length=1, max_length=600)
    tools: tuple[Tool, ...] = TOOLS
    minutes: float = Field(30, gt=0, le=600)
    proof: tuple[Proof, ...] = Field(("scan",), min_length=1)
    safety: Sentences = ()
    hints: Sentences = ()
    guide: Guide
    solution: Sentences = ()
    others: tuple[OtherFault, ...] = Field((), max_length=20)

    @cached_property
    def whole_car(self) -> Car:
        """The car as its wiring diagram shows it, with nothing wrong: all that a student may be shown."""
        return read_car(shipped_cars()[self.car])

    @cached_property
    def real_car(self) -> Car:
        """The car as it is really built, with nothing wrong: hidden theories about its design included."""
        theories = [text for text in self.arrives if is_theory(text)]
        return apply_all(self.whole_car, theories)

    def bench(self, reasons: bool = True) -> Bench:
        """The car as it is in the bay when the student gets it; without reasons it is twice as fast.

        Without reasons it is made ready once for a whole class.
        """
        return self.driven_in(Bench) if reasons else self.for_a_class.bench()

    @cached_property
    def for_a_class(self) -> StartedOnce:
        """The cars of a class, which are driven into the bay once."""
        return StartedOnce(partial(self.driven_in, BenchWithoutReasons))

    def driven_in(self, make: MakeBench) -> Bench:
        """Return a new bench of the given kind after everything that was done before the student gets it."""
        bench = make(self.whole_car, self.arrives, self.seed)
        bench.do_all(self.before)
        return bench

    def answer_to(self, question: CustomerQuestion) -> str:
        """What the customer answers."""
        answer = self.answers.get(question)
        return UNKNOWN if answer is None else answer.says

    def broken_by(self, edits: Iterable[str]) -> Exercise:
        """The exercise with other hidden edits; nothing about it is checked."""
        return Exercise.model_validate(self.model_dump() | {"arrives": tuple(edits)})

    def variant(self, number: int) -> Exercise:
        """The exercise with another of its faults: 0 is the first, and the count starts again at its end."""
        place = number % (1 + len(self.others))
        if place == 0:
            return self
        other = self.others[place - 1]
        data = self.model_dump() | {"arrives": other.arrives, "solution": other.solution}
        data["work_order"] |= {"words": other.words or self.work_order.words}
        data["complaint"] = other.complaint or self.complaint
        data["answers"] = self.answers | other.answers
        return Exercise.model_validate(data | {"guide": data["guide"] | {"why": other.why}})


def read_exercise(path: Path) -> Exercise:
    """The exercise in a file; raises `FileProblem` with file, line and reason."""
    return exercise_from_text(text_of(path), path.name)


@lru_cache(maxsize=128)
def exercise_from_text(text: str, name: str) -> Exercise:
    """The exercise that a text describes; its car, edits and the sentences of its actions are checked.

    Whether the scripted solution really works is for `sim.training.proof` to say.
    """

    def checked(exercise: Exercise, document: object) -> Exercise:
        _check(exercise)
        return exercise

    return described(text, name, Exercise, checked)


def find_exercise(name: str) -> Exercise:
    """A shipped exercise by its name, or by the number it begins with, or one by the path of its file."""
    shipped = shipped_exercises()
    numbered = [stem for stem in shipped if stem.partition("-")[0] == name.zfill(2)]
    if name in shipped or numbered:
        return read_exercise(shipped[name if name in shipped else numbered[0]])
    if "/" in name or name.endswith((".yaml", ".yml")):
        return read_exercise(Path(name))
    raise Problem(f"no exercise '{name}'{did_you_mean(name, shipped)}")


# -- checking ----------------------------------------------------------------------------------------------


def _check(exercise: Exercise) -> None:
    known = shipped_cars()
    with _at("car"):
        if exercise.car not in known:
            raise Problem(f"no car '{exercise.car}'{did_you_mean(exercise.car, known)}")
    for place, name in enumerate(exercise.after):
        with _at("after", place):
            if name not in shipped_exercises():
                raise Problem(f"no exercise '{name}'{did_you_mean(name, shipped_exercises())}")
    faults: list[tuple[FilePath, Exercise | OtherFault]] = [((), exercise)]
    faults += [(("others", k), other) for k, other in enumerate(exercise.others)]
    for path, fault in faults:
        car = _arrived(exercise.whole_car, fault.arrives, (*path, "arrives"))
        waited_s = 0.0
        for place, text in enumerate(exercise.before):
            with _at("before", place):
                waited_s += parse_action(text, car).number
                if waited_s > LONGEST_S:
                    raise Problem(f"more than {LONGEST_S / 3600:g} h pass before the car comes in")
        _check_complaint(fault.complaint, car, (*path, "complaint"))
        for question, answer in fault.answers.items():
            _check_complaint(answer.played, car, (*path, "answers", question, "played"))
        _check_solution(fault.solution, car, (*path, "solution"))


def _arrived(car: Car, arrives: Sentences, path: FilePath) -> Car:
    """The car with its hidden edits, theories first: they change how it is built."""
    for place in sorted(range(len(arrives)), key=lambda k: not is_theory(arrives[k])):
        with _at(*path, place):
            edit = parse_edit(arrives[place], car)
            if edit.kind == "repair":
                raise Problem(f"'{edit.text}' mends something; a car arrives with faults")
            car = edit.apply(car)
    return car


def _check_complaint(steps: Complaint, car: Car, path: FilePath) -> None:
    for place, step in enumerate(steps):
        for number, text in enumerate(step.do):
            with _at(*path, place, "do", number):
                parse_action(text, car)
        check_names(step.seen, car, (*path, place, "seen"))


def _check_solution(solution: Sentences, car: Car, path: FilePath) -> None:
    for place, text in enumerate(solution):
        with _at(*path, place):
            action = parse_action(text, car)
            if action.verb == "edit":
                # a fuse that blew meanwhile, say, is nothing that reading the sentences can know of
                with suppress(EditProblem):
                    car = parse_edit(action.text, car).apply(car)


@contextmanager
def _at(*path: str | int) -> Iterator[None]:
    """A problem raised in here is told with this place of the file."""
    try:
        yield
    except Problem as problem:
        raise Problem(problem.what, path) from None
