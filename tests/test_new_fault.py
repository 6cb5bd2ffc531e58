"""Adding a fault takes one function and one row: an invented one is added, and found where faults are read.

A fuse holder that was hot has added resistance at the fuse's contacts (common practice: its clips lose their
tension and their plating).
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from sim import scenarios_folder
from sim.bench.actions import parse_action
from sim.lab.labor import MINUTES, minutes_of
from sim.lab.odds import ODDS, odds
from sim.training.answers import built, cause_words, wrongs_at
from sim.training.attempt import Attempt
from sim.training.exercise import Exercise, find_exercise
from sim.training.hand_in import grade
from sim.training.jobs import PART_COST
from sim.vehicle.car import Car
from sim.vehicle.edit import Answer, Edit, EditKind, Offer
from sim.vehicle.edit_words import figure, one_name
from sim.vehicle.edits import EDIT_KINDS, apply_all, changes_of, further_faults, parse_edit
from sim.vehicle.problems import EditProblem, unknown
from sim.vehicle.reading import read_car
from sim.wiring.conduction import SwitchState
from sim.wiring.wiring import Wiring
from ui.panels import work

CAR = read_car(scenarios_folder() / "vehicles" / "teaching-car.yaml")


# -- the one file ----------------------------------------------------------------------------------------


def overheat(words: list[str], car: Car) -> Edit:
    name = one_name(words[:1], "overheat")
    if name not in car.built.fuses:
        raise EditProblem(unknown("fuse", name, car.built.fuses))
    ohm = figure(words[1:], "ohm", f"overheat {name}", 0.2)

    def change(car: Car) -> Car:
        return car.with_harness(added_ohm={**car.harness.added_ohm, name: ohm.value})

    return Edit(
        f"overheat {name} {ohm} ohm", "overheat", "fault", change, f"repair {name}", (name,), ohm.said
    )


def every_hot_holder(car: Car) -> Iterator[str]:
    yield from (f"overheat {name} 0.2 ohm" for name in car.built.fuses)


ROW = EditKind(
    "overheat", "fault", overheat, {"added_ohm": "{part} with {now:g} ohm added"}, "repair",
    targets=lambda car: car.built.fuses,
    candidates={"heat-damaged fuse holders": every_hot_holder},
    answers=(Answer("fuse", "holder damaged by heat", "overheat {part} ? ohm"),),
    offers=(Offer("fuse", "Damage its holder by heat", "overheat {part} 0.2 ohm"),),
)  # fmt: skip

# --------------------------------------------------------------------------------------------------------


@pytest.fixture
def added(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(EDIT_KINDS, "overheat", ROW)


def test_without_its_row_the_sentence_is_unknown() -> None:
    """The word means nothing before, so that everything below comes from the row."""
    with pytest.raises(EditProblem, match="no edit begins with 'overheat'"):
        parse_edit("overheat F3 0.2 ohm", CAR)
    with pytest.raises(EditProblem):
        parse_edit("repair F3", CAR)


def test_a_new_fault_is_parsed_done_shown_and_mended(added: None) -> None:
    """Its sentence, what it does to a voltage under load, the list of changes, and its repair."""
    edit = parse_edit("Overheat F3 0.2ohm", CAR)
    hot = edit.apply(CAR)
    assert ("overheat F3 0.2 ohm", "fault", ("F3",), 0.2) == (edit.text, edit.kind, edit.targets, edit.figure)
    everything_runs = SwitchState(running=frozenset(CAR.built.modules))
    before, after = (Wiring(car).solve(everything_runs) for car in (CAR, hot))
    current_a = abs(after.current("F3"))
    assert current_a > 0.01
    drop_v = before.between("F3.1", "F3.2") + 0.2 * current_a
    assert drop_v == pytest.approx(after.between("F3.1", "F3.2"), abs=0.01)
    assert [("F3 with 0.2 ohm added", "repair F3")] == list(changes_of(hot))
    assert CAR.harness == parse_edit("repair F3", hot).apply(hot).harness


def test_a_new_fault_is_offered_as_work_as_an_answer_and_as_a_suspect(added: None) -> None:
    """The free bay's buttons at a fuse, a student's list of answers, and the search's kinds of faults."""
    free, customer = (work.faults(only_found, "fuse", "{work_fuse}") for only_found in (False, True))
    assert ("Damage its holder by heat", "overheat {work_fuse} 0.2 ohm") in free
    assert [("Pull", "pull {work_fuse}")] == customer
    told = {one.words: one for one in wrongs_at("F3", CAR)}["holder damaged by heat"]
    assert "overheat F3 ? ohm" == built("F3", told, "", CAR)
    assert "F3: holder damaged by heat" == cause_words("overheat F3 0.3 ohm", CAR)
    assert tuple(every_hot_holder(CAR)) == further_faults(CAR, ["heat-damaged fuse holders"])
    assert ODDS["other"] == odds(["overheat F3 0.2 ohm"], CAR)


def test_a_new_fault_is_judged_as_a_cause(added: None) -> None:
    """The right holder within a meter's tolerance is right; another holder is wrong; the fuse out is near."""
    hidden = ["overheat F3 0.2 ohm"]
    assert grade(["overheat F3 0.3 ohm"], hidden, CAR).exact
    assert grade(["overheat F3 ? ohm"], hidden, CAR).exact
    assert ("overheat F1 0.2 ohm",) == grade(["overheat F1 0.2 ohm"], hidden, CAR).wrong
    assert (("pull F3", "overheat F3 0.2 ohm"),) == grade(["pull F3"], hidden, CAR).near


def test_a_new_fault_can_be_an_exercise_and_its_repair_has_its_minutes_and_price(added: None) -> None:
    """A car comes in with it, is mended at the usual time and cost, and is whole after that."""
    first = find_exercise("01")
    fuse = min(first.whole_car.built.fuses)
    given = {"arrives": (f"overheat {fuse} 0.2 ohm",), "before": ()}
    attempt = Attempt.begin(Exercise.model_validate(first.model_dump() | given))
    assert not attempt.is_whole
    step = attempt.do(f"repair {fuse}")
    assert (MINUTES["repair"], PART_COST["repair"]) == (step.minutes, step.cost)
    assert (True, "", True) == (step.repairs, step.vain, attempt.is_whole)
    with pytest.raises(EditProblem, match="'overheat' would damage the customer's car"):
        attempt.do(f"overheat {fuse} 0.2 ohm")


def test_no_kind_of_edit_lacks_its_figures() -> None:
    """Every repair, and all that a search takes apart, has its minutes; every repair has its price."""
    repairs = {verb for verb, kind in EDIT_KINDS.items() if kind.sort == "repair"}
    apart = {verb for verb, kind in EDIT_KINDS.items() if kind.hands_on}
    assert set() == (repairs | apart) - MINUTES.keys()
    assert repairs == PART_COST.keys()
    jobs = [parse_action(text, CAR) for text in ("repair G3", "unplug ECM.C1", "pull F3")]
    assert all(minutes_of(job, CAR) > 0 for job in jobs)


def test_no_fault_lacks_what_takes_it_back() -> None:
    """The repair of every fault is a verb of its own, and what the fault leaves is a field of the harness."""
    faults = [kind for kind in EDIT_KINDS.values() if kind.sort == "fault"]
    assert all(EDIT_KINDS[kind.repair].sort == "repair" for kind in faults)
    fields = set(apply_all(CAR, []).harness.__dataclass_fields__)
    left = {name for kind in EDIT_KINDS.values() for name in kind.leaves}
    assert fields - {"away"} == left


def test_every_kind_of_part_that_can_be_taken_away_has_its_odds() -> None:
    """A missing key would make a search fail at its first suspect."""
    assert {"fuse", "relay", "connector", "ground", "pin", "other"} == ODDS.keys()
