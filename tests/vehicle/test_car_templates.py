"""Templates of *Describe a car*: each kind starts, tells its lamps, sleeps, and comes from one table."""

from __future__ import annotations

from pathlib import Path

import pytest

from sim.bench.bench import Bench
from sim.instruments.seat import seat_of
from sim.lab.drive import first_look, operated, plain_morning
from sim.vehicle.car_templates import TEMPLATES
from sim.vehicle.problems import Problem
from sim.vehicle.quick_car import TableRow, vehicle_file
from sim.vehicle.reading import car_from_text
from sim.vehicle.table_text import rows_of_table

SMALL = [TableRow(name, "main") for name in ("ECM", "BCM", "CLUSTER", "ABS", "AIRBAG")]
VAN = Path(__file__).parents[1] / "lab" / "cars" / "ferry-van.csv"


@pytest.mark.parametrize("name", TEMPLATES)
def test_each_kind_starts_by_its_own_means_and_sleeps(name: str) -> None:
    """All modules answer without a code, the engine runs where there is one, lamps go out, the car sleeps."""
    car = car_from_text(vehicle_file(SMALL, template=name))
    bench = Bench(car)
    assert (TEMPLATES[name].starts == "button") == ("button" in operated(car))
    for action in first_look(car):
        bench.do(action)
    report = bench.last_report
    assert report is not None
    assert ((), frozenset()) == (report.silent, report.codes)
    engine = "running" if TEMPLATES[name].cylinders else "stopped"
    assert (engine, ()) == (bench.live.world.engine.value, tuple(seat_of(bench).lit))
    other = Bench(car)
    for action in (*plain_morning(car), "wait 60 s"):
        other.do(action)
    assert {"asleep"} == {module.state for module in other.live.modules.values()}


def test_a_module_that_does_not_know_the_keys_keeps_the_engine_from_cranking() -> None:
    """The immobilizer of a template is one, and its lamp says so."""
    bench = Bench(car_from_text(vehicle_file(SMALL, template="hatchback")), given=("unmatch ECM",))
    for action in first_look(bench.car):
        bench.do(action)
    assert "stopped" == bench.live.world.engine.value
    assert "security" in seat_of(bench).lit


def test_a_table_of_many_modules_with_a_heading_is_read_as_the_page_has_it() -> None:
    """Columns by name, names with commas in quotes; a van of 27 modules on four buses behind a gateway."""
    car = car_from_text(vehicle_file(rows_of_table(VAN.read_text(encoding="utf-8")), template="van"))
    assert (27, 4) == (len(car.built.modules), len(car.built.buses))
    assert car.built.immobilizer is not None
    assert "IMMOBILIZER" == car.built.immobilizer.authority


def test_what_a_template_lacks_is_told() -> None:
    """No engine module for an engine, a kind that there is not, a column that there is not."""
    with pytest.raises(Problem, match="name its module ECM, or choose 'electric'"):
        vehicle_file([TableRow("BCM", "main"), TableRow("TCM", "main")], template="van")
    with pytest.raises(Problem, match="no kind of car 'vam' in this car; did you mean 'van'"):
        vehicle_file(SMALL, template="vam")
    with pytest.raises(Problem, match=r"line 1.*no column 'buss'.*did you mean 'bus'"):
        rows_of_table("module,buss,fuse\nECM,main,F1")
