"""The check plan: a tree of checks in which every cause is found, at the least expected minutes."""

from itertools import pairwise

import pytest
from markupsafe import escape

from sim.lab.check_plan import CheckPlan, PlanBranch, PlanEnd, PlanStep, check_plan
from sim.lab.check_plan_report import MOST_COLUMNS, plan_drawing, plan_page, plan_sections, plan_steps
from sim.lab.checks import Check
from sim.lab.report import DISCLAIMER, as_text
from sim.lab.search_result import PossibleCause, SearchResult
from sim.lab.workshop import Workshop
from sim.vehicle.fault_words import fault_words
from sim.vehicle.reading import car_from_text
from tests.lab.test_next_check import SILENT_TCM, causes, written_down

FAULTS = [*SILENT_TCM, "fail TCM"]


@pytest.fixture(scope="module")
def found(six: str) -> SearchResult:
    """The faults that leave TCM without an answer."""
    with Workshop(workers=0) as workshop:
        return causes(six, FAULTS, workshop)


@pytest.fixture(scope="module")
def plan(found: SearchResult) -> CheckPlan:
    with Workshop(workers=0) as workshop:
        return check_plan(found, workshop=workshop)


@pytest.mark.parametrize("hidden", FAULTS)
def test_following_the_plan_on_the_car_ends_at_the_hidden_fault(
    hidden: str, six: str, found: SearchResult, plan: CheckPlan, here: Workshop
) -> None:
    """Each check is done on a car with the fault; the branch that its outcome takes leads to it."""
    at: PlanStep | PlanEnd = plan.start
    while isinstance(at, PlanStep):
        shown = " ".join(step.seen.shows or "" for step in written_down(found, hidden, at.check, here))
        at = next(branch.then for branch in at.branches if branch.shows in shown)
    assert (fault_words(hidden, car_from_text(six)),) == at.causes


def test_every_cause_has_an_end_and_the_shares_add_up(six: str, plan: CheckPlan) -> None:
    """The ends hold each cause once and all of the odds; a step's branches share what it has."""
    car = car_from_text(six)
    named = [cause for end in plan.ends for cause in end.causes]
    assert sorted(fault_words(text, car) for text in FAULTS) == sorted(named)
    assert 1.0 == pytest.approx(sum(end.share for end in plan.ends))
    for step in plan.steps:
        assert step.share == pytest.approx(sum(branch.then.share for branch in step.branches))


def test_the_expected_minutes_are_those_of_the_tree_and_not_above_the_fixed_order(plan: CheckPlan) -> None:
    """Each check counts as often as it is come to; the same checks down the list take no less."""
    assert plan.minutes == pytest.approx(sum(step.share * step.check.minutes for step in plan.steps))
    assert plan.minutes <= plan.fixed_minutes + 1e-9
    assert plan.is_best


def test_a_part_is_condemned_only_after_its_supplies_and_grounds(plan: CheckPlan) -> None:
    """Where the module itself is left the plan stops for a load test of its own pins (common practice)."""
    ends = {end.causes: end for end in plan.ends}
    dead = ends[("TCM: internal failure",)]
    assert ["Replace TCM"] == list(dead.repairs)
    assert (
        "Before TCM is replaced: load-test its supplies (TCM.C1.1) and its grounds (TCM.C1.3)"
        in dead.prove_first[0]
    )
    assert () == ends[("F2: missing",)].prove_first


def test_the_plan_reads_on_paper_and_on_a_terminal(plan: CheckPlan) -> None:
    """Each step and end is in the table and, whole or cut, in the picture; the disclaimer goes along."""
    text, page = as_text(plan_sections(plan)), plan_page(plan)
    drawn = " ".join(node.text or "" for node in plan_drawing(plan).iter())
    for step in plan.steps:
        assert step.words in text
        assert f"{step.number}. {step.words}"[:20] in drawn
    for end in plan.ends:
        assert end.words in text
        assert end.causes[0][:20] in drawn
    assert "<svg" in page
    assert escape(DISCLAIMER) in page


def test_boxes_of_the_picture_do_not_overlap(plan: CheckPlan) -> None:
    """Boxes of one column are below one another, and every text fits into the drawing."""
    boxes: dict[float, list[tuple[float, float]]] = {}
    for one in plan_drawing(plan).iter("rect"):
        top = float(one.attrib["y"])
        boxes.setdefault(float(one.attrib["x"]), []).append((top, top + float(one.attrib["height"])))
    for column in boxes.values():
        assert all(upper[1] <= lower[0] for upper, lower in pairwise(sorted(column)))


def test_one_cause_needs_no_plan(six: str, here: Workshop) -> None:
    """A plan for one cause, or none, has no step and says so."""
    alone = causes(six, ["pull F2"], here)
    plan = check_plan(alone, workshop=here)
    assert () == plan.steps
    assert ("F2: missing",) == plan.ends[0].causes
    assert 0.0 == plan.minutes
    empty = check_plan(SearchResult(six, (), 0, ()), workshop=here)
    assert () == empty.ends[0].causes


def test_a_design_difference_is_no_repair(six: str, here: Workshop) -> None:
    """A cause that is a theory about the design ends in a note, not in a part."""
    theory = PossibleCause(("theory TCM waits for ECM",), (), 0.1)
    plan = check_plan(SearchResult(six, (), 0, (), (theory,)), workshop=here)
    assert ("Not a fault: note it in the car's description",) == plan.ends[0].repairs


def deep(number: int, share: float) -> PlanStep | PlanEnd:
    """A made-up plan of nine steps one after another, each with a likely end and five unlikely ones."""
    if number > 9:
        return PlanEnd(("F9: missing",), share, ("Fit F9",))
    ends = [
        PlanEnd((f"F{number}: missing",), share * part, (f"Fit F{number}",)) for part in (0.4, *[0.004] * 5)
    ]
    told = [PlanBranch(f"outcome {k}", end) for k, end in enumerate(ends, start=1)]
    check = Check((f"look F{number}",), 1.0, passive=True)
    return PlanStep(number, check, share, (PlanBranch("whole", deep(number + 1, share * 0.58)), *told))


def test_a_large_plan_keeps_to_the_width_of_a_page() -> None:
    """The picture has four columns and one box for all unlikely outcomes of a check; the table has all."""
    plan = CheckPlan("Made up", deep(1, 1.0), 9.0, 9.0, False, 55, 60)
    drawn = plan_drawing(plan)
    assert MOST_COLUMNS == len({one.attrib["x"] for one in drawn.iter("rect")})
    words = " ".join(node.text or "" for node in drawn.iter())
    assert "5 less likely outcomes, 2% in all:" in words
    assert "4. Inspect F4: go on in the table" in words
    assert 9 * 7 == len(plan_steps(plan).rows)
    assert "The 55 likeliest of 60 were compared." in plan_sections(plan)[0].parts[0]
