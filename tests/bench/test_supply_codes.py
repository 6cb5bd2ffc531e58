"""Codes about a module's own supply: U3006 of ISO 15031-6 and SAE J2012-DA, control module input power A.

Failure types 16 and 17, circuit voltage below and above threshold, are from memory. The thresholds are in the
vehicle files.
"""

import pytest

from sim.bench.bench import BenchWithoutReasons
from sim.catalogue import find_car
from sim.modules.enable_condition import TESTS_ABOVE_V

LOW, HIGH = "U3006-16", "U3006-17"
ON = {
    "shuttle-minibus": ("press start", "press start"),
    "small-estate": ("press start", "press start"),
    "teaching-car": ("key run",),
}
NEARLY_EMPTY_PCT = {
    "shuttle-minibus": 4,
    "small-estate": 7,
    "teaching-car": 4,
}  # above 9 V with the ignition on
RUNNING = {
    "shuttle-minibus": ("press start with brake",),
    "small-estate": ("press start with brake",),
    "teaching-car": ("key run", "wait 5 s", "key crank"),
}
WATCHING = {
    "shuttle-minibus": {"ABS", "AIRBAG", "BCM", "STEERING"},
    "small-estate": {"ABS", "BCM"},
    "teaching-car": {"ABS", "BCM"},
}


def codes(car: str, *actions: str, given: tuple[str, ...] = ()) -> set[tuple[str, str]]:
    """The codes about supply that a scan finds after these actions: module and code."""
    bench = BenchWithoutReasons(find_car(car), given, fidelity="stream")
    bench.do_all(("wait 2 s", *actions, "scan"))
    assert bench.last_report is not None
    held = ((one.module, code.code) for one in bench.last_report.modules for code in one.codes)
    return {(module, code) for module, code in held if code in (LOW, HIGH)}


@pytest.mark.parametrize("car", ON)
def test_a_battery_that_is_nearly_empty_sets_low_supply_in_the_modules_that_watch_it(car: str) -> None:
    """With the ignition on and the battery near its end, after seconds and not at once."""
    given = (f"charge {NEARLY_EMPTY_PCT[car]} %",)
    assert {(module, LOW) for module in WATCHING[car]} == codes(car, *ON[car], "wait 20 s", given=given)
    assert set() == codes(car, *ON[car], "wait 5 s", given=given)


@pytest.mark.parametrize("car", ON)
def test_an_empty_battery_sets_it_as_long_as_the_modules_run(car: str) -> None:
    """Below 9 V, where all other tests rest, and above the 6 V at which modules reset (common practice)."""
    bench = BenchWithoutReasons(find_car(car), ("charge 1 %",), fidelity="stream")
    bench.do_all(("wait 2 s", *ON[car], "wait 20 s"))
    watching = [bench.live.modules[name] for name in sorted(WATCHING[car])]
    assert all(module.spec.min_supply_v < module.supply_v < TESTS_ABOVE_V for module in watching)
    failing = {(one.name, dtc.code) for one in watching for dtc in one.memory.dtcs if int(dtc.status) & 1}
    assert {(module, LOW) for module in WATCHING[car]} == failing


@pytest.mark.parametrize("car", ON)
def test_a_good_battery_sets_none_not_even_while_the_starter_turns(car: str) -> None:
    """A start pulls the voltage down for less time than the codes take."""
    assert set() == codes(car, *RUNNING[car], "wait 20 s")


@pytest.mark.parametrize("car", ON)
def test_a_generator_that_overcharges_sets_high_supply(car: str) -> None:
    """17 V from the regulator is above the 16 V to which modules are built."""
    found = codes(car, *RUNNING[car], "wait 60 s", given=("overcharge GEN 17 V",))
    assert {(module, HIGH) for module in WATCHING[car]} == found
