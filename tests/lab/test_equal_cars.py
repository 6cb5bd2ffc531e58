"""One run for all sets of edits that leave the same car: against the runs of each of them."""

import random
from collections import defaultdict

import pytest

from sim.catalogue import vehicle_text
from sim.lab.equal_cars import CarContent, EqualCars
from sim.lab.grid import Grid, run_grid
from sim.lab.run import Trial, run_trial, sentences
from sim.lab.workshop import Workshop
from sim.vehicle.car import Car
from sim.vehicle.edits import catalogue, verb_of
from sim.vehicle.reading import car_from_text

ACTIONS = ("wait 1 s", "key run", "key crank", "wait 6 s", "scan", "key off", "wait 6 s")


@pytest.fixture(scope="module")
def car() -> Car:
    return car_from_text(vehicle_text("teaching-car"))


def contents(car: Car, *sets: list[str], actions: tuple[str, ...] = ACTIONS) -> set[CarContent | None]:
    """The different contents of a car after each of these sets of edits."""
    equal = EqualCars(car, actions)
    return {equal.content(sentences(edits, car)) for edits in sets}


@pytest.mark.parametrize(
    ("more", "cars"),
    [
        ("open DOOR-LEFT.C1.1", 1),  # its module is cut off
        ("open X2.1", 1),  # open with its connector
        ("pull F7", 2),  # still fed on its near side
        ("corrode DOOR-LEFT.C1.1 5 ohm", 2),  # does more than open
        ("theory ECM waits for TCM", 2),
    ],
)
def test_what_is_open_where_no_source_reaches_is_nothing_to_a_run(car: Car, more: str, cars: int) -> None:
    """With the door's connector off, what is open in the door leaves the same car, and nothing else does."""
    assert cars == len(contents(car, ["unplug X2"], ["unplug X2", more]))


@pytest.mark.parametrize("action", ["plug X2", "look DOOR-LEFT.C1", "measure volts DOOR-LEFT.C1.1 to BAT-"])
def test_where_parts_are_worked_on_or_looked_at_only_equal_harnesses_are_equal(car: Car, action: str) -> None:
    """An edit or an observation among the actions may show what is open in the piece that was cut off."""
    sets = (["unplug X2"], ["unplug X2", "open DOOR-LEFT.C1.1"])
    assert 2 == len(contents(car, *sets, actions=(*ACTIONS, action)))


def test_a_car_that_cannot_be_has_no_content(car: Car) -> None:
    """Edits that contradict each other leave no car."""
    assert EqualCars(car, ACTIONS).content(["pull F1", "pull F1"]) is None


@pytest.mark.parametrize(
    ("name", "start", "seed"),
    [("teaching-car", ACTIONS, 0), ("teaching-car", ACTIONS, 1),
     ("six-modules", ("wait 1 s", "press start", "wait 4 s", "scan"), 2)],
)  # fmt: skip
def test_runs_of_equal_cars_are_equal(name: str, start: tuple[str, ...], seed: int) -> None:
    """Of random sets of two to four edits of all kinds, those with equal content have equal accounts."""
    text, rng = vehicle_text(name), random.Random(seed)
    car = car_from_text(text)
    equal = EqualCars(car, start)
    classes: dict[CarContent, list[tuple[str, ...]]] = defaultdict(list)
    listed = catalogue(car)
    openings = [edit for edit in listed if verb_of(edit) in ("unplug", "pull", "open", "blow")]
    for _ in range(250):
        mixed = [*rng.sample(openings, 3), rng.choice(listed)]
        edits = sentences(mixed[rng.randrange(2) : rng.randint(3, 4)], car)
        # again, with one more of what it may have cut off
        for some in (edits, sentences([*edits, rng.choice(openings)], car)):
            content = equal.content(some)
            if content is not None and some not in classes[content]:
                classes[content].append(some)
    shared = [sets for sets in classes.values() if len(sets) > 1][:6]
    assert len(shared) > 3
    for first, *others in shared:
        expected = run_trial(Trial(text, first, start))
        for edits in others[:2]:
            assert expected == run_trial(Trial(text, edits, start)), (first, edits)


def test_a_grid_that_shares_runs_says_what_one_without_says() -> None:
    """Every account, symptom and cause set of a grid is that of runs made one by one; fewer were made."""
    text = vehicle_text("teaching-car")
    edits = ["unplug X2", "open DOOR-LEFT.C1.1", "pull F7", "theory ECM waits for TCM"]
    made: list[int] = []
    actions = ("wait 1 s", "key run", "wait 2 s", "scan")
    with Workshop(workers=1) as workshop:
        grid = run_grid(text, edits, actions, workshop=workshop, progress=lambda done, of: made.append(of))
    car = car_from_text(text)
    sets = [[edit for k, edit in enumerate(edits) if number >> k & 1] for number in range(16)]
    alone = tuple(run_trial(Trial(text, sentences(some, car), actions)) for some in sets)
    expected = Grid(grid.choices, grid.actions, grid.given, alone)
    assert expected.accounts == grid.accounts
    assert expected.symptoms == grid.symptoms
    assert {12} == set(made)
