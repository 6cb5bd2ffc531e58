"""Sets of edits that make the same car."""

import random
from itertools import combinations

import pytest

from sim.catalogue import vehicle_text
from sim.lab.run import Trial, run_trial, sentences
from sim.lab.structure import Structure
from sim.vehicle.edits import catalogue
from sim.vehicle.reading import car_from_text

ACTIONS = ("wait 1 s", "key run", "wait 3 s", "scan", "measure volts F13.2 to BAT-")


@pytest.fixture(scope="module")
def structure() -> Structure:
    return Structure(car_from_text(vehicle_text("teaching-car")), ACTIONS)


def test_a_fuse_and_the_only_pin_that_it_feeds_are_one_chain(structure: Structure) -> None:
    """A fuse and the only pin that it feeds make the same car when opened."""
    assert structure.key(["pull F1"]) == structure.key(["open ECM.C1.1"])
    assert structure.key(["pull F1", "open ECM.C1.1"]) == structure.key(["pull F1"])


def test_a_fuse_that_feeds_two_is_not_the_pin_of_either(structure: Structure) -> None:
    """A fuse that feeds two pins is different from either pin."""
    keys = [structure.key([edit]) for edit in ("pull F5", "open CLUSTER.C1.1", "open AIRBAG.C1.1")]
    assert 3 == len(set(keys))


def test_a_connector_and_all_its_pins_are_the_same_opening() -> None:
    """A connector off is the same as all its pins open."""
    car = car_from_text(vehicle_text("teaching-car"))
    pins = [f"open {pin.id}" for pin in car.connectors["X2"].pins]
    assert Structure(car).key(["unplug X2"]) == Structure(car).key(pins)


@pytest.mark.parametrize(
    ("one", "other", "action"),
    [
        ("pull F1", "open ECM.C1.1", "measure volts ECM.C1.1 to BAT-"),
        ("pull F1", "open ECM.C1.1", "measure volts F1.2 to BAT-"),
        ("pull F1", "open ECM.C1.1", "look F1"),
        ("pull F1", "open ECM.C1.1", "fit F1"),
        ("pull F1", "open ECM.C1.1", "unplug ECM"),
        ("open DOOR-LEFT.C1.1", "open X2.1", "unplug X2"),
    ],
)
def test_what_is_worked_on_or_measured_at_is_no_part_of_a_chain(one: str, other: str, action: str) -> None:
    """An action at a terminal or part tells it from the rest of its chain."""
    car = car_from_text(vehicle_text("teaching-car"))
    assert Structure(car, [action]).key([one]) != Structure(car, [action]).key([other])


def test_parts_that_are_inspected_are_told_apart_by_how_they_open() -> None:
    """Pulled or blown, a fuse leaves the same gap; an inspection shows which."""
    car = car_from_text(vehicle_text("teaching-car"))
    one, other = ["pull F1"], ["blow F1"]
    assert Structure(car).key(one) == Structure(car).key(other)
    assert Structure(car, ["look F1"]).key(one) != Structure(car, ["look F1"]).key(other)


def test_who_looks_into_a_connector_that_is_off_sees_a_terminal_that_is_pushed_back() -> None:
    """A look into an open connector tells a pushed-back terminal from a cut wire."""
    car = car_from_text(vehicle_text("teaching-car"))
    sets = (["unplug TCM.C1"], ["unplug TCM.C1", "open TCM.C1.2"], ["unplug TCM.C1", "open TCM.C1.3"])
    for action, cars in (("wait 1 s", 1), ("look TCM.C1", 3), ("look TCM", 3)):
        assert cars == len({Structure(car, [action]).key(edits) for edits in sets})


def test_edits_that_do_more_than_open_are_told_apart(structure: Structure) -> None:
    """Edits that do more than open are equal only if they leave the same harness."""
    keys = [structure.key([f"corrode G3 {ohm} ohm"]) for ohm in (1, 2)]
    keys += [structure.key(["theory body runs through AIRBAG"]), structure.key(["theory ECM waits for TCM"])]
    keys += [structure.key(["pull F1", "corrode G3 1 ohm"]), structure.key([])]
    assert 6 == len(set(keys))
    assert structure.key(["fit F1"]) is None
    assert structure.key(["pull F1", "pull F1"]) is None


def test_edits_of_one_bus_touch_the_same_line(structure: Structure) -> None:
    """Both wires of a bus are one line."""
    lines = {pin: structure.lines([pin]) for pin in ("ECM.C1.3", "TCM.C1.3", "F2")}
    assert all(len(found) <= 1 for found in lines.values())
    touched = {name for pin in structure.car.pins for name in structure.lines([pin])}
    assert len(structure.car.built.buses) == len(touched)
    assert frozenset() == lines["F2"]


def test_cars_with_equal_keys_look_equal_in_every_action() -> None:
    """Against brute force: every equal single and 40 random equal doubles of the teaching car."""
    text = vehicle_text("teaching-car")
    car = car_from_text(text)
    structure = Structure(car, ACTIONS)
    sets = [
        *combinations(catalogue(car), 1),
        *random.Random(3).sample([*combinations(catalogue(car), 2)], 900),
    ]
    classes: dict[object, list[tuple[str, ...]]] = {}
    for edits in sets:
        classes.setdefault(structure.key(edits), []).append(edits)
    equal = [members for members in classes.values() if len(members) > 1]
    assert len(equal) > 10
    compared = 0
    for first, *others in equal:
        if compared > 30:
            break
        expected = run_trial(Trial(text, sentences(first, car), ACTIONS))
        for edits in others[:2]:
            found = run_trial(Trial(text, sentences(edits, car), ACTIONS))
            assert [one.seat() for one in expected.sights] == [one.seat() for one in found.sights]
            assert [one.found() for one in expected.sights] == [one.found() for one in found.sights], edits
            compared += 1
    assert compared > 20
