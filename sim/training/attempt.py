"""One person's attempt at an exercise: the bench, shop time, notes, hints, hand-in.

What may be seen goes through `sim.instruments`; the hidden edits stand in `exercise.arrives` and reach
nobody before `hand_in`. An attempt is the exercise and its log: `Attempt.replay` brings it back.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from sim.bench.bench import Bench, Outcome
from sim.training.exercise import Exercise, Tool
from sim.training.shop import cost_of, minutes_of
from sim.vehicle.edits import parse_edit
from sim.vehicle.problems import EditProblem, did_you_mean

HINT_MINUTES = 5.0  # what a hint costs; our own choice

TOOL_OF: dict[str, Tool] = {
    "press": "seat", "brake": "seat", "key": "seat", "fob": "seat", "switch": "seat", "wait": "seat",
    "scan": "scan", "save": "scan", "clear": "clear", "unlock": "clear",
    "look": "eye", "measure": "meter", "load": "lamp", "scope": "scope",
    "unplug": "unplug", "plug": "unplug", "pull": "fuses", "fit": "fuses",
    "bypass": "bypass", "unbypass": "bypass", "mend": "repair", "unshort": "repair", "charge": "battery",
}  # fmt: skip
HARMLESS = ("press", "brake", "key", "fob", "switch", "wait", "scan", "look", "measure")
REPAIRS = ("plug", "fit", "mend", "unshort", "unbypass", "charge")
# faults are set by whoever writes the exercise, not by whoever works on the car
NOT_FOR_STUDENTS = ("open", "corrode", "short", "blow", "theory", "swap", "loosen", "terminate")


@dataclass(frozen=True)
class HandIn:
    """What was handed in, and what it is worth."""

    named: tuple[str, ...]
    right: tuple[str, ...]
    missed: tuple[str, ...]
    wrong: tuple[str, ...]
    repaired: bool
    saved_before: bool
    proven: bool

    @property
    def complete(self) -> bool:
        """Cause named, repair made and proven."""
        return not self.missed and not self.wrong and self.repaired and self.proven


@dataclass
class Attempt:
    """An exercise in progress."""

    exercise: Exercise
    bench: Bench
    minutes: float = 0.0
    cost: float = 0.0
    hints_taken: int = 0
    notes: list[str] = field(default_factory=list)
    result: HandIn | None = None

    @classmethod
    def begin(cls, exercise: Exercise) -> Attempt:
        """The car rolls into the bay."""
        return cls(exercise, exercise.bench())

    @classmethod
    def replay(cls, exercise: Exercise, log: Iterable[str]) -> Attempt:
        """The attempt after the same actions."""
        attempt = cls.begin(exercise)
        for action in log:
            attempt.do(action)
        return attempt

    @property
    def log(self) -> list[str]:
        """What this person has done, without what happened before the car came in."""
        return self.bench.log[len(self.exercise.before) :]

    def do(self, text: str) -> Outcome:
        """Do one action with the tools of this exercise."""
        words = text.split()
        verb = words[0].lower() if words else ""
        if verb in NOT_FOR_STUDENTS:
            raise EditProblem(f"'{verb}' damages the customer's car")
        tool = TOOL_OF.get(verb)
        if tool is not None and tool not in self.exercise.tools and not self._is_battery(words):
            raise EditProblem(f"this exercise is to be solved without the tool '{tool}'")
        before_s = self.bench.now_s
        outcome = self.bench.do(text)
        self.minutes += minutes_of(outcome.action, self.bench.now_s - before_s if verb == "wait" else 0.0)
        self.cost += cost_of(outcome.action)
        return outcome

    def hint(self) -> str:
        """The next hint; it costs shop time."""
        if self.hints_taken >= len(self.exercise.hints):
            raise EditProblem("there is no further hint")
        self.hints_taken += 1
        self.minutes += HINT_MINUTES
        return self.exercise.hints[self.hints_taken - 1]

    def hand_in(self, named: Iterable[str]) -> HandIn:
        """Name the causes (as edit sentences); the bench shows whether they are repaired and proven."""
        car = self.exercise.vehicle()
        said = tuple(dict.fromkeys(parse_edit(text, car).text for text in named))
        if not said:
            raise EditProblem(f"name at least one cause{did_you_mean('', [])}")
        true = tuple(dict.fromkeys(parse_edit(text, car).text for text in self.exercise.arrives))
        self.result = HandIn(
            said,
            tuple(one for one in said if one in true),
            tuple(one for one in true if one not in said),
            tuple(one for one in said if one not in true),
            self._is_repaired(),
            self._saved_before(),
            self._is_proven(),
        )
        return self.result

    def _is_battery(self, words: list[str]) -> bool:
        return words[1:] in (["BAT.NEG"], ["battery"]) and "battery" in self.exercise.tools

    def _is_repaired(self) -> bool:
        """Every hidden edit undone and nothing new left broken."""
        return self.bench.car.condition == self.exercise.vehicle().condition

    def _saved_before(self) -> bool:
        """A report was saved before codes were cleared or anything was taken apart."""
        for action in self.log:
            if action.startswith("save "):
                return True
            if action.split()[0] not in HARMLESS:
                return False
        return False

    def _is_proven(self) -> bool:
        """After the last repair: codes cleared, and a last scan without codes or silent modules."""
        report = self.bench.last_report
        if report is None or report.codes or report.silent:
            return False
        log = self.log
        repairs = [i for i, action in enumerate(log) if action.split()[0] in REPAIRS]
        scans = [i for i, action in enumerate(log) if action == "scan"]
        clears = [i for i, action in enumerate(log) if action.split()[0] == "clear"]
        last_repair = max(repairs, default=-1)
        return bool(scans and clears and scans[-1] > clears[-1] > last_repair)
