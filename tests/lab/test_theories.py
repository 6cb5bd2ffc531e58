"""Theories about the design as possible causes, beside faults, against brute force."""

import random

import pytest

from sim.catalogue import find_car, vehicle_text
from sim.lab.case import Case, CaseStep, Evidence, Story
from sim.lab.drive import first_look
from sim.lab.next_check import next_check
from sim.lab.observed import observed
from sim.lab.odds import ODDS, THEORY_ODDS, odds
from sim.lab.search import find_causes, wrongly_judged
from sim.lab.stories import try_stories
from sim.lab.theories import MOST_THEORIES, plausible_theories, sightings_in
from sim.lab.workshop import Workshop
from sim.vehicle.edit import Sightings
from sim.vehicle.edits import EDIT_KINDS, catalogue, parse_edit
from sim.vehicle.reading import car_from_text

from .test_search import all_sets, by_brute_force, evidence

HIDDEN = [
    ("unplug TCM", "theory ECM waits for TCM"),
    ("pull F5", "theory F5 feeds TCM"),
    ("unplug ABS.C1", "theory main runs through ABS"),
    ("open TCM.C1.1", "theory TCM waits for ABS"),
    ("pull F1", "theory TCM shuts down when code U0100 in ABS"),
    ("pull F1", "theory TCM shuts down when stored code U0100 in ABS"),
]


@pytest.mark.parametrize("hidden", HIDDEN, ids=" + ".join)
def test_faults_and_theories_are_judged_as_by_a_run_of_every_set(
    six: str, hidden: tuple[str, str], here: Workshop
) -> None:
    """Among faults and theories, the search keeps the same sets as runs of each, and the hidden one."""
    car = car_from_text(six)
    hidden = tuple(parse_edit(one.replace("main", next(iter(car.built.buses))), car).text for one in hidden)
    steps = evidence(six, hidden)
    faults = random.Random(len(steps) + len(hidden[0])).sample(catalogue(car), 5)
    edits = tuple(dict.fromkeys([*hidden, *faults, *plausible_theories(car, steps, 3)]))
    found = find_causes(six, steps, edits=edits, workshop=here)
    assert found.holds(hidden)
    assert by_brute_force(six, steps, edits) == all_sets(found)


def test_the_minibus_is_built_otherwise_than_its_diagram_says(here: Workshop) -> None:
    """The trailer socket was found unplugged, and the engine will not crank: the engine module waits for it.

    An open supply pin of the engine module shows the same and is likelier; of the theories this is the one.
    """
    vehicle, given = vehicle_text("shuttle-minibus"), ("unplug TRAILER",)
    car = car_from_text(vehicle)
    steps = observed(vehicle, first_look(car), given=(*given, "theory ECM waits for TRAILER"))
    theories = plausible_theories(car, steps)
    assert "theory ECM waits for TRAILER" == theories[0]
    edits = (*theories[:3], "pull F12", "open ECM.C1.1")
    found = find_causes(vehicle, steps, given=given, edits=edits, most=1, workshop=here)
    assert ["open ECM.C1.1", "theory ECM waits for TRAILER"] == [one.title for one in found.causes]


def test_a_check_is_proposed_that_tells_a_theory_from_a_fault(six: str, here: Workshop) -> None:
    """Plugging the other module in tells the module that waits from one with an open pin."""
    given = ("unplug TCM",)
    steps = observed(six, first_look(car_from_text(six)), given=(*given, "theory ECM waits for TCM"))
    edits = ("theory ECM waits for TCM", "open ECM.C1.3")
    found = find_causes(six, steps, given=given, edits=edits, most=1, workshop=here)
    advice = next_check(found, every_kind=True, workshop=here)
    telling = [one for one in advice.ranked if one.check.actions[0] == "plug TCM.C1"]
    assert [("theory ECM waits for TCM",), ("open ECM.C1.3",)] == sorted(
        (outcome.leaves for outcome in telling[0].outcomes), reverse=True
    )


@pytest.mark.parametrize("name", ["teaching-car", "small-estate"])
def test_a_sample_of_pairs_with_theories_agrees_with_runs(name: str, here: Workshop) -> None:
    """On cars with gateways, pairs of a fault and a theory drawn by chance are judged as by a run of each."""
    dice = random.Random(3)
    vehicle, car = vehicle_text(name), find_car(name)
    hidden = (f"unplug {dice.choice([one for one in car.built.modules if car.pins_of(one)])}",)
    steps = observed(vehicle, first_look(car), given=hidden)
    theories = plausible_theories(car, steps, 4)
    edits = (*dice.sample(catalogue(car), 5), *theories)
    found = find_causes(vehicle, steps, edits=edits, workshop=here)
    pairs = [(fault, theory) for fault in edits[:5] for theory in theories]
    assert () == wrongly_judged(found, dice.sample(pairs, min(6, len(pairs))), workshop=here)


def test_theories_are_about_modules_that_may_have_been_silent() -> None:
    """A module that answered each time is in no theory as the one that waits, is fed or is run through."""
    car = find_car("six-modules")
    seen = Evidence.model_validate(
        {"silent": ["TCM"], "answers": [one for one in car.built.modules if one != "TCM"]}
    )
    theories = plausible_theories(car, [CaseStep(do=("scan",), seen=seen)])
    assert {"TCM"} == {parse_edit(one, car).targets[1].partition(".")[0] for one in theories}


def test_without_a_scan_there_are_no_more_theories_than_can_be_judged() -> None:
    """Where nothing was asked every module may have been silent: the list is cut, each sort has its share."""
    car = find_car("shuttle-minibus")
    theories = plausible_theories(car, [CaseStep(do=("press start",), seen=Evidence(engine="stopped"))])
    sorts = {parse_edit(one, car).theory.relation for one in theories}  # type: ignore[union-attr]
    assert (MOST_THEORIES, {"waits for", "runs through", "feeds", "shuts down when"}) == (
        len(theories),
        sorts,
    )


def test_a_module_shuts_down_by_a_code_that_was_seen_not_by_one_of_its_silence(
    here: Workshop,
) -> None:
    """The code that set it off is among the theories; the code that only says it is silent is not.

    Hidden with the missing fuse, both are among the survivors and the advice names a check.
    """
    vehicle, hidden = vehicle_text("six-modules"), ("pull F1", "theory TCM shuts down when code U0100 in ABS")
    steps = observed(vehicle, first_look(find_car("six-modules")), given=hidden)
    theories = [one for one in plausible_theories(find_car("six-modules"), steps) if "shuts down" in one]
    assert hidden[1] in theories
    assert not [one for one in theories if "TCM shuts down when code U0101" in one]
    edits = ("pull F1", "pull F2", "theory TCM waits for ECM", *theories[:4], hidden[1])
    found = find_causes(vehicle, steps, edits=tuple(dict.fromkeys(edits)), most=2, workshop=here)
    assert found.holds(hidden)
    assert next_check(found, every_kind=True, workshop=here).ranked


def test_a_case_and_a_search_tell_a_stored_code_from_one_that_is_present(here: Workshop) -> None:
    """The fuse is back in and the TCM stays away: the code that is present is out, the stored one is left.

    The check that is proposed first is to clear the codes and scan.
    """
    vehicle, hidden = vehicle_text("six-modules"), "theory TCM shuts down when stored code U0100 in ABS"
    log = ("wait 10 s", "press start", "wait 5 s", "scan", "fit F1", "wait 5 s", "scan")
    steps = observed(vehicle, log, given=("pull F1", hidden))
    edits = (hidden, hidden.replace("stored ", ""), "unplug TCM.C1", "theory TCM waits for ABS")
    case = Case(
        case="one story for each", car="six-modules", steps=steps,
        stories={text: Story(edits=("pull F1", text)) for text in edits},
    )  # fmt: skip
    assert {hidden, "unplug TCM.C1"} == set(try_stories(case, workshop=here).tied)
    found = find_causes(vehicle, steps, given=("pull F1",), edits=edits, most=1, workshop=here)
    assert {hidden, "unplug TCM.C1"} == {one.title for one in found.causes}
    advice = next_check(found, every_kind=True, workshop=here)
    assert ("clear", "scan") in [one.check.actions for one in advice.ranked if len(one.outcomes) == 2]


def test_what_was_silent_once_is_not_answering() -> None:
    """Silent in one scan and answering in another: it may be silent; parts of actions are named."""
    steps = [
        CaseStep(do=("scan",), seen=Evidence(answers=("ECM", "TCM"))),
        CaseStep(do=("pull F3", "scan"), seen=Evidence(answers=("ECM",), silent=("TCM",))),
    ]
    seen = sightings_in(steps)
    assert (frozenset({"TCM"}), True, False) == (
        seen.silent,
        seen.may_be_silent("TCM"),
        seen.may_be_silent("ECM"),
    )
    assert "F3" in seen.named


def test_each_sort_of_theory_has_odds_below_those_of_common_faults() -> None:
    """A theory is rarer than a pin that breaks, and every sort in the registry has its odds."""
    sorts = {sort for kind in EDIT_KINDS.values() for sort in kind.theories}
    assert set(THEORY_ODDS) == sorts
    assert max(THEORY_ODDS.values()) < ODDS["pin"]
    assert THEORY_ODDS["waits for"] == odds(("theory ECM waits for TCM",), find_car("six-modules"))
    assert Sightings().may_be_silent("ECM")
