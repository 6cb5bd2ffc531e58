"""What else it could be when a solution begins to repair: nothing is ruled out that a run would not."""

import pytest

from sim.lab.workshop import Workshop
from sim.training.exercise import Exercise, find_exercise
from sim.training.proof import rivals
from sim.training.rival_sets import Glance, nearest, one_of_each, other_faults
from sim.training.rivals import agree_at_first, answer, misleads, solved

PUSHED_BACK = find_exercise("05")
BLOWN = find_exercise("07")
STORED = find_exercise("02")


def solved_by(exercise: Exercise, *solution: str) -> Exercise:
    return Exercise.model_validate(exercise.model_dump() | {"solution": solution})


def test_what_is_told_at_a_glance_is_told_by_a_run_as_well() -> None:
    """What hand and eye settle without a run, a run tells apart, too."""
    log = solved(PUSHED_BACK)
    glance = Glance(log)
    told = [edits for edits in other_faults(PUSHED_BACK) if glance.settles(edits)]
    assert len(told) > 150
    quick = [edits for edits in told if "".join(edits).startswith(("open", "pull", "loosen", "blow"))]
    assert {"told apart"} == {answer(log, edits) for edits in quick[::12]}


def test_who_looks_at_a_plug_that_is_on_has_not_seen_its_terminals() -> None:
    """An open terminal is ruled out only by unplugging its connector."""
    hasty = [action for action in PUSHED_BACK.solution if action not in ("unplug TCM.C1", "plug TCM.C1")]
    log = solved(solved_by(PUSHED_BACK, *hasty))
    assert not Glance(log).settles(("open TCM.C1.4",))
    assert misleads(log, ("open TCM.C1.4",))
    assert not misleads(solved(PUSHED_BACK), ("open TCM.C1.4",))


def test_a_fuse_that_may_have_blown_is_not_told_by_looking_at_it_alone() -> None:
    """A fuse that a short may have blown is not settled by inspecting it."""
    glance = Glance(solved(solved_by(BLOWN, "look F1", "fit F1")))
    assert not glance.settles(("short F1.2 to BODY 0.05 ohm",))
    assert glance.settles(("blow F1",)), "a right one is not fitted in vain"
    assert glance.settles(("short TCM.C1.1 to BODY 0.05 ohm",)), "another fuse feeds this wire"
    assert glance.settles(("pull F1",))


def test_the_same_cause_in_other_words_is_no_rival() -> None:
    """Another sentence for the hidden edit misleads no one."""
    log = solved(solved_by(PUSHED_BACK, "press start", "scan", "press start", "repair TCM.C1.3"))
    assert not misleads(log, ("open TCM.GND",))
    assert misleads(log, ("open TCM.C1.1",))


def test_a_part_that_is_replaced_without_need_misleads_although_it_can_always_be_replaced() -> None:
    """Replacing a healthy module counts as misled."""
    exercise = PUSHED_BACK.broken_by(["stick TCM"])
    log = solved(solved_by(exercise, "press start", "wait 5 s", "scan", "press start", "replace TCM"))
    assert "misled" == answer(log, ("open TCM.C1.4",))
    assert "alike" == answer(log, ("stick TCM.main",))


def test_chance_is_no_evidence() -> None:
    """Of two contacts that open now and then only what is seen on them tells which it was."""
    hidden, other = (f"interrupt TCM.C1.{cavity} every 8 s for 2 s" for cavity in (1, 3))
    exercise = PUSHED_BACK.broken_by([hidden])
    guess = ["press start", "wait 60 s", "scan", "press start", "repair TCM.C1.1"]
    assert misleads(solved(solved_by(exercise, *guess)), (other,))
    sure = [*guess[:-1], "unplug TCM.C1", "look TCM.C1", "repair TCM.C1.1", "plug TCM.C1"]
    assert not misleads(solved(solved_by(exercise, *sure)), (other,))
    assert Glance(solved(solved_by(exercise, *sure))).settles((other,))


def test_a_reading_that_carries_a_warning_rules_out_no_rival() -> None:
    """Ohms on a live circuit tell no fault from another; with the battery off, the same reading does."""
    ohms = "measure ohms TCM.C1.1 to TCM.C1.3"
    assert "alike" == answer(solved(solved_by(PUSHED_BACK, "press start", ohms)), ("pull F2",))
    dead = solved(solved_by(PUSHED_BACK, "disconnect battery", ohms))
    assert "told apart" == answer(dead, ("pull F2",))


def test_of_two_faults_one_by_chance_is_enough_to_prove_nothing_at_first() -> None:
    """The ABS is seen to answer: its plug is not off. An intermittent contact leaves that open."""
    log, off = solved(STORED), "unplug ABS.C1"
    by_chance = "interrupt TCM.C1.1 every 8 s for 2 s"
    with Workshop(workers=1) as workshop:
        assert [(by_chance, off)] == agree_at_first(log, [(off,), (by_chance, off)], workshop)


def test_where_every_repair_does_something_nothing_is_repaired_in_vain() -> None:
    """A set of edits misleads only where some repair does nothing."""
    exercise = solved_by(PUSHED_BACK.broken_by(["pull F2"]), "press start", "look F2", "fit F2")
    log = solved(exercise)
    assert Glance(log).settles(("pull F2", "unplug ABS.C1"))
    assert not misleads(log, ("pull F2", "unplug ABS.C1"))


def test_with_two_faults_one_may_be_left_out_or_exchanged() -> None:
    """Rivals of two faults leave one out or exchange one, never both."""
    pair = PUSHED_BACK.broken_by(["pull F2", "open TCM.C1.3"])
    sets = other_faults(pair)
    assert {(), ("pull F2",), ("open TCM.C1.3",), ("pull F2", "unplug ABS.C1")} <= set(sets)
    assert ("pull F3", "unplug ABS.C1") not in sets
    assert len(sets) == len(set(sets))
    assert not any(set(edits) == set(pair.arrives) for edits in sets), "the truth is no rival of its own"


def test_what_lies_next_to_the_fault_comes_first() -> None:
    """The nearest rivals are at the parts of the fault."""
    sets = other_faults(PUSHED_BACK)
    first = nearest(PUSHED_BACK, sets, 6)
    assert 6 == len(first)
    assert all("TCM" in " ".join(edits) for edits in first)


@pytest.mark.parametrize(
    ("far", "near"),
    [("pull F3", "blow F2"), ("stick ABS.main", "stick TCM.main"), ("corrode G3 1 ohm", "unplug TCM.C1")],
)
def test_near_is_what_has_a_part_in_common_and_not_a_word(far: str, near: str) -> None:
    """Beside a fuse that is pulled: the same fuse, the module that it feeds; not another that is pulled."""
    assert [(near,)] == nearest(STORED, [(far,), (near,)], 2)


def test_what_has_more_in_common_is_nearer() -> None:
    """The same fuse and so the module that it feeds, against the module alone."""
    assert [("blow F2",), ("unplug TCM.C1",)] == nearest(STORED, [("unplug TCM.C1",), ("blow F2",)], 2)


def test_what_makes_the_same_car_is_run_once() -> None:
    """Sets of edits that make the same car are grouped under one."""
    classes = one_of_each(PUSHED_BACK, [("pull F3",), ("open ABS.C1.1",), ("pull F2",)])
    assert {("pull F3",): [("pull F3",), ("open ABS.C1.1",)], ("pull F2",): [("pull F2",)]} == classes


def test_no_more_cars_are_run_than_asked_for() -> None:
    """`most` limits how many rivals are run."""
    exercise = solved_by(PUSHED_BACK, "press start", "wait 5 s", "scan", "press start", "repair TCM.C1.3")
    with Workshop(workers=1) as workshop:
        assert () == rivals(exercise, workshop, most=0)
        found = rivals(exercise, workshop, most=4)
    assert "open TCM.C1.1" in found
