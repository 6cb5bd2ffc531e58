"""Contacts that open when they are shaken or hot, and the ways to find them: hand, heat, cold, hold."""

from __future__ import annotations

import pytest

from sim import scenarios_folder
from sim.bench.actions import parse_action
from sim.bench.bench import Bench
from sim.bench.temperature import elements_at
from sim.instruments.meter import Measured
from sim.instruments.read import read
from sim.lab.labor import minutes_of
from sim.vehicle.edits import changes_of
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import read_car

CAR = read_car(scenarios_folder() / "vehicles" / "small-estate.yaml")
SENSOR = "wheel_speed_front_left"
BAD = f"{SENSOR}.2"
SENSE = CAR.pins_by_function[f"ABS.{SENSOR}-"].id
GROUND = CAR.pins_by_function["ABS.GND"].id


def running(*given: str) -> Bench:
    bench = Bench(CAR, given, seed=3, fidelity="stream")
    bench.do_all(["wait 2 s", "press start with brake", "wait 8 s"])
    return bench


def codes(bench: Bench) -> set[str]:
    return {one.code for one in bench.live.modules["ABS"].memory.dtcs if one.stored}


def held(bench: Bench, which: str) -> float:
    found = read(bench, f"measure {which} volts {SENSE} to {GROUND}")
    assert isinstance(found, Measured)
    assert found.value is not None
    return found.value


def test_a_wiggle_where_the_contact_is_shows_on_the_hold_and_sets_the_code() -> None:
    """Left alone it is good for minutes; shaken there it opens, and elsewhere it does not."""
    bench = running(f"interrupt {BAD} when shaken")
    bench.do("wait 2 min")
    assert set() == codes(bench)
    bench.do("wiggle F16")
    assert 0.8 == pytest.approx(held(bench, "minimum"), rel=0.05)
    bench.do(f"wiggle {SENSOR}")
    assert held(bench, "minimum") < 0.05
    assert 0.8 == pytest.approx(held(bench, "maximum"), rel=0.05)
    assert {"C0035-13"} == codes(bench)
    bench.do("wait 10 s")
    assert not bench.car.harness.away


def test_the_road_shakes_it_too_but_less_often() -> None:
    """Two minutes at 50 km/h are enough for the code that no shop finds at rest."""
    bench = running(f"interrupt {BAD} when shaken")
    bench.do_all(["drive at 50 km/h", "wait 2 min", "drive at 0 km/h"])
    assert {"C0035-13"} == codes(bench)
    assert not bench.car.harness.away


def test_a_repaired_contact_stays_closed_however_it_is_shaken() -> None:
    """The repair is proved by the same wiggle."""
    bench = running(f"interrupt {BAD} when shaken")
    bench.do_all([f"wiggle {SENSOR}", f"repair {BAD}", f"wiggle {SENSOR}"])
    assert 0.8 == pytest.approx(held(bench, "minimum"), rel=0.05)
    assert not list(changes_of(bench.car))


def test_a_joint_that_heat_opens_follows_gun_spray_and_time() -> None:
    """Heated it opens and stays open, cooled it closes; by itself it closes as it cools."""
    joint = "ABS.C1.1"
    bench = running(f"interrupt {joint} when hot")
    assert "running" == bench.live.modules["ABS"].state
    bench.do("heat ABS.C1")
    assert "unpowered" == bench.live.modules["ABS"].state
    bench.do("freeze ABS.C1")
    assert "unpowered" != bench.live.modules["ABS"].state
    bench.do("heat ABS.C1")
    assert "unpowered" == bench.live.modules["ABS"].state
    bench.do("wait 10 min")
    assert joint in bench.car.harness.away  # the engine bay is warm by now


def test_a_warm_engine_bay_opens_it_and_the_cabin_does_not() -> None:
    """Idling warms the coolant to nearly 90 °C and the bay above 60 °C, never the dash."""
    bench = running("interrupt ABS.C1.1 when hot", "interrupt CLUSTER.C1.1 when hot")
    bench.do("wait 12 min")
    assert frozenset({"ABS.C1.1"}) == bench.car.harness.away


def test_an_unknown_condition_or_place_is_one_clear_error() -> None:
    """The error says what can be written, and the nearest place."""
    with pytest.raises(EditProblem, match="'when shaken', or 'when hot'"):
        Bench(CAR, [f"interrupt {BAD} when wet"])
    with pytest.raises(EditProblem, match=r"no part to wiggle 'ABS\.C2'"):
        parse_action("wiggle ABS.C2", CAR)


def test_a_hand_tells_a_connector_from_what_is_soldered_inside() -> None:
    """At the connector contacts and wires move, at the module's case the joints inside."""
    plug, inside = elements_at("ABS.C1", CAR), elements_at("ABS", CAR)
    assert "ABS.C1.1" in plug
    assert "ABS:GND.trace" in inside
    assert not {"ABS:GND.trace", "ECM.C1.1", "G2"} & plug
    assert not plug & inside


def test_a_cold_joint_in_a_module_opens_under_a_hand_on_its_case_and_resoldering_mends_it() -> None:
    """The wiggled case restarts the module, its wiggled connector does not; resoldered it bears both."""
    bench = running("interrupt CLUSTER:GND.trace when shaken")

    def restarts() -> int:
        starts = ("unpowered", "starting")
        return sum(1 for one in bench.trace.events if one.subject == "CLUSTER" and one.value in starts)

    before = restarts()
    bench.do("wiggle CLUSTER.C1")
    assert before == restarts()
    bench.do("wiggle CLUSTER")
    shaken = restarts()
    assert shaken > before
    bench.do_all(["repair CLUSTER:GND.trace", "wiggle CLUSTER"])
    assert shaken == restarts()


def test_a_wiggle_costs_minutes_and_trim_where_the_wire_is_hidden() -> None:
    """Two minutes at what is open, a quarter of an hour more along a wire in the loom."""
    wire = next(id for id in CAR.elements if "--" in id)
    assert 2.0 == minutes_of(parse_action("wiggle ABS.C1", CAR), CAR)
    assert 17.0 == minutes_of(parse_action(f"wiggle {wire}", CAR), CAR)
