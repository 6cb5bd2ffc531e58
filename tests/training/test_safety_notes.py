"""A solution keeps the safety notes of its own exercise: both are read, and the solution is played."""

import pytest

from sim.catalogue import shipped_exercises
from sim.instruments.seat import seat_of
from sim.training.attempt import Attempt
from sim.training.exercise import read_exercise

EXERCISES = {name: read_exercise(path) for name, path in shipped_exercises().items()}
AIRBAG_WAIT_S = 600.0  # at least, if the maker's time is not known: common practice
MOVED = ("plug", "unplug")
RULES = ("Ignition off", "Battery off", "battery negative off", "Resistance is measured with the battery")
CHECKED = [name for name, one in EXERCISES.items() if any(rule in " ".join(one.safety) for rule in RULES)]


def broken(name: str) -> list[str]:
    """What the solution does against the notes; each with the note's first words."""
    exercise = EXERCISES[name]
    notes = " ".join(exercise.safety)
    near_airbags = "Battery off and" in notes and "its connector is touched" not in notes
    attempt, found, battery_off_s = Attempt.begin(exercise), [], None
    for action in exercise.solution:
        bench = attempt.bench
        is_off = bool({"BAT.NEG", "BAT.POS"} & bench.car.harness.unplugged)
        battery_off_s = None if not is_off else bench.now_s if battery_off_s is None else battery_off_s
        waited = battery_off_s is not None and bench.now_s - battery_off_s >= AIRBAG_WAIT_S - 1
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
        airbag = part.startswith("AIRBAG") and "irbag" in notes
        if moved and (near_airbags or airbag) and not waited:
            found.append(f"no waiting time: {action}")
        if part.startswith("FL") and verb in ("fit", "pull") and not is_off:
            found.append(f"battery on: {action}")
        attempt.do(action)
    return found


@pytest.mark.parametrize("name", CHECKED)
def test_a_solution_keeps_its_own_safety_notes(name: str) -> None:
    """Ignition off, battery off, and the airbag's waiting time where the notes ask for them."""
    assert [] == broken(name)


def test_after_work_at_an_airbag_the_seats_are_empty_at_the_first_ignition_on() -> None:
    """Common practice, and said in the exercise about it."""
    assert any("first ignition on" in note for note in EXERCISES["38-carpet-and-airbag"].safety)
