"""Faults in twos."""

import pytest

from sim.lab.compounds import exercise_draft, find_compounds
from sim.lab.drive import first_look
from sim.lab.workshop import Stopped, Workshop
from sim.training.exercise import exercise_from_text
from sim.vehicle.reading import car_from_text


def test_a_dead_module_masks_what_it_would_have_told(six: str, here: Workshop) -> None:
    """The gearbox module's fuse is told by others' codes; without the tester's supply they cannot be read."""
    found = {one.edits: one for one in find_compounds(six, ["pull F2", "pull F9", "pull F8"], workshop=here)}
    hidden = found["pull F2", "pull F8"] if ("pull F2", "pull F8") in found else found["pull F8", "pull F2"]
    assert "masks" in hidden.kinds
    assert any("U0101" in sign for sign in hidden.masked)
    assert any("pull F8" == one for one in hidden.alike)
    assert 0.0 < hidden.difficulty <= 1.0


def test_a_draft_is_a_valid_exercise(six: str, here: Workshop) -> None:
    """The exercise file of a pair loads with the same checks as a shipped one."""
    one, *_ = find_compounds(six, ["pull F2", "pull F8"], workshop=here)
    text = exercise_draft(one, "six-modules", first_look(car_from_text(six)))
    exercise = exercise_from_text(text, "draft")
    assert set(one.edits) == set(exercise.arrives)
    assert exercise.bench(reasons=False).live.car.harness.pulled == {"F2", "F8"}


def test_the_search_can_be_stopped(six: str, here: Workshop) -> None:
    """A stop raises `Stopped`."""
    with pytest.raises(Stopped):
        find_compounds(six, ["pull F2", "pull F8"], workshop=here, stop=lambda: True)
