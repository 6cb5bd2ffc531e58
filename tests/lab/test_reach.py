"""Who is within the tester's reach with some circuits open, and who can bring whom back."""

import random
from itertools import permutations

import pytest

from sim.catalogue import vehicle_text
from sim.lab.footprint import opened
from sim.lab.reach import ReachableModules
from sim.lab.structure import Structure
from sim.vehicle.car import Car
from sim.vehicle.edits import catalogue
from sim.vehicle.reading import car_from_text
from sim.wiring.conduction import SwitchState


def switched_on(car: Car) -> SwitchState:
    running = frozenset([*car.built.modules, "TESTER"])
    return SwitchState(running=running, pulled_in=frozenset(car.built.relays), generator=True)


def bus_openings(car: Car) -> dict[str, frozenset[str]]:
    structure = Structure(car)
    opens = {edit: opened(edit, car) for edit in catalogue(car)}
    return {edit: ids for edit, ids in opens.items() if ids and structure.lines(ids)}


@pytest.mark.parametrize(
    ("edit", "out_of_reach"),
    [
        ("unplug TCM.C1", {"TCM"}),
        ("open ABS.C1.4", {"ABS"}),
        ("pull F2", {"TCM"}),
        ("unplug DLC", None),
        ("open DLC.16", None),  # the tester itself has no supply
    ],
)
def test_who_is_out_of_reach(edit: str, out_of_reach: set[str] | None) -> None:
    """Without supply or with its bus open, a module cannot be reached."""
    text = vehicle_text("teaching-car")
    car = car_from_text(text)
    ids = opened(edit, car)
    assert ids is not None
    reached = ReachableModules(text).reached(ids, switched_on(car))
    modules = frozenset(car.built.modules)
    assert (frozenset() if out_of_reach is None else modules - out_of_reach) == reached


@pytest.mark.parametrize(
    ("edit", "keeps"),
    [
        ("open TCM.C1.4", True),  # a stub
        ("unplug ABS.C1", True),
        ("pull F2", True),  # nothing of a bus
        ("open ECM.C1.4", False),  # the end of the line, with its terminator
        ("unplug X1", False),  # in the middle of it
    ],
)
def test_who_keeps_the_terminators(edit: str, keeps: bool) -> None:
    """Openings on a stub leave both terminators on the line; openings on the trunk do not."""
    car = car_from_text(vehicle_text("teaching-car"))
    ids = opened(edit, car)
    assert ids is not None
    assert keeps is Structure(car).keeps_terminators(ids)


@pytest.mark.parametrize(("name", "sample"), [("teaching-car", 400), ("shuttle-minibus", 60)])
def test_what_keeps_the_terminators_brings_no_module_back(name: str, sample: int) -> None:
    """An opening that leaves the terminators in place never brings a module back within reach."""
    text = vehicle_text(name)
    car = car_from_text(text)
    reach, structure, state = ReachableModules(text), Structure(car), switched_on(car)
    opens = bus_openings(car)
    helpless = [edit for edit, ids in opens.items() if structure.keeps_terminators(ids)]
    pairs = [(a, b) for a, b in permutations(opens, 2) if b in helpless and structure.lines(opens[a])]
    everybody = reach.reached(frozenset(), state)
    for a, b in random.Random(4).sample(pairs, min(sample, len(pairs))):
        gone = everybody - reach.reached(opens[a], state)
        assert not gone & reach.reached(opens[a] | opens[b], state), (a, b)
