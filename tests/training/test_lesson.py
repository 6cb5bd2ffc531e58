"""Lessons: the plan, a worksheet that tells nothing, a teacher's sheet with computed readings, a path."""

import re

import pytest

from sim.catalogue import shipped_exercises
from sim.training.answers import cause_words
from sim.training.curriculum import path_to, suggested_path
from sim.training.exercise import exercise_from_text, read_exercise
from sim.training.lesson import Lesson, as_html, as_text, lesson
from sim.training.library import Entry
from sim.training.proof import prove
from sim.vehicle.problems import FileProblem, Problem

TEXTS = {name: path.read_text(encoding="utf-8") for name, path in shipped_exercises().items()}


@pytest.fixture(scope="module")
def first() -> Lesson:
    exercise = read_exercise(shipped_exercises()["01-first-scan"])
    return lesson("01-first-scan", exercise, {})


@pytest.fixture(scope="module")
def entries() -> list[Entry]:
    return [Entry(name, text, exercise_from_text(text, name), own=False) for name, text in TEXTS.items()]


def test_the_teachers_sheet_has_every_fault_with_its_readings(first: Lesson) -> None:
    """Each fault in words, each step of its solution, and what the car shows at it."""
    shown = as_html(first, ["teacher"])
    for number, fault in enumerate(first.faults):
        variant = first.exercise.variant(number)
        assert [cause_words(text, variant.real_car) for text in variant.arrives] == list(fault.hidden)
        assert list(variant.solution) == [step.action for step in fault.steps]
        assert pytest.approx(prove(variant).minutes) == fault.minutes
        assert fault.hidden[0] in shown
    scans = [step for step in first.faults[0].steps if step.action == "scan"]
    assert "no communication: ABS" == scans[0].notes[0]
    assert not any("has power" in note for note in scans[0].notes)
    assert re.match(r"\d+ of \d+ modules answer", scans[0].shows)
    readings = [
        step.shows for fault in first.faults for step in fault.steps if step.action.startswith("measure")
    ]
    assert readings
    assert all(re.search(r"\d.* V", reading) for reading in readings)
    assert first.exercise.guide.ask[0] in as_text(first)


def test_the_worksheet_tells_nothing_that_is_hidden(first: Lesson) -> None:
    """No cause, no reason, no hint, no step of a solution; the customer's words and room to write."""
    shown = as_html(first, ["worksheet"])
    guide = first.exercise.guide
    hidden = [words for fault in first.faults for words in (*fault.hidden, fault.why)]
    for words in (*hidden, *guide.wrong_turns, *guide.ask, *first.exercise.hints, "plug ABS.C1"):
        assert words not in shown
    assert "blank" in shown
    assert f"Worksheet: {first.exercise.exercise}" in shown, "on its own paper it tells which one it is"
    assert "visual inspection" in shown, "tools in words, not by their keys"
    assert first.exercise.work_order.customer in shown


def test_the_teachers_sheet_answers_its_questions() -> None:
    """Question, answer and transfer to a real car are on the teacher's sheet, and not on the worksheet."""
    exercise = exercise_from_text(TEXTS["75-spilled-aquarium"], "75-spilled-aquarium.yaml")
    told = Lesson("75", exercise, (), ())
    sheet, work = as_html(told, ["teacher"]), as_html(told, ["worksheet"])
    for words in ("signal invalid", "Write down part number"):
        assert words in sheet
        assert words not in work
        assert words in as_text(told)
    assert "On a real vehicle: Write down part number" in as_text(told)


def test_an_answer_too_few_is_refused() -> None:
    """A guide that answers has an answer for each of its questions."""
    text = TEXTS["75-spilled-aquarium"]
    first = text.index("    - >-\n      87 is")
    second = text.index("    - They name the same module")
    with pytest.raises(FileProblem, match="3 questions in `ask`, but 2 answers"):
        exercise_from_text(text[:first] + text[second:], "x.yaml")


def test_the_plan_adds_up(first: Lesson) -> None:
    """The phases are the lesson, and the work has at least the labor time that is planned."""
    assert first.minutes == sum(phase.minutes for phase in first.phases)
    assert first.phases[1].minutes >= first.exercise.minutes
    assert f"{first.minutes} min" in as_html(first, ["plan"])


def test_what_an_author_writes_is_no_markup(first: Lesson) -> None:
    """A title with markup is text on every sheet."""
    nasty = first.exercise.model_copy(update={"exercise": "<script>1</script>"})
    assert "<script>" not in as_html(Lesson("x", nasty, ("<b>y</b>",), first.faults))


def test_the_path_begins_with_the_first_scan_and_breaks_no_prerequisite(entries: list[Entry]) -> None:
    """Every exercise once, after all that it names, and none names an exercise of a higher level."""
    path = [one.name for one in suggested_path(entries)]
    assert "01-first-scan" == path[0]
    assert sorted(TEXTS) == sorted(path)
    level = {one.name: one.exercise.level for one in entries}
    for one in entries:
        assert all(path.index(name) < path.index(one.name) for name in one.exercise.after)
        assert all(level[name] <= level[one.name] for name in one.exercise.after)
    known = {one.name: one for one in entries}
    before = path_to("28-step-door-and-sign", known)
    assert ["01-first-scan", "16-seats-out", "36-lift-stopped"] == before


def test_a_circle_has_no_path_and_an_unknown_name_is_told(entries: list[Entry]) -> None:
    """Exercises that need each other are refused, and the nearest name is offered for a wrong one."""
    (one, two) = entries[:2]
    changed = one.exercise.model_copy(update={"after": (two.name,)})
    with pytest.raises(Problem, match="circle"):
        suggested_path([Entry(one.name, "", changed, own=True), two])
    with pytest.raises(FileProblem, match=r"no exercise '01-frist-scan'.*01-first-scan"):
        exercise_from_text(
            TEXTS["02-left-in-storage"].replace("[01-first-scan]", "[01-frist-scan]"), "x.yaml"
        )
