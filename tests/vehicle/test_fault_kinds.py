"""Kinds of faults beyond those that take something away."""

import pytest

from sim import scenarios_folder
from sim.vehicle.edits import catalogue, changes_of, further_faults, further_kinds, parse_edit
from sim.vehicle.problems import Problem
from sim.vehicle.reading import read_car


@pytest.mark.parametrize(
    "name",
    ["six-modules", "teaching-car", "shuttle-minibus", "small-estate", "regional-truck", "city-hatchback"],
)
def test_every_further_fault_can_be_done_and_taken_back(name: str) -> None:
    """Every listed fault is in normal form, changes the harness, and has an undo."""
    car = read_car(scenarios_folder() / "vehicles" / f"{name}.yaml")
    faults = further_faults(car)
    assert not set(faults) & set(catalogue(car))
    assert len(faults) == len(set(faults))
    for sentence in faults:
        edit = parse_edit(sentence, car)
        broken = edit.apply(car)
        assert sentence == edit.text
        assert broken.harness != car.harness
        assert edit.undo is not None
        mended = parse_edit(edit.undo, broken).apply(broken)
        while left := [undo for _, undo in changes_of(mended)]:  # a new module may have to be set up
            mended = parse_edit(left[0], mended).apply(mended)
        assert car.harness == mended.harness


def test_each_kind_has_its_faults_where_a_car_has_such_parts() -> None:
    """No kind is empty on the teaching car, and lines of two buses and LIN wires are among the shorts."""
    car = read_car(scenarios_folder() / "vehicles" / "teaching-car.yaml")
    small = "circuits of small loads"  # the minibus has them, the electric van has high voltage
    none = {kind for kind in further_kinds() if not further_faults(car, [kind])}
    assert {small, "high voltage", "addresses", "PHY roles", "silent sensors"} == none
    truck = read_car(scenarios_folder() / "vehicles" / "regional-truck.yaml")
    assert "readdress LIFTGATE as RETARDER" in further_faults(truck, ["addresses"])
    minibus = read_car(scenarios_folder() / "vehicles" / "shuttle-minibus.yaml")
    assert 2 * len(minibus.built.watched) == len(further_faults(minibus, [small])) > 100
    estate = read_car(scenarios_folder() / "vehicles" / "small-estate.yaml")
    shorted = further_faults(estate, ["shorted bus lines"])
    assert "short GATEWAY.C1.4 to GATEWAY.C1.5 0.05 ohm" in shorted  # neighbors, of two buses
    assert "short BCM.C1.9 to BAT+ 0.05 ohm" in shorted  # a LIN wire
    assert len(further_faults(car, ["swapped bus wires"])) == len(car.messages.buses_of["GATEWAY"]) + 7


def test_an_unknown_kind_is_told_with_the_nearest_right_name() -> None:
    """A misspelled kind is refused with the right one."""
    car = read_car(scenarios_folder() / "vehicles" / "six-modules.yaml")
    with pytest.raises(Problem, match="did you mean 'terminators'"):
        further_faults(car, ["terminator"])


def test_a_dead_generator_is_a_candidate_of_every_car_that_has_one() -> None:
    """The charge lamp has a suspect: the generator itself, beside its wires, link and ground."""
    for name in ("teaching-car", "small-estate", "shuttle-minibus", "six-modules"):
        car = read_car(scenarios_folder() / "vehicles" / f"{name}.yaml")
        assert (("open GEN",) if car.built.engine else ()) == further_faults(car, ["dead generator"])
        regulators = ("overcharge GEN 17 V", "undercharge GEN 12.2 V") if car.built.engine else ()
        assert regulators == further_faults(car, ["regulator"])
