"""Active wheel speed sensors: two currents, the signal of a car that drives, codes, lamp, instruments."""

from __future__ import annotations

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.explain import why_code
from sim.instruments.meter import Measured
from sim.instruments.read import read
from sim.instruments.scope import Picture
from sim.instruments.seat import seat_of
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import read_car

CARS = {
    name: read_car(scenarios_folder() / "vehicles" / f"{name}.yaml")
    for name in ("small-estate", "shuttle-minibus")
}
SENSOR = "wheel_speed_front_left"


def started(*given: str, car: str = "small-estate", fidelity: str = "stream") -> Bench:
    bench = Bench(CARS[car], given, fidelity=fidelity)  # type: ignore[arg-type]
    bench.do_all(["wait 2 s", "press start with brake", "wait 8 s"])
    return bench


def codes(bench: Bench) -> set[str]:
    memories = [module.memory for module in bench.live.modules.values()]
    return {one.code for memory in memories for one in memory.dtcs if one.stored}


def measured(bench: Bench, sentence: str) -> Measured:
    found = read(bench, sentence)
    assert isinstance(found, Measured)
    return found


@pytest.mark.parametrize("car", list(CARS))
def test_a_healthy_car_drives_without_a_code_or_the_lamp_of_its_brakes(car: str) -> None:
    """The four sensors read the speed that is driven, and none of their limits is near."""
    bench = started(car=car)
    bench.do_all(["drive at 90 km/h", "wait 5 s", "read ABS"])
    wheels = [row.value for row in bench.live_readings["ABS"][-1].rows if row.title.startswith("wheel speed")]
    assert [90.0] * 4 == wheels
    assert set() == codes(bench)
    assert "abs" not in seat_of(bench).lit


@pytest.mark.parametrize(
    ("fault", "code"),
    [
        (f"unplug {SENSOR}", "C0035-13"),
        (f"open {SENSOR}.2", "C0035-13"),
        (f"swap {SENSOR}.1 with {SENSOR}.2", "C0035-13"),  # such a sensor conducts one way only
        (f"short {SENSOR}.1 to BODY 0.05 ohm", "C0035-11"),
        (f"short {SENSOR}.2 to BAT+ 0.05 ohm", "C0035-12"),
        (f"short {SENSOR}.1 to {SENSOR}.2 0.05 ohm", "C0035-12"),
    ],
)
def test_an_open_or_shorted_wire_sets_its_one_code_at_rest_and_lights_the_lamp(fault: str, code: str) -> None:
    """Failure types of SAE J2012-DA: 11 to ground, 12 to battery, 13 open; the car need not move."""
    bench = started(fault)
    assert {code} == codes(bench)
    assert "abs" in seat_of(bench).lit
    assert (f"given: {fault}",) == tuple(why_code(bench, "ABS", code).roots())


def test_a_silent_sensor_shows_only_while_the_others_turn() -> None:
    """Failure type 31, no signal: nothing at rest, the code from 10 km/h on, and a new sensor ends it."""
    bench = started(f"mute {SENSOR}")
    assert set() == codes(bench)
    bench.do_all(["drive at 5 km/h", "wait 5 s"])
    assert set() == codes(bench)
    bench.do_all(["drive at 30 km/h", "wait 3 s", "read ABS"])
    assert {"C0035-31"} == codes(bench)
    wheels = {row.title: row.value for row in bench.live_readings["ABS"][-1].rows}
    expected = {"wheel speed front left": 0.0, "wheel speed front right": 30.0}
    assert expected == {title: wheels[title] for title in expected}
    assert (f"given: mute {SENSOR}",) == tuple(why_code(bench, "ABS", "C0035-31").roots())
    bench.do_all(
        ["drive at 0 km/h", f"replace {SENSOR}", "unlock GATEWAY", "clear", "drive at 30 km/h", "wait 3 s"]
    )
    assert set() == codes(bench)
    assert "abs" not in seat_of(bench).lit


def test_all_wheels_silent_are_a_car_that_stands() -> None:
    """A module that sees no wheel turn has nothing to compare: no code (the limit of this test)."""
    bench = started(*(f"mute {part}" for part in CARS["small-estate"].built.watched))
    bench.do_all(["drive at 30 km/h", "wait 5 s"])
    assert set() == codes(bench)


def test_the_scope_shows_two_levels_at_the_series_resistance() -> None:
    """7 and 14 mA across 115 ohm are 0.805 and 1.61 V; 48 teeth in 2 m are 200 Hz at 30 km/h."""
    bench = started(fidelity="frame")
    bench.do("drive at 30 km/h")
    pins = bench.car.pins_by_function
    sense, ground = pins[f"ABS.{SENSOR}-"].id, pins["ABS.GND"].id
    picture = read(bench, f"scope {sense} to {ground} for 20 ms")
    assert isinstance(picture, Picture)
    (one,) = picture.channels
    assert 0.805 == pytest.approx(float(one.volt.min()), rel=0.02)
    assert 1.610 == pytest.approx(float(one.volt.max()), rel=0.02)
    middle_v = (one.volt.min() + one.volt.max()) / 2
    rising = sum(1 for a, b in zip(one.volt[:-1], one.volt[1:], strict=True) if a < middle_v <= b)
    assert rising == pytest.approx(30 / 3.6 / 2.0 * 48 * 0.020, abs=1)
    assert 200.0 == pytest.approx(measured(bench, f"measure frequency {sense} to {ground}").value)
    assert 50.0 == pytest.approx(measured(bench, f"measure duty {sense} to {ground}").value)
    average = measured(bench, f"measure volts {sense} to {ground}")
    assert (0.805 + 1.610) / 2 == pytest.approx(average.value, rel=0.02)
    assert average.doubtful


def test_a_car_at_rest_shows_the_low_level_and_no_pulses() -> None:
    """0.8 V across the resistance, 7 mA in the wire, 0 Hz."""
    bench = started(fidelity="frame")
    pins = bench.car.pins_by_function
    sense, ground = pins[f"ABS.{SENSOR}-"].id, pins["ABS.GND"].id
    assert 0.0 == measured(bench, f"measure frequency {sense} to {ground}").value
    assert 0.805 == pytest.approx(measured(bench, f"measure volts {sense} to {ground}").value, rel=0.02)
    assert 0.007 == pytest.approx(measured(bench, f"measure amps {SENSOR}.1").value, rel=0.02)


def test_what_does_not_run_is_not_driven_and_a_stalled_car_stops() -> None:
    """Start it first; without its engine it rolls to a stop."""
    bench = Bench(CARS["small-estate"], fidelity="stream")
    with pytest.raises(EditProblem, match="start it first"):
        bench.do("drive at 30 km/h")
    with pytest.raises(EditProblem, match="write 'drive at 30 km/h', 0 to 130"):
        bench.do("drive at 300 km/h")
    bench = started()
    bench.do_all(["drive at 30 km/h", "press start", "wait 1 s"])
    assert 0 == bench.live.world.speed_kph.value
