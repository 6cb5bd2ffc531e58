"""Every shipped exercise: it reads well, its car shows something, and its scripted solution ends it."""

import os
from collections.abc import Iterator

import pytest

from sim.catalogue import shipped_exercises
from sim.lab.workshop import Workshop
from sim.training.attempt import Attempt
from sim.training.exercise import Exercise, read_exercise
from sim.training.hand_in import NO_FAULT
from sim.training.proof import prove, rivals
from sim.training.rivals import answer
from sim.vehicle.problems import Problem

EXERCISES = {name: read_exercise(path) for name, path in shipped_exercises().items()}
# those whose cars come in alike one after the other, for the good car that they are compared with
ALIKE = sorted(EXERCISES, key=lambda name: (EXERCISES[name].car, EXERCISES[name].before))
FAULTS = [(name, place) for name in ALIKE for place in range(1 + len(EXERCISES[name].others))]
WHOLE = os.environ.get("BUSBAY_PROOFS") == "all"


@pytest.fixture(scope="module")
def workshop() -> Iterator[Workshop]:
    with Workshop(workers=None if WHOLE else 1) as made:
        yield made


def test_the_curriculum_has_its_cars_and_levels() -> None:
    """The shipped exercises cover every car and level of the curriculum, and begin with a first scan."""
    assert len(EXERCISES) >= 75
    cars = {one.car for one in EXERCISES.values()}
    small = {"teaching-car", "six-modules", "small-estate"}
    assert small | {"shuttle-minibus", "parcel-van", "regional-truck", "city-hatchback"} == cars
    assert {1, 2, 3, 4} <= {one.level for one in EXERCISES.values()}
    assert "first scan" == next(iter(EXERCISES.values())).topic


@pytest.mark.parametrize("name", EXERCISES)
def test_an_exercise_is_complete(name: str) -> None:
    """Every shipped exercise has three hints, cautions, a guide with answers, a history and a drive."""
    one = EXERCISES[name]
    assert 3 == len(one.hints)
    assert one.safety
    assert one.guide.wrong_turns
    assert one.guide.ask
    assert len(one.guide.ask) == len(one.guide.expect)
    assert one.guide.transfer
    assert not [said for said in one.guide.transfer if said.startswith("On a real")], "its heading says that"
    assert one.work_order.history
    assert one.before


@pytest.mark.parametrize("name", EXERCISES)
def test_customer_and_goal_do_not_tell_the_hidden_edits(name: str) -> None:
    """No text that a student reads names a hidden edit or its part."""
    one = EXERCISES[name]
    told = " ".join([one.exercise, one.topic, one.work_order.words, one.work_order.history, one.goal])
    for fault in (one, *one.others):
        for sentence in fault.arrives:
            assert sentence not in told
            assert sentence.split()[1] not in told.replace(",", " ").replace(".", " ").split()


@pytest.mark.parametrize(("name", "place"), FAULTS, ids=[f"{name} {place}" for name, place in FAULTS])
def test_the_scripted_solution_finds_repairs_proves_and_leaves_no_rival(
    name: str, place: int, workshop: Workshop
) -> None:
    """Rivals next to the fault; with BUSBAY_PROOFS=all every one of them, which takes hours."""
    exercise = EXERCISES[name].variant(place)
    proven = prove(exercise)
    most = None if WHOLE else 2 if exercise.car == "shuttle-minibus" else 4
    assert () == rivals(exercise, workshop, log=proven.log, most=most)
    assert not WHOLE or "alike" == answer(proven.log, exercise.arrives)
    assert proven.result.complete
    assert 1.0 == proven.result.credit
    assert proven.result.saved_before
    assert bool(exercise.arrives) == bool(proven.symptoms)
    assert proven.minutes <= exercise.minutes


def test_a_solution_without_its_repair_is_refused() -> None:
    """A solution that leaves the car broken does not prove its exercise."""
    exercise = changed(EXERCISES["01-first-scan"], without="plug ABS.C1")
    with pytest.raises(Problem, match="the car is not as it was built"):
        prove(exercise)


def test_a_solution_without_its_proof_is_refused() -> None:
    """A solution that shows no clean scan does not prove its exercise."""
    exercise = changed(EXERCISES["01-first-scan"], without="clear")
    with pytest.raises(Problem, match="not shown: codes cleared"):
        prove(exercise)


def test_a_fault_that_shows_nothing_is_refused() -> None:
    """An exercise whose car behaves like a whole one is refused."""
    exercise = EXERCISES["01-first-scan"]
    nothing = {
        "arrives": ("open R1",),
        "solution": ("key run", "scan", "repair R1"),
        "complaint": (),
        "answers": {},
    }
    quiet = Exercise.model_validate(exercise.model_dump() | nothing)
    with pytest.raises(Problem, match="shows nothing that a good car would not"):
        prove(quiet)


def test_codes_of_another_workshop_are_stored_and_not_present() -> None:
    """The one exercise about history really has some, and nothing is wrong."""
    attempt = Attempt.begin(EXERCISES["31-second-opinion"])
    for action in ("key run", "wait 5 s"):
        attempt.do(action)
    report = attempt.do("scan").report
    assert report is not None
    found = [code for module in report.modules for code in module.codes]
    assert len(found) >= 4
    assert not any(code.failing_now for code in found)
    assert (NO_FAULT,) == attempt.hand_in(["No fault found"]).verdict.right


def changed(exercise: Exercise, without: str) -> Exercise:
    kept = tuple(action for action in exercise.solution if action != without)
    return Exercise.model_validate(exercise.model_dump() | {"solution": kept})
