"""Good method: rules of the trade (common practice), followed or not, whatever a step could tell."""

import pytest

from sim.training.attempt import Attempt
from sim.training.debrief import debrief
from sim.training.exercise import TOOLS, Tool, find_exercise, shipped_exercises
from sim.training.good_method import RULES
from tests.training.hand_made import HandMade, check

LOADED = "load TCM.C1.1 to G1 with 21 W lamp"
GROUND_LOADED = "load BAT+ to TCM.C1.3 with 21 W lamp"


READ = ("press start", "wait 5 s", "scan")


def handed_in(*log: str, named: str = "pull F2", tools: tuple[Tool, ...] = TOOLS) -> Attempt:
    """The exercise of the fuse left out, read, with a log and a verdict; TCM is silent."""
    exercise = find_exercise("02").model_copy(update={"tools": tools})
    attempt = Attempt.replay(exercise, (*READ, *log))
    attempt.hand_in([named])
    return attempt


def followed(attempt: Attempt) -> dict[str, bool]:
    """The rules that a log follows, and those that it was called to follow."""
    return {one.rule.name: one.done for one in attempt.method}


@pytest.mark.parametrize("name", sorted(shipped_exercises())[::8])
def test_a_solution_that_ships_misses_no_rule(name: str) -> None:
    """The scripted solutions scan first, save a report before they clear, and prove their repair."""
    exercise = find_exercise(name)
    attempt = Attempt.replay(exercise, exercise.solution)
    attempt.hand_in(exercise.arrives or ["no fault found"])
    assert all(followed(attempt).values())


def test_a_module_that_is_condemned_calls_for_supply_and_ground_under_load() -> None:
    """Replaced, or named as dead: both are missed without a load, and each is followed by its own test."""
    both = {"supply under load", "ground under load"}
    assert not both & set(followed(handed_in()))
    for attempt in (handed_in("replace TCM"), handed_in(named="fail TCM")):
        assert {False} == {followed(attempt)[rule] for rule in both}
    assert (True, True) == tuple(followed(handed_in(LOADED, named="fail TCM"))[rule] for rule in sorted(both))
    only = followed(handed_in(GROUND_LOADED, named="fail TCM"))
    assert (True, False) == (only["ground under load"], only["supply under load"])


def test_a_load_after_the_verdict_or_at_another_module_does_not_count() -> None:
    """A test counts before the repair, and at the module that is condemned."""
    late = followed(handed_in("replace TCM", LOADED))
    elsewhere = followed(handed_in(LOADED.replace("TCM", "ABS"), "replace TCM"))
    for found in (late, elsewhere):
        assert not found["supply under load"]


def test_volts_beside_a_burning_lamp_are_a_test_under_load() -> None:
    """Volts alone prove little; the same volts while a lamp draws current count."""
    volts = "measure volts TCM.C1.1 to G1"
    assert not followed(handed_in(volts, "replace TCM"))["supply under load"]
    burning = f"{volts} while 21 W lamp at TCM.C1.1 to G1"
    assert followed(handed_in(burning, "replace TCM"))["supply under load"]


def test_the_airbag_module_is_never_called_to_be_loaded() -> None:
    """What is condemned there calls for the maker's procedure, not for a lamp."""
    attempt = handed_in("unplug AIRBAG.C1", "scan", named="fail AIRBAG")
    assert "supply under load" not in followed(attempt)


def test_without_a_lamp_no_test_under_load_is_called_for() -> None:
    """An exercise that gives no lamp does not ask for what takes one."""
    tools = tuple(one for one in TOOLS if one != "lamp")
    assert "supply under load" not in followed(handed_in(named="fail TCM", tools=tools))
    assert "supply under load" in followed(handed_in(named="fail TCM"))


def test_a_module_that_answers_has_its_supply_and_ground() -> None:
    """A module that the scan heard is not condemned for want of voltage, and calls for no load."""
    assert "supply under load" not in followed(handed_in("replace ABS", named="fail ABS"))


@pytest.mark.parametrize(
    ("log", "expected"),
    [
        (("save first",), {"report saved": True}),
        (("save first", "clear"), {"report saved": True}),
        (("clear", "save late"), {"report saved": False}),
        (("clear",), {"report saved": False}),
        ((), {}),
    ],
)
def test_a_report_is_saved_before_codes_are_cleared(log: tuple[str, ...], expected: dict[str, bool]) -> None:
    """Clearing calls for a report before it; a report after it is too late."""
    attempt = handed_in(*log)
    assert expected == {name: done for name, done in followed(attempt).items() if name == "report saved"}


def test_what_could_tell_nothing_new_is_good_method_in_the_debrief() -> None:
    """A load test that every possible cause answers alike is no redundant check, and a look still is."""
    attempt = handed_in(LOADED, "look F4", named="fail TCM")
    every = (check("scan", 3.0),)
    model = HandMade((1, 1), ("aa",) * 5, every, ("aa",), edits=("pull F2", "fail TCM"))
    *_, first, second = debrief(attempt, model).judged
    rule = next(one for one in RULES if one.name == "ground under load")
    assert ("good method", rule.step) == (first.ruling.verdict, first.ruling.reason)
    assert "redundant" == second.ruling.verdict


def test_a_step_that_is_unsafe_stays_unsafe() -> None:
    """Method does not outweigh safety: only verdicts of nothing new are replaced."""
    attempt = handed_in("unplug ABS.C1", LOADED)
    (unsafe,) = (one.ruling for one in debrief(attempt).judged if one.step.dangers)
    assert "unsafe" == unsafe.verdict
