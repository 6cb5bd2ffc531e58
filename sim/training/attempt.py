"""One person's attempt at an exercise: the bench, labor time, notes, hints, hand-in.

The hidden edits are in `exercise.arrives` and in the bench, and no page shows them before `hand_in`. An
attempt is the exercise and its log of sentences: `Attempt.replay` brings it back, byte for byte.

A repair of something that is whole has no effect: it costs its time and is in the log, as is every other
job that turns out not to be one. Only a sentence that makes no sense costs nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, field, replace

from sim.bench.actions import Action, parse_action
from sim.bench.asking import CustomerQuestion
from sim.bench.bench import Bench
from sim.instruments.read import shown
from sim.lab.labor import minutes_of
from sim.lab.run import sight_of
from sim.training.effects import same_place
from sim.training.exercise import Exercise
from sim.training.findings import Findings, car_as_known, check_allowed, understood
from sim.training.good_method import Method, good_method, method_share
from sim.training.hand_in import NO_FAULT, HandIn, grade, normal_causes, saved_before, unproven
from sim.training.jobs import CLAMPS, WorkStep, cost_of
from sim.training.safety import dangers
from sim.vehicle.car import Car
from sim.vehicle.edits import verb_of
from sim.vehicle.edits_modules import CHARGED_PCT
from sim.vehicle.problems import EditProblem

# what is joined to a wire can be taken off anywhere on its stretch: the repair, and the lead that it ends
TAKEN_OFF = {"remove": "short", "unterminate": "terminate"}
HINT_MINUTES = 5.0  # what a hint costs; our own choice
LONGEST_NOTE = 2000
NOT_THERE = "this cannot be found on the car"


@dataclass
class Attempt:
    """An exercise in progress."""

    exercise: Exercise
    bench: Bench
    practice: bool = False
    steps: list[WorkStep] = field(default_factory=list)
    paid_hints: list[int] = field(default_factory=list)  # their numbers, 1 is the first
    given_hints: frozenset[int] = frozenset()  # by the instructor, at no cost
    notes: list[str] = field(default_factory=list)
    result: HandIn | None = None
    found: Findings = field(default_factory=Findings)
    _battery_off_at_s: float | None = None
    _blown_on_arrival: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        self._note_battery()
        self._blown_on_arrival = self.bench.car.harness.blown

    @classmethod
    def begin(cls, exercise: Exercise, practice: bool = False) -> Attempt:
        """A new attempt at an exercise. In practice the log can be rewound."""
        return cls(exercise, exercise.bench(reasons=False), practice)

    @classmethod
    def replay(
        cls, exercise: Exercise, log: Iterable[str], hints_taken: int = 0, practice: bool = False
    ) -> Attempt:
        """The attempt after the same sentences."""
        attempt = cls.begin(exercise, practice)
        attempt.paid_hints = list(range(1, hints_taken + 1))
        for action in log:
            attempt.do(action)
        return attempt

    @property
    def log(self) -> list[str]:
        """What this person has done, in sentences, with what was done in vain."""
        return [step.action for step in self.steps]

    @property
    def hints_taken(self) -> int:
        """How many hints were paid for."""
        return len(self.paid_hints)

    @property
    def known_hints(self) -> list[int]:
        """The numbers of the hints that are known, paid for or given."""
        return sorted({*self.paid_hints, *self.given_hints})

    @property
    def next_hint(self) -> int | None:
        """The number of the hint that is to be had next; None if all are known."""
        numbers = range(1, len(self.exercise.hints) + 1)
        return next((one for one in numbers if one not in self.known_hints), None)

    @property
    def minutes(self) -> float:
        """Minutes of labor time, hints included."""
        return sum(step.minutes for step in self.steps) + HINT_MINUTES * self.hints_taken

    @property
    def cost(self) -> float:
        """Parts used up, in the shop's own money."""
        return sum(step.cost for step in self.steps)

    def do(self, text: str, progress: Callable[[float], None] | None = None) -> WorkStep:
        """Do one action with the tools of this exercise; raises `EditProblem`, with nothing changed.

        `progress` is told the share of a long action that is done, 0 to 1.
        """
        self._must_be_open()
        action, known = self._understood(text)
        check_allowed(action, self.exercise.tools)
        if action.asked is not None and action.asked.answer:
            raise EditProblem(f"the customer is here to answer: write 'ask {action.asked.question}'")
        if action.verb == "save" and self.bench.last_report is None:
            raise EditProblem("there is no scan to save yet")
        step = self._done(action, known, progress)
        self._note_battery()
        self.found.note(action, self.bench.car)
        self.steps.append(step)
        return step

    def _done(self, action: Action, known: Car, progress: Callable[[float], None] | None) -> WorkStep:
        danger = dangers(action, self.bench, self._battery_off_s)
        before_s = self.bench.now_s
        sight = sight_of(self.bench, self._as_found(action), progress)
        if sight.refused and not self._makes_sense(action.text):
            sight = replace(sight, refused=NOT_THERE)
        vain = sight.refused
        seen = None if action.observation is None or vain else shown(self.bench)
        waited_s = self.bench.now_s - before_s if action.verb == "wait" else 0.0
        minutes = minutes_of(action, known, waited_s)
        return WorkStep(
            action.text,
            verb_of(action.text),
            action.edit.part if action.edit else "",
            sight,
            minutes,
            0.0 if vain else cost_of(action, known),
            sum(one.minutes for one in self.steps) + minutes,
            vain,
            self._answered(action) or (sight.display if seen is None else seen.display),
            sight.notes if seen is None else seen.notes,
            () if seen is None else seen.cautions,
            danger if seen is None else (*danger, *seen.harm),
            self.bench.last_report if action.verb == "scan" else None,
        )

    def _answered(self, action: Action) -> str:
        """What the customer answers, if this action is a question."""
        return "" if action.asked is None else f"“{self.exercise.answer_to(action.asked.question)}”"

    @property
    def answers(self) -> dict[CustomerQuestion, str]:
        """What the customer has answered so far, by question."""
        asked = (step.action.removeprefix("ask ") for step in self.steps if step.verb == "ask")
        return {(one := CustomerQuestion(name)): self.exercise.answer_to(one) for name in asked}

    def rewind(self, keep: int) -> Attempt:
        """In practice: the attempt as it was after the first `keep` steps, notes and hints kept."""
        if not self.practice:
            raise EditProblem("the log can be rewound in practice only")
        if not 0 <= keep <= len(self.steps):
            raise EditProblem(f"the log has {len(self.steps)} steps; it cannot be rewound to {keep}")
        earlier = Attempt.replay(self.exercise, self.log[:keep], self.hints_taken, practice=True)
        earlier.notes = list(self.notes)
        earlier.paid_hints, earlier.given_hints = list(self.paid_hints), self.given_hints
        return earlier

    def hint(self) -> str:
        """The next hint that is not known; it costs labor time."""
        self._must_be_open()
        number = self.next_hint
        if number is None:
            raise EditProblem("there are no more hints")
        self.paid_hints.append(number)
        return self.exercise.hints[number - 1]

    def note(self, text: str) -> None:
        """Write something down."""
        if not text.strip() or len(text) > LONGEST_NOTE:
            raise EditProblem(f"a note has 1 to {LONGEST_NOTE} characters")
        self.notes.append(text.strip())

    def hand_in(self, named: Iterable[str], evidence: str = "") -> HandIn:
        """Name the causes (edit sentences, or 'no fault found') and end the attempt.

        The bench shows whether they are repaired and proven. Raises `EditProblem`, with the attempt still
        open, where a cause is none.
        """
        self._must_be_open()
        if len(evidence) > LONGEST_NOTE:
            raise EditProblem(f"the evidence has at most {LONGEST_NOTE} characters")
        said = self._named(list(named))
        hidden = normal_causes(self.exercise.arrives or [NO_FAULT], self.exercise.real_car)
        hidden = () if hidden == (NO_FAULT,) else hidden
        handed_in = HandIn(
            said,
            grade(said, hidden, self.exercise.real_car, self._blown_on_arrival),
            self.is_whole,
            saved_before(self.steps),
            unproven(self.steps, self.exercise.proof),
            evidence,
        )
        followed = method_share(good_method(self.exercise, self.steps, handed_in))
        self.result = replace(handed_in, method=followed)
        return self.result

    @property
    def method(self) -> tuple[Method, ...]:
        """How the log follows the rules of good method, as far as this job called for them."""
        return good_method(self.exercise, self.steps, self.result)

    @property
    def is_whole(self) -> bool:
        """Whether every hidden edit is undone, nothing new is left broken, and the battery is charged."""
        state = self.bench.car.harness
        if state.battery_pct is not None and state.battery_pct >= CHARGED_PCT:
            state = replace(state, battery_pct=None)
        return state == self.exercise.whole_car.harness

    # -- doing -----------------------------------------------------------------------------------------

    def _must_be_open(self) -> None:
        if self.result is not None:
            raise EditProblem("this exercise has been handed in; start it again for another try")

    def understood(self, text: str) -> Action:
        """The action that a sentence means; raises `EditProblem` where it is none or is not allowed."""
        action, _ = self._understood(text)
        check_allowed(action, self.exercise.tools)
        return action

    def _understood(self, text: str) -> tuple[Action, Car]:
        return understood(text, self.exercise, self.found, self.bench.car.harness.leads)

    def _makes_sense(self, text: str) -> bool:
        """Whether a sentence makes sense on the real car as far as it is known."""
        known = car_as_known(self.exercise.real_car, self.found, self.bench.car.harness.leads)
        try:
            parse_action(text, known)
        except EditProblem:
            return False
        return True

    def _as_found(self, action: Action) -> str:
        """A short or a resistor is taken off wherever on the same stretch of wire it was said to be."""
        joined_by = TAKEN_OFF.get(action.edit.verb) if action.edit else None
        if action.edit is None or joined_by is None:
            return action.text
        undo = "remove " if action.edit.verb == "remove" else "un"
        said = action.text.removeprefix(undo)
        for name, lead in sorted(self.bench.car.harness.leads.items()):
            if lead.verb == joined_by and same_place(said, name, self.exercise.real_car):
                return f"{undo}{name}"
        return action.text

    @property
    def _battery_off_s(self) -> float | None:
        """For how long the battery has been disconnected, in s; None while it is connected."""
        return None if self._battery_off_at_s is None else self.bench.now_s - self._battery_off_at_s

    def _note_battery(self) -> None:
        if self.bench.car.harness.unplugged.isdisjoint(CLAMPS):
            self._battery_off_at_s = None
        elif self._battery_off_at_s is None:
            self._battery_off_at_s = self.bench.now_s

    def _named(self, named: list[str]) -> tuple[str, ...]:
        """The causes in normal form; a pin that is there by a hidden theory only may be named as well."""
        try:
            return normal_causes(named, self.exercise.whole_car)
        except EditProblem:
            with suppress(EditProblem):
                return normal_causes(named, self.exercise.real_car)
            raise
