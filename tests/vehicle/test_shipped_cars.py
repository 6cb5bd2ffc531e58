"""The cars that come with busbay start, stop and sleep without a code, and break as their wiring says."""

from functools import lru_cache

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.tester import Report
from sim.vehicle.car import Car
from sim.vehicle.reading import read_car

START = {
    "six-modules": ["press start"],
    "teaching-car": ["brake on", "key run", "key crank", "brake off"],
    "shuttle-minibus": ["press start with brake"],
    "small-estate": ["press start with brake"],
    "regional-truck": ["key run", "wait 5 s", "key crank"],
}
STOP = {
    "six-modules": ["press start"],
    "teaching-car": ["key off"],
    "shuttle-minibus": ["press start"],
    "small-estate": ["press start"],
    "regional-truck": ["key off"],
}


@lru_cache
def shipped(name: str) -> Car:
    return read_car(scenarios_folder() / "vehicles" / f"{name}.yaml")


def started(name: str, *given: str) -> tuple[Bench, Report]:
    """A car that has slept, been started with these faults in it, run ten seconds and been scanned."""
    bench = Bench(shipped(name), given)
    for action in ["wait 30 s", *START[name], "wait 10 s"]:
        bench.do(action)
    report = bench.do("scan").report
    assert report is not None
    return bench, report


def mode(bench: Bench) -> str | None:
    modes = bench.live.car.built.power_modes
    assert modes is not None
    return bench.live.modules[modes.master].knowledge.known_mode()


def states(bench: Bench) -> set[str]:
    return {module.state for module in bench.live.modules.values()}


@pytest.mark.parametrize("name", START)
def test_a_whole_car_starts_stops_and_sleeps_without_a_code(name: str) -> None:
    """Every shipped car starts, stops and sleeps with no code."""
    bench, report = started(name)
    assert ("run", (), frozenset()) == (mode(bench), report.silent, report.codes)
    if shipped(name).built.engine:
        assert "running" == bench.live.world.engine.value
    for action in [*STOP[name], "wait 60 s"]:
        bench.do(action)
    assert ("off", {"asleep"}, "stopped") == (mode(bench), states(bench), bench.live.world.engine.value)


@pytest.mark.parametrize(
    ("fault", "silent"),
    [
        (
            "unplug PARK-BRAKE",
            [
                "ABS",
                "AIRBAG",
                "CAMERA-FRONT",
                "DISTANCE",
                "PARK-BRAKE",
                "STEER-ANGLE",
                "STEERING",
                "YAW-RATE",
            ],
        ),
        ("unplug YAW-RATE", ["YAW-RATE"]),
        ("unplug X5", ["ABS", "DISTANCE"]),
        ("pull F2", ["TCM"]),
        ("pull F29", ["STEER-ANGLE", "YAW-RATE"]),
        (
            "pull FL3",
            ["COUNTER", "LIFT", "REAR-DOORS", "SIGN", "SLIDE-DOOR", "STEP", "TACHO", "TRAILER", "UPFIT"],
        ),
    ],
)
def test_who_falls_silent_in_the_minibus(fault: str, silent: list[str]) -> None:
    """Read off the file: the chassis bus runs through the park brake's plug, X5 leads to the bumper."""
    _, report = started("shuttle-minibus", fault)
    assert silent == sorted(report.silent)


@pytest.mark.parametrize(
    ("fault", "codes"),
    [
        ("pull F11", {"P0351-13", "P0352-13", "P0353-13", "P0354-13"}),
        ("pull F12", {"P0201-13", "P0202-13", "P0203-13", "P0204-13"}),
        ("open ECM.coil3", {"P0353-13"}),
    ],
)
def test_an_engine_without_sparks_or_fuel_names_its_cylinders(fault: str, codes: set[str]) -> None:
    """Four dry or dark cylinders do not start; three of four do (`cylinders_needed`)."""
    bench, report = started("shuttle-minibus", fault)
    assert codes == {code for module, code in report.codes if module == "ECM"}
    assert ("running" if len(codes) == 1 else "stopped") == bench.live.world.engine.value


@pytest.mark.parametrize("fault", ["pull F2", "pull F24", "pull K4", "open ECM.start_relay"])
def test_without_gear_immobilizer_or_relay_the_minibus_does_not_crank(fault: str) -> None:
    """The ignition is on, and the starter does not turn without any one of these."""
    bench, _ = started("shuttle-minibus", fault)
    assert "run" == mode(bench)
    assert not [
        event for event in bench.live.world.trace.events if event.text == "the starter cranks the engine"
    ]


@pytest.mark.parametrize("fault", ["pull F4", "unplug GATEWAY", "unplug PARK-BRAKE"])
def test_the_minibus_is_not_switched_off_while_the_brakes_are_not_heard(fault: str) -> None:
    """The master holds its last state: nobody tells it that the bus stands."""
    bench, _ = started("shuttle-minibus", fault)
    bench.do("press start")
    bench.do("wait 10 s")
    assert "run" == mode(bench)


def test_without_a_fob_nothing_leaves_off() -> None:
    """Pressing the button without the fob leaves the car off; with the fob it is on."""
    bench = Bench(shipped("shuttle-minibus"))
    for action in ["wait 30 s", "fob away", "press start", "press start with brake", "wait 5 s"]:
        bench.do(action)
    assert "off" == mode(bench)
    bench.do("fob at button")
    bench.do("press start")
    assert "accessory" == mode(bench)


@pytest.mark.parametrize("name", ["six-modules", "shuttle-minibus"])
def test_a_car_is_shown_in_one_short_line(name: str) -> None:
    """A debugger or a failed assertion prints the name, the number of modules and the buses."""
    car = shipped(name)
    expected = f"<Car '{car.title}': {len(car.built.modules)} modules on {', '.join(car.built.buses)}"
    assert repr(car).startswith(expected)
    assert len(repr(car)) < 160
