"""The strip above the panels: the next step follows from what may be seen, and repairs what was found."""

from dataclasses import replace

import pytest

from sim.bench.action_words import words_of
from sim.bench.observations import OBSERVATION_VERBS
from sim.catalogue import shipped_exercises
from sim.instruments.follow_up import FollowUp, follow_ups
from sim.instruments.inspection import Inspection
from sim.instruments.read import shown
from sim.instruments.service import ServiceInformation
from sim.training.attempt import Attempt
from sim.training.exercise import read_exercise
from sim.training.jobs import REPAIRS
from sim.vehicle.words import counted
from tests.ui.drawn import keys
from tests.ui.test_pages import held_of, log, opened, press
from ui.state.next_step import Done, NextStep, Tried, next_step
from ui.state.visible import all_visible, visible_to_student

NOTHING = Tried(log=(), report=None, start="press start")


def steps_along(name: str) -> list[tuple[Attempt, NextStep | None]]:
    """The attempt and the step that is offered after each action of an exercise's solution."""
    exercise = read_exercise(shipped_exercises()[name])
    attempt, found = Attempt.begin(exercise), []
    papers = ServiceInformation(attempt.bench.base)
    for text in exercise.solution:
        done = attempt.do(text)
        seen = shown(attempt.bench) if done.verb in OBSERVATION_VERBS and not done.vain else None
        repairs = seen.repairs if isinstance(seen, Inspection) else ()
        follow = follow_ups(papers, seen) if seen else ()
        told = Done(
            done.action, done.verb, done.part, vain=bool(done.vain), repairs=repairs, follow_ups=follow
        )
        tried = Tried(attempt.log, attempt.bench.last_report, "press start")
        found.append((attempt, next_step(told, visible_to_student(attempt), tried)))
        if repairs:
            assert found[-1][1] == NextStep(words_of(repairs[0]), repairs[:1])
        elif found[-1][1] is not None and found[-1][1].actions:
            assert not _gives_away(found[-1][1], attempt)
    return found


def _gives_away(step: NextStep, attempt: Attempt) -> bool:
    """Whether it repairs a part that was neither handled nor inspected."""
    known = {*attempt.found.off, *attempt.found.out, *attempt.found.leads}
    return any(
        text.split()[0] in REPAIRS and not any(part in " ".join(known) for part in text.split()[1:])
        for text in step.actions
    )


@pytest.mark.parametrize("name", list(shipped_exercises())[::4])
def test_no_step_gives_away_what_was_not_found(name: str) -> None:
    """Along a solution a repair is offered only for what was inspected or handled."""
    assert steps_along(name)


@pytest.mark.parametrize("name", list(shipped_exercises())[::4])
def test_before_anything_is_done_the_step_is_the_same_with_every_fault(name: str) -> None:
    """All variants of an exercise begin with the same offer, and so does the car without a fault."""
    exercise = read_exercise(shipped_exercises()[name])
    offers = {
        next_step(None, visible_to_student(Attempt.begin(one)), NOTHING)
        for one in (exercise, exercise.broken_by(()))
    }
    assert {NextStep("Try to start the car", ("press start",))} == offers


def test_an_inspection_that_found_something_offers_its_repair() -> None:
    """A terminal that was seen to be pushed back can be repaired with one press."""
    visible = all_visible(held_of("six-modules.yaml").bench)
    done = Done("look ECM.C1", "look", "ECM.C1", repairs=("repair ECM.C1.4", "plug ECM.C1"))
    assert NextStep("Repair ECM.C1.4", ("repair ECM.C1.4",)) == next_step(done, visible, NOTHING)


def test_what_was_refused_offers_nothing() -> None:
    """After a step in vain it is for the person to think."""
    visible = all_visible(held_of("six-modules.yaml").bench)
    assert next_step(Done("plug X9", "plug", "X9", vain=True), visible, NOTHING) is None


def test_the_codes_are_cleared_after_a_repair_and_the_gateway_is_unlocked_first() -> None:
    """With codes in the last report a repair is followed by clearing them, and never without need."""
    held = held_of("six-modules.yaml", ("pull F5",))
    for text in ("wait 20 s", "press start", "wait 10 s", "scan", "fit F5"):
        held.bench.do(text)
    tried = replace(NOTHING, report=held.bench.last_report, gateways=("GATEWAY",))
    visible = all_visible(held.bench)
    step = next_step(Done("fit F5", "fit", "F5"), visible, tried)
    assert NextStep("Unlock and clear all codes", ("unlock GATEWAY", "clear")) == step
    assert NextStep("Scan all modules", ("scan",)) == next_step(Done("fit F5", "fit"), visible, NOTHING)


def test_the_strip_leads_from_the_complaint_to_an_empty_report() -> None:
    """In the free bay six presses of the next step find, repair and prove a pulled fuse."""
    held = held_of("six-modules.yaml", ("pull F5",))
    held.bench.do("wait 20 s")
    app = opened("bay", held)
    for _ in range(6):
        press(app, "next_step")
    report = held.bench.last_report
    assert report is not None
    assert (frozenset(), ()) == (report.codes, report.silent)
    done = [text for text in log(app) if not text.startswith("wait ")]
    assert ["press start", "scan", "fit F5", "clear", "scan"] == done
    assert "next_step" not in keys(app)


def test_the_strip_tells_the_last_thing_done_after_a_reload() -> None:
    """What is told comes from the log, not from the visit: an automatic wait is left out."""
    held = held_of("six-modules.yaml")
    for text in ("wait 20 s", "press start", "wait 10 s", "scan"):
        held.bench.do(text)
    done = held.last_done(held.visible())
    assert done is not None
    assert ("scan", "6 of 6 modules answer, 0 codes") == (done.action, done.answer)
    held.bench.do("press start")
    held.bench.do("wait 10 s")
    done = held.last_done(held.visible())
    assert done is not None
    assert ("press start", True) == (done.action, done.answer.startswith("engine "))


def test_a_car_to_which_nothing_was_done_has_no_last_thing() -> None:
    """The wait of a parked car is none of the person's."""
    held = held_of("six-modules.yaml")
    held.bench.do("wait 20 s")
    assert held.last_done(held.visible()) is None


MEASURED = (
    FollowUp("Measure F5, feed side", "measure volts F5.1 to BODY"),
    FollowUp("Inspect F5", "look F5"),
)


def test_after_a_reading_the_next_check_is_offered_and_none_twice() -> None:
    """A check that was made makes room for the next, until the car is changed: then it is worth repeating."""
    visible = all_visible(held_of("six-modules.yaml").bench)
    done = Done("measure volts F5.2 to BODY", "measure", follow_ups=MEASURED)
    first, second = (NextStep(one.words, (one.action,)) for one in MEASURED)
    assert first == next_step(done, visible, NOTHING)
    log = ("measure volts F5.1 to BODY", "measure volts F5.2 to BODY")
    assert second == next_step(done, visible, replace(NOTHING, log=log))
    assert first == next_step(done, visible, replace(NOTHING, log=(*log, "plug ECM.C1")))
    assert next_step(done, visible, replace(NOTHING, log=(*log, "look F5"))) is None


def test_from_no_voltage_at_a_fuse_three_presses_find_and_repair_it() -> None:
    """In the free bay 0 V at the load side leads to the feed side, the inspection and the repair."""
    held = held_of("six-modules.yaml", ("blow F5",))
    for text in ("wait 20 s", "measure volts F5.2 to BODY"):
        held.bench.do(text)
    app = opened("bay", held)
    for _ in range(3):
        press(app, "next_step")
    done = [text for text in log(app)[2:] if not text.startswith("wait ")]
    assert ["measure volts F5.1 to BODY", "look F5", "fit F5"] == done


def test_on_the_drawings_a_finding_is_repaired_with_one_press() -> None:
    """The page of the diagrams has the strip: what an inspection there has found is put right there."""
    held = held_of("six-modules.yaml", ("blow F5",))
    for text in ("wait 20 s", "look F5"):
        held.bench.do(text)
    app = press(opened("diagrams", held), "next_step")
    assert "fit F5" == [text for text in log(app) if not text.startswith("wait ")][-1]


def test_on_the_drawings_no_step_opens_a_panel_of_another_page() -> None:
    """After a scan the next step is in the bay: the page of the diagrams does not offer it."""
    held = held_of("six-modules.yaml", ("blow F5",))
    for text in ("wait 20 s", "press start", "wait 10 s", "scan"):
        held.bench.do(text)
    assert "next_step" in keys(opened("bay", held))
    assert "next_step" not in keys(opened("diagrams", held))


def test_the_strip_tells_what_a_change_brings_and_only_to_who_may_see_it() -> None:
    """In the free bay the answer to an unplugged module is codes and lamps; before a scan it is empty."""
    held = held_of("six-modules.yaml")
    for text in ("press start", "wait 5 s"):
        held.do(text, lambda *_: None)
    held.events = []
    for text in ("unplug ABS", "wait 5 s"):
        held.do(text, lambda *_: None)
    visible = all_visible(held.bench)
    codes = sum(one.code_count for one in visible.modules.values())
    done = held.last_done(visible)
    assert done is not None
    assert codes > 0
    assert done.answer.startswith(f"{counted(codes, 'code')} set")
    for hidden in (replace(visible, unasked=True), replace(visible, only_found=True)):
        still = held.last_done(hidden)
        assert still is not None
        assert "" == still.answer
