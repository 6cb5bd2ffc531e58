"""What the customer says is what the car does; `test_exercises.py` plays every complaint."""

import re

import pytest

from sim.catalogue import shipped_exercises
from sim.training.complaint import check_complaint, complaint_misses
from sim.training.exercise import Exercise, exercise_from_text, read_exercise
from sim.training.proof import prove
from sim.vehicle.problems import FileProblem, Problem

EXERCISES = {name: read_exercise(path) for name, path in shipped_exercises().items()}
VARIANTS = {
    f"{name} {place}": one.variant(place)
    for name, one in EXERCISES.items()
    for place in range(1 + len(one.others))
}
COLORS = {"yellow": "amber", "red": "red", "green": "green", "blue": "blue"}


def in_one_line(text: str) -> str:
    """A text with single spaces."""
    return " ".join(text.split())


@pytest.mark.parametrize("name", VARIANTS)
def test_every_step_of_a_complaint_plays_words_of_the_customer(name: str) -> None:
    """Every exercise has a complaint, and the note of each step is in its work order or title."""
    one = VARIANTS[name]
    assert one.complaint
    told = in_one_line(f"{one.work_order.words} {one.work_order.history} {one.exercise}")
    assert [] == [step.note for step in one.complaint if in_one_line(step.note or "?") not in told]


@pytest.mark.parametrize("name", VARIANTS)
def test_a_lamp_has_the_color_that_the_customer_names(name: str) -> None:
    """Where a note names a color, one of the lamps of its step has it in the vehicle file."""
    one = VARIANTS[name]
    colors = {
        lamp: spec.color
        for module in one.whole_car.built.modules.values()
        for lamp, spec in module.telltales.items()
    }
    for step in one.complaint:
        named = {COLORS[word] for word in re.findall(rf"\b({'|'.join(COLORS)})\b", step.note.lower())}
        assert named <= {colors[lamp] for lamp in (*step.seen.lit, *step.seen.dark)}


def with_complaint(*steps: dict[str, object]) -> Exercise:
    """The first exercise, with another complaint."""
    return Exercise.model_validate(EXERCISES["01-first-scan"].model_dump() | {"complaint": steps})


def test_a_lamp_that_is_dark_on_the_car_is_refused_by_name() -> None:
    """A complaint that the car does not show is one clear error, and the proof of an exercise raises it."""
    wrong = with_complaint({"do": ["key run", "wait 8 s"], "seen": {"lit": ["airbag"]}})
    assert ["lamp airbag"] == [miss.what for miss in complaint_misses(wrong)]
    with pytest.raises(Problem, match="lamp airbag: the customer says lit, the car shows dark"):
        prove(wrong)


def test_a_complaint_that_a_good_car_would_raise_is_refused() -> None:
    """Words that tell nothing wrong are no complaint."""
    idle = with_complaint({"do": ["key run", "wait 8 s"], "seen": {"lit": ["mil"]}})
    with pytest.raises(Problem, match="a car with nothing wrong would show the same"):
        check_complaint(idle)


@pytest.mark.parametrize(
    ("old", "new", "line", "what"),
    [
        ("lit: abs", "lit: abd", 14, "no telltale 'abd' in this car; did you mean 'abs'?"),
        ("key crank", "key cranc", 14, "did you mean"),
    ],
)
def test_a_wrong_name_in_a_complaint_is_one_clear_error(old: str, new: str, line: int, what: str) -> None:
    """File, line and the nearest right name, as in a case."""
    text = shipped_exercises()["01-first-scan"].read_text("utf-8")
    before, complaint = text.split("complaint:")
    with pytest.raises(FileProblem) as caught:
        exercise_from_text(f"{before}complaint:{complaint.replace(old, new, 1)}", "mine.yaml")
    assert what in str(caught.value)
    assert (line, "mine.yaml") == (caught.value.line, caught.value.file)
