"""What edits touch, and that it is worked out once."""

from collections.abc import Callable
from pathlib import Path

import pytest

from sim.catalogue import vehicle_text
from sim.lab import footprint as room
from sim.lab.drive import first_look
from sim.lab.footprint import Footprint, footprint, opened
from sim.lab.observed import observed
from sim.lab.run import Trial
from sim.lab.run_cache import Cache
from sim.lab.search import find_causes
from sim.lab.workshop import Workshop
from sim.vehicle.car import Car
from sim.vehicle.edits import catalogue
from sim.vehicle.reading import car_from_text


@pytest.fixture(scope="module")
def car(six: str) -> Car:
    return car_from_text(six)


def of(six: str, car: Car, *edits: str) -> Footprint:
    return footprint((), frozenset(car.elements), Trial(six, edits, first_look(car)))


def test_a_missing_fuse_leaves_its_module_dead_and_the_others_only_tell(six: str, car: Car) -> None:
    """The module without supply is dead; the modules that miss its messages only report it."""
    mark = of(six, car, "pull F2")
    assert {"TCM"} == mark.dead
    assert {"TCM"} <= mark.changed
    assert {"ECM", "CLUSTER"} <= mark.touched
    assert "F2" not in mark.carrying
    assert "F1" in mark.carrying


def test_nothing_touches_nothing(six: str, car: Car) -> None:
    """The car without edits has an empty footprint."""
    mark = of(six, car)
    assert frozenset() == mark.touched | mark.moved | mark.dead
    assert "DLC.6" in mark.carrying  # no current flows there, yet it is under voltage
    assert mark.asked is not None
    assert "TESTER" in mark.asked.running


def test_the_supply_of_a_sensor_can_be_watched_as_any_other_element() -> None:
    """The current of a sensor's supply can be watched."""
    text = vehicle_text("teaching-car")
    car = car_from_text(text)
    mark = footprint((), frozenset(car.elements), Trial(text, (), first_look(car)))
    assert "ECM:ref1.reference" in mark.carrying


def test_a_footprint_survives_as_text(six: str, car: Car) -> None:
    """A footprint that is written as JSON and read again is equal."""
    mark = of(six, car, "open TCM.C1.3")
    assert mark == Footprint.from_json(mark.as_json())


@pytest.mark.parametrize(
    ("edit", "elements"),
    [
        ("pull F2", {"F2"}),
        ("open TCM.C1.3", {"TCM.C1.3"}),
        ("charge 20 %", None),
        ("corrode TCM.C1.3 5 ohm", None),
        ("short TCM.C1.3 to BODY", None),
    ],
)
def test_only_openings_are_openings(car: Car, edit: str, elements: set[str] | None) -> None:
    """Only edits that do nothing but open circuits have a set of opened elements."""
    assert elements == opened(edit, car)


def test_a_search_that_is_begun_again_runs_no_single_edit_twice(
    six: str, car: Car, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A search that is repeated takes its single edits from the cache."""
    made: list[tuple[str, ...]] = []

    def counted(make: Callable[..., Footprint]) -> Callable[..., Footprint]:
        def counting(given: tuple[str, ...], watched: frozenset[str], trial: Trial) -> Footprint:
            made.append(trial.given)
            return make(given, watched, trial)

        return counting

    monkeypatch.setattr(room, "footprint", counted(footprint))
    steps = observed(six, first_look(car), given=["pull F2"])
    found = []
    for within_s in (0.0, None, None):
        with Workshop(workers=1, cache=Cache(tmp_path)) as workshop:
            edits = catalogue(car)
            found.append(find_causes(six, steps, edits=edits, workshop=workshop, within_s=within_s, most=1))
    assert found[0].waiting
    assert found[1].causes == found[2].causes
    assert len(made) == len(set(made))
