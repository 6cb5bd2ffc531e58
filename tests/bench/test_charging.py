"""Charging and cranking of every shipped car with an engine, against the limits of the trade.

13.5 to 14.7 V at the battery of a running car; at most 0.5 V lost on the positive and 0.3 V on the ground
side while cranking, and at least 9.6 V at the posts at about room temperature; a regulator's set point falls
by some 10 mV per kelvin: common practice throughout.
"""

from itertools import pairwise

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.live import Fidelity
from sim.vehicle.car import Car
from sim.vehicle.description import Generator, Vehicle
from sim.vehicle.harness import build
from sim.vehicle.reading import car_from_text, read_car
from sim.wiring.battery import charging_ohm, rest_v
from sim.wiring.power import SwitchState
from sim.wiring.wiring import Reading, Wiring
from tests.modules.test_states import CRANKED

CARS = ("teaching-car", "small-estate", "shuttle-minibus")
TURNING = SwitchState(running=frozenset({"ECM"}), generator=True)


def shipped(name: str) -> Car:
    return read_car(scenarios_folder() / "vehicles" / f"{name}.yaml")


def started(name: str, fidelity: Fidelity) -> Bench:
    """The engine runs, with ignition and everything that comes with it on."""
    car = shipped(name)
    keyed = any(switch.operated_by == "key_run" for switch in car.built.switches.values())
    bench = Bench(car, fidelity=fidelity)
    bench.do_all(
        ["key run", "wait 2 s", "key crank", "wait 5 s"] if keyed else ["press start with brake", "wait 8 s"]
    )
    assert "running" == bench.live.world.engine.value
    return bench


def charging_with(edit: str = "", **generator: float) -> Reading:
    """A small car whose generator turns, with other values of it and one edit."""
    vehicle: Vehicle = car_from_text(CRANKED).built
    assert vehicle.engine
    engine = vehicle.engine.model_copy(update={"generator": Generator(**generator)})
    car = build(vehicle.model_copy(update={"engine": engine}))
    if edit:
        car = car.with_harness(battery_pct=float(edit))
    return Wiring(car).solve(TURNING)


def post_v(found: Reading) -> float:
    return found.between("BAT+", "BAT-") or 0.0


@pytest.mark.parametrize("name", CARS)
def test_after_two_hours_a_healthy_car_charges(name: str) -> None:
    """13.5 to 14.7 V at the posts, and more charge than before."""
    bench = started(name, "stream")
    before_pct = bench.live.battery.charge_pct
    bench.do("wait 2 h")
    assert "running" == bench.live.world.engine.value
    assert 13.5 <= post_v(bench.live.reading) <= 14.7
    assert before_pct < bench.live.battery.charge_pct


@pytest.mark.parametrize("name", CARS)
def test_both_depths_charge_alike(name: str) -> None:
    """The same voltage at the posts and the same current at frame and at stream depth."""
    frame, stream = (started(name, fidelity).live.reading for fidelity in ("frame", "stream"))
    assert post_v(frame) == pytest.approx(post_v(stream), abs=1e-6)
    assert frame.current("GEN") == pytest.approx(stream.current("GEN"), abs=1e-3)


@pytest.mark.parametrize("name", CARS)
def test_healthy_cranking_passes_the_drop_test(name: str) -> None:
    """0.5 V positive side, 0.3 V ground side, 9.6 V at the posts, and the starter is a heavy load."""
    car = shipped(name)
    start = next(relay for relay, spec in car.built.relays.items() if "starter" in spec.feeds)
    found = Wiring(car).solve(SwitchState(running=frozenset(car.built.modules), pulled_in=frozenset({start})))
    assert 0.05 < (found.between("BAT+", "starter.1") or 0) <= 0.5
    assert 0.05 < (found.between("starter.2", "BAT-") or 0) <= 0.3
    assert 9.6 <= post_v(found) < 12
    assert 100 < found.current("BAT") < 300


def test_the_set_point_is_held_up_to_the_limit_and_gives_way_beyond() -> None:
    """Within the limit 14.2 V less 2 mohm of the regulator; 5 A of limit cannot feed an empty battery."""
    held = charging_with()
    generator_v, amp = held.between("GEN.1", "GEN.2") or 0.0, held.current("GEN")
    assert 14.2 - 0.002 * amp == pytest.approx(generator_v, abs=1e-6)
    weak = charging_with("20", limit_a=5)
    assert 5.0 == pytest.approx(weak.current("GEN"), abs=1e-6)
    assert rest_v(20) < post_v(weak) < 13.0


def test_an_overloaded_generator_droops_at_constant_current() -> None:
    """The smaller the limit, the lower the voltage; the current is the limit each time."""
    found = [charging_with("20", limit_a=limit_a) for limit_a in (20, 10, 5, 1)]
    assert [20, 10, 5, 1] == [pytest.approx(one.current("GEN"), abs=1e-6) for one in found]
    assert all(post_v(more) > post_v(less) for more, less in pairwise(found))
    assert found[0].current("BAT") < 0  # it still takes charge


@pytest.mark.parametrize(("temperature_c", "volt"), [(-20, 14.65), (25, 14.2), (65, 13.8)])
def test_the_set_point_falls_with_temperature(temperature_c: float, volt: float) -> None:
    """14.2 V at 25 °C, 10 mV per kelvin (common practice): by hand."""
    assert volt == pytest.approx(Generator(temperature_c=temperature_c).regulated_v)
    found = charging_with(temperature_c=temperature_c)
    assert volt - 0.002 * found.current("GEN") == pytest.approx(found.between("GEN.1", "GEN.2"), abs=1e-6)


@pytest.mark.parametrize(("charge_percent", "amp"), [(0, 60), (50, 30), (90, 6), (100, 0.3)])
def test_a_battery_accepts_what_it_misses(charge_percent: float, amp: float) -> None:
    """The ampere-hour law (from memory): 60 Ah at 14.4 V take as many amperes as ampere-hours are missing."""
    ohm = charging_ohm(charge_percent, 60, 0.005)
    assert amp == pytest.approx((14.4 - rest_v(charge_percent)) / ohm)


def test_its_fusible_link_out_the_car_lives_on_the_battery() -> None:
    """No current from the generator, and the charge falls."""
    bench = started("teaching-car", "stream")
    bench.do_all(["pull FL1", "wait 1 min"])
    before_pct = bench.live.battery.charge_pct
    bench.do("wait 30 min")
    assert 0 == pytest.approx(bench.live.reading.current("GEN"), abs=1e-6)
    assert before_pct - 5 > bench.live.battery.charge_pct
