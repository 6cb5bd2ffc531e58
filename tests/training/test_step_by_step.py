"""Every shipped solution, step by step: nothing hidden is told, and it keeps its own safety notes.

Each is played once for both.
"""

import os
from dataclasses import dataclass, field
from functools import cache

import pytest

from sim.catalogue import shipped_exercises
from sim.instruments.seat import seat_of
from sim.training.attempt import Attempt
from sim.training.exercise import Exercise, read_exercise
from sim.vehicle.problems import EditProblem
from tests.training.seen import seen

EXERCISES = {name: read_exercise(path) for name, path in shipped_exercises().items()}
AIRBAG_WAIT_S = 600.0  # at least, if the maker's time is not known: common practice
MOVED = ("plug", "unplug")
WRITING = ("code", "flash", "calibrate", "match")
CHARGED_V = 12.0  # a battery at rest below this is charged before anything is written; common practice
RULES = (
    "Ignition off", "Battery off", "battery negative off", "Resistance is measured with the battery",
    "A charger at the", "Keep what was in it before", "and release it",
)  # fmt: skip
EVERY = os.environ.get("BUSBAY_LEAKS") == "all"
CHECKED = [name for name, one in EXERCISES.items() if any(rule in " ".join(one.safety) for rule in RULES)]


@dataclass
class Played:
    """A solution that was played: secrets that came to light, and what it did against its notes."""

    told: list[str] = field(default_factory=list)
    against: list[str] = field(default_factory=list)


@cache
def played(name: str) -> Played:
    """Play a solution to its end and one check further."""
    exercise, found = EXERCISES[name], Played()
    attempt, notes = Attempt.begin(exercise), Notes(exercise)
    hidden, is_repaired = secrets(exercise), False
    for action in [*exercise.solution, "measure volts BAT+ to BAT-"]:
        if not is_repaired:
            text = seen(attempt)
            found.told += [f"{secret} before {action}" for secret in hidden if secret in text]
        found.against += notes.against(attempt, action)
        if attempt.do(action).repairs and not is_repaired:
            is_repaired = True
            found.told += told_by_a_refusal(attempt, hidden)
    if not is_repaired:
        found.told += told_by_a_refusal(attempt, hidden)
    found.against += notes.left_undone
    return found


def secrets(exercise: Exercise) -> list[str]:
    """Sentences that a student must not read before handing in."""
    guide = exercise.guide
    told = [exercise.work_order.words, exercise.goal]
    hidden = [*exercise.arrives, *exercise.hints, guide.why, *guide.wrong_turns, *guide.ask]
    for other in exercise.others:
        hidden += [*other.arrives, other.why]
    hidden += [f"given: {text}" for text in exercise.arrives]
    return [text for text in hidden if text not in told]


def told_by_a_refusal(attempt: Attempt, hidden: list[str]) -> list[str]:
    """Secrets in the words by which a repair of a part with nearly the right name is refused."""
    first = next((one.split()[1] for one in attempt.exercise.arrives), "F1")
    with pytest.raises(EditProblem) as refused:
        attempt.do(f"repair {first}x")
    return [f"{secret} in a refusal" for secret in hidden if secret in str(refused.value)]


class Notes:
    """The safety notes of an exercise; since when the battery is off, what was read, what is switched on."""

    def __init__(self, exercise: Exercise) -> None:
        self._notes = " ".join(exercise.safety)
        self._battery_off_s: float | None = None
        self._identified: set[str] = set()
        self._commanded: set[str] = set()

    @property
    def left_undone(self) -> list[str]:
        """Outputs that a solution leaves switched on by command, though the notes ask for their release."""
        return [
            f"not released: {module}" for module in sorted(self._commanded) if "and release it" in self._notes
        ]

    def against(self, attempt: Attempt, action: str) -> list[str]:
        """What an action does against the notes; each with the note's first words."""
        notes, bench, found = self._notes, attempt.bench, []
        near_airbags = "Battery off and" in notes and "its connector is touched" not in notes
        is_off = bool({"BAT.NEG", "BAT.POS"} & bench.car.harness.unplugged)
        since_s = bench.now_s if self._battery_off_s is None else self._battery_off_s
        self._battery_off_s = since_s if is_off else None
        waited = is_off and bench.now_s - since_s >= AIRBAG_WAIT_S - 1
        verb, *rest = action.split()
        part = rest[0] if rest else ""
        moved = verb in MOVED
        if moved and "Ignition off" in notes and not is_off and seat_of(bench).ignition in ("run", "crank"):
            found.append(f"ignition on: {action}")
        if (
            "Resistance is measured with the battery" in notes
            and action.startswith("measure ohms")
            and not is_off
        ):
            found.append(f"battery on: {action}")
        found += self._written_into(attempt, verb, part, action)
        airbag = part.startswith("AIRBAG") and "irbag" in notes
        if moved and (near_airbags or airbag) and not waited:
            found.append(f"no waiting time: {action}")
        if part.startswith("FL") and verb in ("fit", "pull") and not is_off:
            found.append(f"battery on: {action}")
        return found

    def _written_into(self, attempt: Attempt, verb: str, module: str, action: str) -> list[str]:
        """What is written at a low battery or into an unread module; keeps what is switched on."""
        if verb == "identify":
            self._identified.add(module)
        elif verb == "actuate":
            self._commanded.add(module)
        elif verb == "release":
            self._commanded.discard(module)
        elif verb in WRITING:
            battery_v = attempt.bench.live.reading.between("BAT+", "BAT-") or 0.0
            empty = "A charger at the" in self._notes and battery_v < CHARGED_V
            unread = "Keep what was in it before" in self._notes and module not in self._identified
            return [f"battery at {battery_v:.1f} V: {action}"] * empty + [
                f"not read before: {action}"
            ] * unread
        return []


@pytest.mark.parametrize("name", EXERCISES if EVERY else sorted({*CHECKED, *list(EXERCISES)[::3]}))
def test_nothing_hidden_is_in_what_a_student_may_see(name: str) -> None:
    """At every step up to the repair, after checks that could let something slip."""
    assert [] == played(name).told


@pytest.mark.parametrize("name", CHECKED)
def test_a_solution_keeps_its_own_safety_notes(name: str) -> None:
    """Ignition off, battery off, and the airbag's waiting time where the notes ask for them."""
    assert [] == played(name).against


def test_after_work_at_an_airbag_the_seats_are_empty_at_the_first_ignition_on() -> None:
    """Common practice, and said in the exercise about it."""
    assert any("first ignition on" in note for note in EXERCISES["38-carpet-and-airbag"].safety)
