"""A module's output with pulse width modulation, and the radiator fan that it commands."""

from __future__ import annotations

from functools import cache
from itertools import pairwise

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.explain import why_code
from sim.instruments.meter import Measured
from sim.instruments.read import read
from sim.instruments.scope import Picture
from sim.instruments.seat import seat_of
from sim.vehicle.car import Car
from sim.vehicle.reading import read_car

WIRE = "radiator_fan.2--ECM.C1.14"
PULL_OHM, SENSE_OHM, DRIVER_OHM = 1000.0, 10_000.0, 0.5


@cache
def hatchback() -> Car:
    return read_car(scenarios_folder() / "vehicles" / "city-hatchback.yaml")


def started(*given: str) -> Bench:
    bench = Bench(hatchback(), given, fidelity="stream")
    bench.do_all(["wait 2 s", "press start with brake", "wait 8 s"])
    return bench


def shown(bench: Bench, question: str) -> float | None:
    found = read(bench, f"measure {question}")
    assert isinstance(found, Measured)
    return found.value


def volts(bench: Bench, points: str) -> float:
    found = shown(bench, f"volts {points}")
    assert found is not None
    return found


def engine_codes(bench: Bench) -> set[str]:
    return {one.code for one in bench.live.modules["ECM"].memory.dtcs if one.stored}


def fan_a(bench: Bench) -> float:
    found = shown(bench, "clamp amps F26")
    assert found is not None
    return found


def test_a_meter_and_a_scope_show_the_command_as_arithmetic_has_it() -> None:
    """Low for 30 % of 10 ms: average = 0.7 high + 0.3 low of two dividers; meter's duty is the high share."""
    bench = started()
    supply_v = volts(bench, "radiator_fan.1 to BAT-")
    high_v = supply_v * SENSE_OHM / (PULL_OHM + SENSE_OHM)
    driver_ohm = DRIVER_OHM * SENSE_OHM / (DRIVER_OHM + SENSE_OHM)
    low_v = supply_v * driver_ohm / (PULL_OHM + driver_ohm)
    pin = "ECM.radiator_fan to ECM.GND"
    assert volts(bench, pin) == pytest.approx(0.7 * high_v + 0.3 * low_v, abs=0.05)
    assert 100.0 == shown(bench, f"frequency {pin}")
    assert shown(bench, f"duty {pin}") == pytest.approx(70.0)
    picture = read(bench, f"scope {pin} for 50 ms")
    assert isinstance(picture, Picture)
    (one,) = picture.channels
    assert float(one.volt.max()) == pytest.approx(high_v, abs=0.05)
    assert float(one.volt.min()) == pytest.approx(low_v, abs=0.05)


def test_the_motor_draws_its_share_of_full_current_and_the_engine_module_tells_its_duty_cycle() -> None:
    """28 A at 12.6 V make 0.45 ohm; at 30 % a third of that current flows through the fuse (ohm's law)."""
    bench = started()
    across_v = volts(bench, "radiator_fan.1 to radiator_fan.3")
    assert fan_a(bench) == pytest.approx(0.30 * 28 * across_v / 12.6, abs=0.05)
    bench.do("read ECM")
    rows = {row.title: row.value for row in bench.live_readings["ECM"][-1].rows}
    assert 30.0 == rows["duty cycle radiator fan"]
    assert (set(), ()) == (engine_codes(bench), seat_of(bench).sounds)


@pytest.mark.parametrize(
    ("fault", "code"),
    [
        (f"open {WIRE}", {"P0691-14"}),
        ("open ECM.C1.14", {"P0691-14"}),
        ("short ECM.C1.14 to BODY 0.05 ohm", {"P0691-14"}),
        ("short ECM.C1.14 to BAT+ 0.05 ohm", {"P0692-12"}),
        (f"corrode {WIRE} 2000 ohm", set()),  # the module's own pin still falls: only the fan is not reached
    ],
)
def test_a_command_that_does_not_arrive_makes_the_fan_roar(fault: str, code: set[str]) -> None:
    """The module sets the code of what its pin shows; the fan turns at full speed, which the driver hears."""
    bench = started(fault)
    assert code == engine_codes(bench)
    assert ("radiator fan at full speed",) == seat_of(bench).sounds
    assert fan_a(bench) == pytest.approx(30.0, abs=1.0)
    for one in code:
        assert [f"given: {fault}"] == why_code(bench, "ECM", one).to_edits().roots()
    (event,) = [one for one in bench.trace if "turns at full speed" in one.text]
    assert fault in {bench.trace[cause].text.removeprefix("given: ") for cause in event.causes}


def test_a_driver_that_limits_its_current_pulls_a_short_of_one_ohm_down_by_two_volts() -> None:
    """2 A through 1 ohm beside the fan's 1000: the pin falls by 2 V, and without a limit by two thirds."""
    bench = started("short ECM.C1.14 to BAT+ 1 ohm")
    picture = read(bench, "scope ECM.radiator_fan to ECM.GND for 50 ms")
    assert isinstance(picture, Picture)
    (one,) = picture.channels
    between_ohm = 1 / (1 / 1.0 + 1 / PULL_OHM + 1 / SENSE_OHM)
    assert float(one.volt.max() - one.volt.min()) == pytest.approx(2.0 * between_ohm, abs=0.1)
    assert {"P0692-12"} == engine_codes(bench)


def test_a_fan_without_supply_is_still_and_its_command_wire_is_low() -> None:
    """Nothing pulls the wire up: the code is that of a short to ground or an open circuit."""
    bench = started("pull F26")
    assert ({"P0691-14"}, ()) == (engine_codes(bench), seat_of(bench).sounds)
    assert volts(bench, "ECM.radiator_fan to BAT-") == pytest.approx(0.0, abs=0.1)
    assert fan_a(bench) == pytest.approx(0.0, abs=0.02)


def test_a_fan_on_a_bad_ground_starts_and_stops_and_the_car_settles() -> None:
    """8 ohm take the supply as soon as the motor turns: it stops and tries again every two seconds."""
    bench = started("corrode G6 8 ohm")
    stops = [one.time_s for one in bench.trace if "radiator fan loses its supply" in one.text]
    assert 3 <= len(stops)
    assert all(2.0 <= later - earlier < 2.1 for earlier, later in pairwise(stops))


def test_with_a_dead_engine_module_the_fan_takes_care_of_itself() -> None:
    """No command, ignition on: full speed after three seconds; ignition off: no supply, no noise."""
    bench = Bench(hatchback(), ["fail ECM"], fidelity="stream")
    bench.do_all(["wait 2 s", "press start", "press start", "wait 2 s"])
    assert () == seat_of(bench).sounds
    bench.do("wait 3 s")
    assert ("radiator fan at full speed",) == seat_of(bench).sounds
    bench.do_all(["press start", "wait 2 s"])
    assert () == seat_of(bench).sounds
