"""The 5 V supply of sensors: a whole branch goes down with one of them, and comes back when that one is off.

Behavior after trade articles on reference circuits (four that agree): one shorted sensor or wire collapses
the whole branch, many sensor codes set, and one unplugs one after the other until the branch recovers.
"""

from __future__ import annotations

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.explain import why_code
from sim.instruments.read import read
from sim.vehicle.car import Car
from sim.vehicle.problems import FileProblem
from sim.vehicle.reading import car_from_text, read_car
from sim.wiring.conduction import SwitchState
from sim.wiring.wiring import Wiring

IGNITION = {"teaching-car": ("key run",), "shuttle-minibus": ("press start with brake",)}
SHORTED = "short throttle_sensor:1 to throttle_sensor:3 0.5 ohm"


def shipped(name: str) -> Car:
    return read_car(scenarios_folder() / "vehicles" / f"{name}.yaml")


def started(name: str, *given: str) -> Bench:
    """Ignition on and time for every monitor."""
    bench = Bench(shipped(name), given)
    bench.do_all([*IGNITION[name], "wait 5 s", "scan"])
    return bench


def codes(bench: Bench) -> set[str]:
    assert bench.last_report is not None
    return {code for _, code in bench.last_report.codes}


def volts(bench: Bench, a: str, b: str = "ECM.sensor_ground") -> float:
    found = read(bench, f"measure volts {a} to {b}")
    return found.value  # type: ignore[attr-defined, no-any-return]


@pytest.mark.parametrize("name", IGNITION)
def test_a_whole_branch_stands_at_five_volts_and_signals_are_their_share(name: str) -> None:
    """A healthy reference gives 5 V while the module runs, and signals are their share of it."""
    bench = started(name)
    assert set() == codes(bench)
    assert 5.0 == pytest.approx(volts(bench, "ECM.ref1"), abs=0.01)
    assert 5.0 * 0.3 == pytest.approx(volts(bench, "ECM.intake_pressure"), rel=0.01)
    bench.do_all(["key off"] if name == "teaching-car" else ["press start"])
    bench.do("wait 60 s")
    assert 0.0 == pytest.approx(volts(bench, "ECM.ref1"), abs=0.01)  # a sleeping module feeds nobody


@pytest.mark.parametrize("name", IGNITION)
def test_one_shorted_sensor_takes_its_branch_down_and_no_other(name: str) -> None:
    """All sensors of the branch set codes that end at the short; the other branch keeps 5 V."""
    bench = started(name, SHORTED)
    assert {"P0641-1C", "P0107-16", "P0122-16", "P0532-16"} == codes(bench)
    assert 0.1 * 0.5 == pytest.approx(volts(bench, "throttle_sensor.1", "throttle_sensor.3"), rel=0.1)
    assert 5.0 == pytest.approx(volts(bench, "ECM.ref2"), abs=0.01)
    for code in codes(bench):
        assert (f"given: {SHORTED}",) == tuple(why_code(bench, "ECM", code).roots())


def test_sensors_come_off_one_after_another_until_the_branch_recovers() -> None:
    """Unplugging the shorted sensor, and no other, brings the 5 V back."""
    bench = started("teaching-car", SHORTED)
    read_v = []
    for plug in ("map_sensor", "refrigerant_sensor", "throttle_sensor"):
        bench.do(f"unplug {plug}")
        read_v.append(volts(bench, "ECM.ref1"))
    assert [True, True, False] == [volt < 0.2 for volt in read_v]
    assert 5.0 == pytest.approx(read_v[-1], abs=0.01)


# computed: 5 V behind 0.05 ohm up to 100 mA; other loads of 15 mA as 333 ohm stay up to a short of 100 ohm
@pytest.mark.parametrize(
    ("short_ohm", "low_v", "high_v"), [(0.5, 0.04, 0.07), (30, 2.5, 2.9), (100, 4.9, 5.0)]
)
def test_how_far_the_branch_collapses_depends_on_the_short(
    short_ohm: float, low_v: float, high_v: float
) -> None:
    """The voltage at the pin follows from the resistance of the short."""
    bench = started("teaching-car", f"short throttle_sensor:1 to throttle_sensor:3 {short_ohm:g} ohm")
    assert low_v < pin_v(bench) < high_v


def pin_v(bench: Bench) -> float:
    return bench.live.reading.pin_v("ECM", "ref1")


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ("open map_sensor.1", "P0107-16"),  # no supply: nothing pulls the signal up
        ("open map_sensor.2", "P0107-16"),  # no signal
        ("open map_sensor.3", "P0108-17"),  # no ground: the signal floats up to the supply
        ("unplug map_sensor", "P0107-16"),
    ],
)
def test_an_open_wire_of_one_sensor_disturbs_that_sensor_alone(given: str, expected: str) -> None:
    """An open wire sets one code, whose explanation is that wire."""
    bench = started("teaching-car", given)
    assert {expected} == codes(bench)
    assert (f"given: {given}",) == tuple(why_code(bench, "ECM", expected).roots())


def test_battery_voltage_on_the_branch_is_out_of_its_window_and_the_regulator_takes_none_in() -> None:
    """Battery voltage on the reference sets its code and drives no current into the module."""
    bench = started("teaching-car", "short map_sensor.1 to BAT+")
    assert "P0641-1C" in codes(bench)
    assert 0.0 == pytest.approx(bench.live.reading.current("ECM:ref1.reference"), abs=1e-9)


def test_no_more_than_the_limit_flows_into_a_short() -> None:
    """The regulator limits the current into a short."""
    car = shipped("teaching-car")
    bench = Bench(car, ["short throttle_sensor:1 to throttle_sensor:3 0.001 ohm"])
    wiring = Wiring(bench.car)
    found = wiring.solve(SwitchState(running=frozenset({"ECM"})))
    assert 0.1 == pytest.approx(found.current("ECM:ref1.reference"), rel=1e-6)


SMALL = """
car: small
buses: {main: {line: [ECM terminated, TCM terminated]}}
fuses: {F1: {rating_a: 10, feeds: [ECM, TCM]}}
sensors: {tank: {from: %s, signal: %s, ground: %s}}
modules: {ECM: {references: {ref1: {code: P0641}}}, TCM: {}}
"""


@pytest.mark.parametrize(
    ("ends", "expected"),
    [
        (("ECM.ref2", "ECM.tank", "ECM.gnd"), "module 'ECM' has no reference 'ref2'; did you mean 'ref1'?"),
        (("ECN.ref1", "ECM.tank", "ECM.gnd"), "'ECN.ref1' is no module's pin; did you mean 'ECM'?"),
        (("ECM.ref1", "ECM", "ECM.gnd"), "'ECM' is no module's pin; did you mean 'ECM'?"),
        (("ECM.ref1", "ECM.tank", "ECM.tank"), "pin ECM.tank is another end of a sensor already"),
        (("ECM.ref1", "ECM.B+", "ECM.gnd"), "pin 'B+' cannot be for sensors and something else"),
    ],
)
def test_a_sensor_that_leads_nowhere_is_refused_in_one_sentence(
    ends: tuple[str, str, str], expected: str
) -> None:
    """A sensor wire to an unknown end is an error of the file."""
    with pytest.raises(FileProblem) as caught:
        car_from_text(SMALL % ends, "small.yaml")
    assert str(caught.value).endswith(expected)
