"""The checks of the trade: each is offered where it is called for, with minutes, reason and cautions."""

import pytest

from sim.catalogue import find_car, vehicle_text
from sim.instruments import cautions
from sim.lab.case import CaseStep
from sim.lab.checks import Check, possible_checks
from sim.lab.drive import first_look
from sim.lab.endings import endings
from sim.lab.next_check import next_check
from sim.lab.run import Trial
from sim.lab.search import find_causes
from sim.lab.search_result import PossibleCause, SearchResult
from sim.lab.workshop import Workshop
from sim.vehicle.edits import apply_all, further_faults
from sim.vehicle.reading import car_from_text

OFF = "press start, disconnect battery, wait 60 s"
AGAIN = "press start, wait 5 s, scan"


def offered(*edits: str, given: tuple[str, ...] = ()) -> dict[str, Check]:
    """The checks for these causes on the six-module car, by title."""
    car = apply_all(find_car("six-modules"), given)
    return {
        check.title: check
        for check in possible_checks(car, [PossibleCause((one,), (), 1.0) for one in edits])
    }


@pytest.mark.parametrize(
    ("edit", "title"),
    [
        ("open TCM.C1.4", f"{OFF}, measure ohms ABS.C1.4 to ABS.C1.5, reconnect battery"),  # along the pair
        ("open TCM.C1.4", "scope ABS.C1.4 to DLC.4 and ABS.C1.5 to DLC.4 for 1 ms"),
        ("babble TCM.main", "unplug TCM.C1, wait 5 s, scan, plug TCM.C1"),  # half-split
        ("babble TCM.main", "pull F2, wait 5 s, scan, fit F2"),  # remove a feed
        ("loosen TCM.C1", f"plug TCM.C1, {AGAIN}"),  # refit
        ("blow F2", f"fit F2, {AGAIN}, look F2"),  # substitute a fuse
        ("corrode TCM.C1.1 2 ohm", "load TCM.C1.1 to BAT- with 21 W lamp"),
        ("corrode G1 2 ohm", "load BAT+ to G1 with 21 W lamp"),
        ("interrupt TCM.C1.1 when shaken", "wiggle TCM.C1.1, scan"),
        ("pull F2", "look F2"),
    ],
)  # fmt: skip
def test_each_check_of_the_trade_is_offered_with_minutes_and_reason(edit: str, title: str) -> None:
    """Where a fault calls for it, with its labor time above zero and the reason in a sentence."""
    check = offered(edit)[title]
    assert check.minutes > 0
    assert check.why.endswith(".")


def test_what_hangs_is_refitted_first() -> None:
    """A plug that was found off is a check of its own, whatever the causes."""
    assert f"plug ABS.C1, {AGAIN}" in offered("pull F2", given=("unplug ABS.C1",))


def test_work_on_the_battery_has_its_cautions_and_the_airbag_module_is_left_alone() -> None:
    """The clamp's caution goes with the pair's resistance; nothing is done at the airbag module."""
    checks = offered("open TCM.C1.4", "babble AIRBAG.main", "loosen AIRBAG.C1", "blow F6")
    pair = next(check for check in checks.values() if "measure ohms ABS.C1.4" in check.title)
    assert cautions.BATTERY_CLAMP in pair.cautions
    touched = [title for title in checks if "AIRBAG" in title and not title.startswith("look")]
    assert [] == touched
    assert not [title for title in checks if "fit F6" in title]


def test_the_resistance_of_the_pair_tells_a_lost_terminator() -> None:
    """ISO 11898-2: 120 ohm at each end, so 60 ohm between the wires; with one end lost, 120 ohm."""
    car = find_car("six-modules")
    fault = further_faults(car, ("terminators",))[0]
    title = next(one for one in offered(fault) if "measure ohms ABS.C1.4" in one)
    readings = _readings(vehicle_text("six-modules"), (), title)
    readings += _readings(vehicle_text("six-modules"), (fault,), title)
    assert [60.0, 120.0] == pytest.approx(readings, rel=0.05)


def test_the_pair_on_either_side_of_a_plug_tells_which_half_lost_its_terminator() -> None:
    """ISO 11898-2: with the plug in the middle off each half has the 120 ohm of its own end, or nothing."""
    car, fault = find_car("teaching-car"), "open ECM:powertrain.terminator"
    checks = possible_checks(car, [PossibleCause((fault,), (), 1.0)])
    title = next(one.title for one in checks if "unplug X1, measure ohms X1.4a to X1.5a" in one.title)
    whole, broken = (_readings(vehicle_text("teaching-car"), given, title) for given in ((), (fault,)))
    assert [120.0, 120.0] == pytest.approx(whole, rel=0.05)
    assert [True, False] == [one == pytest.approx(120.0, rel=0.05) for one in sorted(broken)]


def _readings(vehicle: str, given: tuple[str, ...], title: str) -> list[float]:
    trial = Trial(vehicle, given, first_look(car_from_text(vehicle)))
    sights = next(endings(trial, [tuple(title.split(", "))]))
    return [one.reading for one in sights if one.reading is not None]


def test_no_check_is_worth_its_minutes_where_the_repair_is_quicker(here: Workshop) -> None:
    """A plug that hangs or is half seated is pushed on either way; the sentence says both times."""
    vehicle = vehicle_text("six-modules")
    steps = (CaseStep(do=("wait 1 s",)),)
    found = find_causes(vehicle, steps, edits=["loosen TCM.C1", "unplug TCM.C1"], most=1, workshop=here)
    left = [one for one in found.causes if one.edits]
    only = SearchResult(vehicle, (), 0, steps, tuple(left))
    told = next_check(only, workshop=here).words
    assert told.startswith(
        "No check is worth its minutes: plug TCM.C1, with a scan after each, takes 5.0 min"
    )


def test_a_part_is_never_condemned_without_a_check(here: Workshop) -> None:
    """Where a module would be replaced, checks come first, however long they take."""
    vehicle = vehicle_text("six-modules")
    steps = (CaseStep(do=("wait 1 s",)),)
    causes = tuple(PossibleCause((one,), (), 0.5, 0.5) for one in ("fail TCM", "unplug TCM.C1"))
    advice = next_check(SearchResult(vehicle, (), 0, steps, causes), workshop=here)
    assert "" == advice.stop
    assert advice.reason
