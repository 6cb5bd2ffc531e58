"""What looking and measuring show on a car at rest, against the same observations in a run."""

import random
from itertools import combinations

import pytest

from sim.catalogue import vehicle_text
from sim.lab.checks import possible_checks
from sim.lab.compare import look_alike
from sim.lab.drive import first_look
from sim.lab.final_state import look_again, run_and_look
from sim.lab.observed import observed
from sim.lab.run import Trial, run_trial, sentences
from sim.lab.search import find_causes
from sim.lab.search_result import PossibleCause, SearchResult
from sim.lab.workshop import Workshop
from sim.vehicle.edits import catalogue
from sim.vehicle.reading import car_from_text

FURTHER = ("short ECM.C1.1 to BODY", "corrode G1 8 ohm", "blow F3", "charge 20 %")


@pytest.mark.parametrize(("name", "line"), [("six-modules", "DLC.6"), ("small-estate", "RAIN.C1.3")])
def test_a_standing_car_shows_what_a_run_shows(name: str, line: str) -> None:
    """Each observation in a run of its own; also on a data line, and with fuses that blow on the way."""
    vehicle, dice = vehicle_text(name), random.Random(4)
    car = car_from_text(vehicle)
    some = (*dice.sample(catalogue(car), 5), *FURTHER)
    checks = possible_checks(car, [PossibleCause((edit,), (), 0.0) for edit in some])
    texts = [text for check in checks if check.passive for text in check.actions]
    compared = 0
    for edits in [(), ("short ECM.C1.1 to BODY",), *dice.sample([*combinations(some, 2)], 1)]:
        trial = Trial(vehicle, sentences(edits, car), first_look(car))
        looks = texts if edits else [*texts, f"measure volts {line} to BAT-"]
        account, readings = run_and_look(trial, looks)
        for text, told in [*zip(looks, readings, strict=True)][::-4]:
            last = run_trial(Trial(vehicle, trial.given, (*trial.actions, text))).sights[-1]
            assert look_alike({"": last.reading or last.display}, {"": told[1] or told[0]}), (edits, text)
            compared += 1
        assert run_trial(trial) == account
    assert compared >= 8


def test_the_final_state_of_candidates_is_known_without_a_run_and_the_same_as_after_one(
    six: str, here: Workshop
) -> None:
    """Single candidates, those that are alike, two of which one does nothing, two that had to be run."""
    car = car_from_text(six)
    steps = observed(six, first_look(car), given=["pull F2"])
    edits = ["pull F2", "open TCM.C1.1", "open DLC.4", "short TCM.C1.1 to BODY", "open TCM.C1.3"]
    found = find_causes(six, steps, edits=edits, workshop=here)
    known = [one for one in found.causes if one.final_state]
    assert {1, 2} == {len(one.edits) for one in known}
    assert len(found.causes) < 2 * len(known)
    texts = ["look F2", "measure volts F2.2 to BAT-", "measure volts TCM.C1.1 to BAT-", "look TCM.C1.1"]
    for one in known:
        for some in (one.edits, *one.alike):
            trial = found.trial(PossibleCause(some, (), 0.0))
            assert one.final_state
            assert run_and_look(trial, texts)[1] == look_again(trial, one.final_state, texts)


def test_who_has_worked_on_the_car_is_run(six: str, here: Workshop) -> None:
    """After work on the car, no final state is known without a run."""
    steps = observed(six, ["wait 1 s", "unplug ABS", "scan"], given=["pull F2"])
    found: SearchResult = find_causes(six, steps, edits=["pull F2"], most=1, workshop=here)
    assert [None] == [one.final_state for one in found.causes]
