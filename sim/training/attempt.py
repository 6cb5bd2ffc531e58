"""One person's attempt at an exercise: the bench, shop time, notes, hints, hand-in.

What a student may see is `student_view`, and nothing else: the hidden edits stand in `exercise.arrives` and
in the bench, and reach nobody before `hand_in`. An attempt is the exercise and its log of sentences:
`Attempt.replay` brings it back, byte for byte.

A repair of something that is whole is done in vain: it costs its time and stands in the log, as does every
other job that turns out not to be one. Only a sentence that makes no sense costs nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from sim.bench.actions import Action, parse_action
from sim.bench.bench import Bench
from sim.bench.observations import is_observation
from sim.bench.tester import Report
from sim.instruments.read import shown
from sim.instruments.result import Result
from sim.instruments.scan import rows
from sim.instruments.seat import look
from sim.lab.run import Sight, sight_of
from sim.training.causes import NO_FAULT, Verdict, judge, normal_causes, same_place
from sim.training.exercise import Exercise, Tool
from sim.training.found import Found
from sim.training.labor import HINT_MINUTES, cost_of, minutes_of
from sim.training.safety import dangers
from sim.vehicle.car import Car
from sim.vehicle.edits import EDIT_KINDS, parse_edit
from sim.vehicle.edits_modules import CHARGED_PCT
from sim.vehicle.problems import EditProblem

TOOL_OF: dict[str, Tool] = {
    "press": "seat", "brake": "seat", "key": "seat", "fob": "seat", "switch": "seat", "wait": "seat",
    "scan": "scan", "save": "scan", "clear": "clear", "unlock": "clear",
    "look": "eye", "measure": "meter", "load": "lamp", "scope": "scope",
}  # fmt: skip
REPAIRS = tuple(verb for verb, kind in EDIT_KINDS.items() if kind.sort == "repair")
TAKEN_OFF = ("short", "terminate")  # what somebody joined to a wire is found by the wire that it sits on
# taken apart and put together again by everybody who looks for a fault; other edits would damage the car
HANDS_ON = tuple(verb for verb, kind in EDIT_KINDS.items() if kind.hands_on)
ASLEEP_A = 0.1  # what a parked car may take at most is some 0.05 A; common practice, with room for one module
MONITORS_NEED_S = 5.0  # of ignition on, before a clean report says anything; common practice
LONGEST_NOTE = 2000
NOT_THERE = "this is not to be found on the car"


@dataclass(frozen=True, slots=True)
class Step:
    """One line of the log: the action, what could be seen, what it cost.

    `vain`: why it could not be done, in words; the car is as before. `report`: what a scan found.
    `labor_min`: minutes of work up to the end of this step, hints not counted.
    """

    action: str
    sight: Sight
    minutes: float
    cost: float
    labor_min: float
    vain: str = ""
    display: str = ""
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    dangers: tuple[str, ...] = ()
    report: Report | None = None

    @property
    def verb(self) -> str:
        """The first word of the action."""
        return self.action.split()[0]

    @property
    def changes(self) -> bool:
        """Did it change the harness? A battery clamp taken off and put on again is no change."""
        clamp = self.verb in ("plug", "unplug") and _at_battery(self.action)
        return not self.vain and self.verb in (*REPAIRS, *HANDS_ON) and not clamp

    @property
    def repairs(self) -> bool:
        """Did it put something right, or back?"""
        return self.changes and self.verb in REPAIRS


@dataclass(frozen=True, slots=True)
class HandIn:
    """What was handed in, and what it is worth.

    `unproven`: what the repair has not been shown to do; `left`: parts that are not as they should be.
    """

    named: tuple[str, ...]
    verdict: Verdict
    repaired: bool
    saved_before: bool
    unproven: tuple[str, ...]
    evidence: str = ""

    @property
    def proven(self) -> bool:
        """Everything shown that the exercise asks for."""
        return not self.unproven

    @property
    def complete(self) -> bool:
        """Cause named, repair made and proven."""
        return self.verdict.exact and self.repaired and self.proven

    @property
    def credit(self) -> float:
        """0 to 1: half for the causes, a quarter each for a whole car and for the proof; our own choice."""
        return 0.5 * self.verdict.credit + 0.25 * self.repaired + 0.25 * (self.repaired and self.proven)


@dataclass
class Attempt:
    """An exercise in progress."""

    exercise: Exercise
    bench: Bench
    practice: bool = False
    steps: list[Step] = field(default_factory=list)
    hints_taken: int = 0
    notes: list[str] = field(default_factory=list)
    result: HandIn | None = None
    found: Found = field(default_factory=Found)
    _battery_off_at_s: float | None = None
    _blown_on_arrival: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        self._note_battery()
        self._blown_on_arrival = self.bench.car.harness.blown

    @classmethod
    def begin(cls, exercise: Exercise, practice: bool = False) -> Attempt:
        """The car rolls into the bay. In practice the log can be rewound."""
        return cls(exercise, exercise.bench(reasons=False), practice)

    @classmethod
    def replay(
        cls, exercise: Exercise, log: Iterable[str], hints_taken: int = 0, practice: bool = False
    ) -> Attempt:
        """The attempt after the same sentences."""
        attempt = cls.begin(exercise, practice)
        attempt.hints_taken = hints_taken
        for action in log:
            attempt.do(action)
        return attempt

    @property
    def log(self) -> list[str]:
        """What this person has done, in sentences, with what was done in vain."""
        return [step.action for step in self.steps]

    @property
    def minutes(self) -> float:
        """Shop minutes, hints included."""
        return sum(step.minutes for step in self.steps) + HINT_MINUTES * self.hints_taken

    @property
    def cost(self) -> float:
        """Parts used up, in the shop's own money."""
        return sum(step.cost for step in self.steps)

    def do(self, text: str, progress: Callable[[float], None] | None = None) -> Step:
        """Do one action with the tools of this exercise; raises `EditProblem`, with nothing changed.

        `progress` is told the share of a long action that is done, 0 to 1.
        """
        self._must_be_open()
        action, known = self._understood(text)
        self._must_be_allowed(action, known)
        off_s = None if self._battery_off_at_s is None else self.bench.now_s - self._battery_off_at_s
        danger = dangers(action.text, self.bench, off_s)
        before_s, scan_before = self.bench.now_s, self.bench.last_report
        if action.text.startswith("save ") and scan_before is None:
            raise EditProblem("there is no scan to save yet")
        sight = sight_of(self.bench, self._as_found(action.text), progress)
        if sight.refused and not _makes_sense(action.text, self._as_known(self.exercise.real_car)):
            sight = replace(sight, refused=NOT_THERE)
        vain = sight.refused
        seen = self._shown(action.text, vain)
        harm = () if seen is None else seen.harm
        waited_s = self.bench.now_s - before_s if action.verb == "wait" else 0.0
        minutes = minutes_of(action.text, known, waited_s)
        step = Step(
            action.text,
            sight,
            minutes,
            0.0 if vain else cost_of(action.text, known),
            sum(one.minutes for one in self.steps) + minutes,
            vain,
            "" if seen is None else seen.display,
            () if seen is None else seen.notes,
            () if seen is None else seen.cautions,
            (*danger, *harm),
            self.bench.last_report if action.verb == "scan" else None,
        )
        self._note_battery()
        self.found.note(step.action, self.bench.car)
        self.steps.append(step)
        return step

    def rewind(self, keep: int) -> Attempt:
        """In practice: the attempt as it was after the first `keep` steps, notes and hints kept."""
        if not self.practice:
            raise EditProblem("the log can be rewound in practice only")
        if not 0 <= keep <= len(self.steps):
            raise EditProblem(f"the log has {len(self.steps)} steps; it cannot be rewound to {keep}")
        earlier = Attempt.replay(self.exercise, self.log[:keep], self.hints_taken, practice=True)
        earlier.notes = list(self.notes)
        return earlier

    def hint(self) -> str:
        """The next hint; it costs shop time."""
        self._must_be_open()
        if self.hints_taken >= len(self.exercise.hints):
            raise EditProblem("there is no further hint")
        self.hints_taken += 1
        return self.exercise.hints[self.hints_taken - 1]

    def note(self, text: str) -> None:
        """Write something down."""
        if not text.strip() or len(text) > LONGEST_NOTE:
            raise EditProblem(f"a note has 1 to {LONGEST_NOTE} letters")
        self.notes.append(text.strip())

    def hand_in(self, named: Iterable[str], evidence: str = "") -> HandIn:
        """Name the causes (edit sentences, or 'no fault found') and end the attempt.

        The bench shows whether they are repaired and proven. Raises `EditProblem`, with the attempt still
        open, where a cause is none.
        """
        self._must_be_open()
        if len(evidence) > LONGEST_NOTE:
            raise EditProblem(f"the evidence has at most {LONGEST_NOTE} letters")
        said = self._named(list(named))
        hidden = normal_causes(self.exercise.arrives or [NO_FAULT], self.exercise.real_car)
        hidden = () if hidden == (NO_FAULT,) else hidden
        verdict = judge(said, hidden, self.exercise.real_car, self._blown_on_arrival)
        self.result = HandIn(
            said, verdict, self.is_whole, self._saved_before(), tuple(self._unproven()), evidence
        )
        return self.result

    @property
    def is_whole(self) -> bool:
        """Is every hidden edit undone, nothing new left broken, and the battery charged?"""
        state = self.bench.car.harness
        if state.battery_pct is not None and state.battery_pct >= CHARGED_PCT:
            state = replace(state, battery_pct=None)
        return state == self.exercise.whole_car.harness

    # -- doing -----------------------------------------------------------------------------------------

    def _must_be_open(self) -> None:
        if self.result is not None:
            raise EditProblem("this exercise has been handed in; begin it anew to try again")

    def understood(self, text: str) -> Action:
        """The action that a sentence means; raises `EditProblem` where it makes no sense or is not allowed.

        Refusals cost nothing, so they tell nothing: they follow from the wiring diagram and what was found.
        """
        action, known = self._understood(text)
        self._must_be_allowed(action, known)
        return action

    def _understood(self, text: str) -> tuple[Action, Car]:
        """The action, and the car on which it makes sense."""
        try:
            known = self._as_known(self.exercise.whole_car)
            return parse_action(text, known), known
        except EditProblem:
            with suppress(EditProblem):  # whoever knows of a part that only the real car has may name it
                known = self._as_known(self.exercise.real_car)
                return parse_action(text, known), known
            raise

    def _as_known(self, car: Car) -> Car:
        """A car with nothing off and no lead fitted but what hand and eye have found so."""
        fitted = self.bench.car.harness.leads
        leads = {name: parts for name, parts in fitted.items() if name in self.found.leads}
        return car.with_harness(unplugged=frozenset(self.found.off), leads=leads)

    def _must_be_allowed(self, action: Action, known: Car) -> None:
        verb = action.text.split()[0]
        if action.verb == "edit":
            self._check_edit(verb, action.text, known)
        tool = self._tool_for(verb, action.text)
        if tool not in self.exercise.tools:
            raise EditProblem(f"this exercise is to be solved without the tool '{tool}'")

    def _check_edit(self, verb: str, text: str, known: Car) -> None:
        edit = parse_edit(text, known)
        if edit.kind == "theory":
            raise EditProblem("a theory is nothing to do at the car: hand it in as a cause")
        if edit.kind == "fault" and verb not in (*HANDS_ON, "fit"):
            raise EditProblem(f"'{verb}' would damage the customer's car")

    def _tool_for(self, verb: str, text: str) -> Tool:
        if verb in ("plug", "unplug") and _at_battery(text):
            return "battery"
        return TOOL_OF[verb] if verb in TOOL_OF else EDIT_KINDS[verb].tool

    def _as_found(self, text: str) -> str:
        """A short or a resistor is taken off wherever on the same stretch of wire it was said to be."""
        said = text.removeprefix("un")
        if not text.startswith("un") or said.split()[0] not in TAKEN_OFF:
            return text
        for lead in sorted(self.bench.car.harness.leads):
            if lead.split()[0] == said.split()[0] and same_place(said, lead, self.exercise.real_car):
                return f"un{lead}"
        return text

    def _shown(self, text: str, vain: str) -> Result | None:
        return shown(self.bench) if is_observation(text) and not vain else None

    def _note_battery(self) -> None:
        off = bool({"BAT.NEG", "BAT.POS"} & self.bench.car.harness.unplugged)
        if not off:
            self._battery_off_at_s = None
        elif self._battery_off_at_s is None:
            self._battery_off_at_s = self.bench.now_s

    # -- handing in ------------------------------------------------------------------------------------

    def _named(self, named: list[str]) -> tuple[str, ...]:
        """The causes in normal form; a pin that is there by a hidden theory only may be named as well."""
        try:
            return normal_causes(named, self.exercise.whole_car)
        except EditProblem:
            try:
                return normal_causes(named, self.exercise.real_car)
            except EditProblem:
                pass
            raise

    def _saved_before(self) -> bool:
        """A report was saved before codes were cleared or anything was taken apart."""
        for step in self.steps:
            if step.verb == "save":
                return True
            if step.changes or step.verb == "clear":
                return False
        return False

    def _unproven(self) -> list[str]:
        """What the exercise asks to be shown after the last repair, and was not."""
        last = max((k for k, step in enumerate(self.steps) if step.changes), default=-1)
        after = self.steps[last + 1 :]
        shows = {"scan": _clean_scan, "start": _engine_ran, "sleep": _slept}
        words = {
            "scan": "codes cleared, ignition on for a while, and a scan without codes or silent modules",
            "start": "the engine starts",
            "sleep": f"the parked car falls asleep: measured at the battery, below {ASLEEP_A:g} A",
        }
        return [words[kind] for kind in self.exercise.proof if not shows[kind](after)]


def _makes_sense(text: str, car: Car) -> bool:
    try:
        parse_action(text, car)
    except EditProblem:
        return False
    return True


def _at_battery(action: str) -> bool:
    return action.split()[1].startswith("BAT.")


def _clean_scan(steps: list[Step]) -> bool:
    cleared_s: float | None = None
    clean = False
    for step in steps:
        if step.verb == "clear" and any(word == "done" for _, word in step.sight.asked):
            cleared_s, clean = step.sight.time_s, False
        elif step.verb == "scan":
            at = step.sight
            clean = (
                cleared_s is not None
                and at.time_s - cleared_s >= MONITORS_NEED_S
                and at.ignition == "run"
                and bool(at.power)
                and not at.codes
                and not at.silent
            )
    return clean


def _engine_ran(steps: list[Step]) -> bool:
    return any(step.sight.engine == "running" for step in steps)


def _slept(steps: list[Step]) -> bool:
    found = [step.sight.reading for step in steps if step.action == "measure amps BAT.NEG"]
    return bool(found) and found[-1] is not None and abs(found[-1]) < ASLEEP_A


# -- what a student may see --------------------------------------------------------------------------------


def student_view(attempt: Attempt) -> dict[str, Any]:
    """Everything about an attempt that may leave the server, as plain data: before hand-in nothing hidden."""
    exercise = attempt.exercise
    return {
        "work_order": exercise.work_order.model_dump(),
        "exercise": exercise.exercise,
        "topic": exercise.topic,
        "level": exercise.level,
        "goal": exercise.goal,
        "car": exercise.whole_car.title,
        "tools": list(exercise.tools),
        "target_minutes": exercise.minutes,
        "proof": list(exercise.proof),
        "safety": list(exercise.safety),
        "seat": asdict(look(attempt.bench)),
        "off": sorted(attempt.found.off),
        "out": sorted(attempt.found.out),
        "steps": [_step_view(step) for step in attempt.steps],
        "reports": {name: rows(report) for name, report in attempt.bench.reports.items()},
        "last_report": rows(attempt.bench.last_report) if attempt.bench.last_report else [],
        "minutes": attempt.minutes,
        "cost": attempt.cost,
        "hints": list(exercise.hints[: attempt.hints_taken]),
        "hints_left": len(exercise.hints) - attempt.hints_taken,
        "notes": list(attempt.notes),
        "result": None if attempt.result is None else _result_view(attempt.result),
    }


def _step_view(step: Step) -> dict[str, Any]:
    return {
        "action": step.action,
        "time_s": step.sight.time_s,
        "minutes": step.minutes,
        "cost": step.cost,
        "shop_min": step.labor_min,
        "vain": step.vain,
        "seen": {**step.sight.seat(), **step.sight.found()},
        "display": step.display,
        "notes": list(step.notes),
        "cautions": list(step.cautions),
        "dangers": list(step.dangers),
        "report": rows(step.report) if step.report else [],
    }


def _result_view(result: HandIn) -> dict[str, Any]:
    return asdict(result) | {
        "proven": result.proven,
        "complete": result.complete,
        "credit": result.credit,
    }
