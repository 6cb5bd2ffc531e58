"""The fuel pump: without its supply the engine turns and does not run (common practice)."""

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.explain import why_engine
from sim.instruments.seat import seat_of
from sim.vehicle.reading import read_car


def minibus(*actions: str) -> Bench:
    bench = Bench(read_car(scenarios_folder() / "vehicles" / "shuttle-minibus.yaml"))
    bench.do_all(["wait 12 s", *actions])
    return bench


def cranked(bench: Bench) -> bool:
    return any("the starter cranks" in event.text for event in bench.trace)


def stored(bench: Bench, module: str) -> set[str]:
    return {one.code for one in bench.live.modules[module].memory.dtcs if one.stored}


def test_a_healthy_minibus_feeds_its_pump_from_cranking_on() -> None:
    """The pump rests with the ignition on, and runs with the engine."""
    bench = minibus("press start", "wait 1 s", "press start", "wait 4 s")
    assert not bench.live.engine.has_fuel()
    bench.do_all(["press start with brake", "wait 5 s"])
    assert ("running", True) == (seat_of(bench).engine, bench.live.engine.has_fuel())


@pytest.mark.parametrize(
    ("fault", "root", "codes"),
    [
        ("pull F3", "pull F3", {"U0109-87"}),  # the module is dead with its fuse
        ("pull K12", "pull K12", set()),  # this car does not watch its pump's relay
    ],
)
def test_without_the_pump_it_cranks_and_does_not_start(fault: str, root: str, codes: set[str]) -> None:
    """The starter turns, the engine does not fire, the reason is told, and the code that follows is there."""
    bench = minibus(fault, "press start with brake", "wait 2 s")
    assert (True, "cranking") == (cranked(bench), seat_of(bench).engine)
    assert [root] == why_engine(bench).to_edits().roots()
    bench.do("wait 10 s")
    assert "running" != seat_of(bench).engine
    assert codes == stored(bench, "ECM")


def test_a_pump_that_loses_its_supply_stalls_the_engine_after_a_moment() -> None:
    """What is left in the rail lasts 1.5 s (common practice: a second or two)."""
    bench = minibus("press start with brake", "wait 8 s", "pull F3", "wait 1.4 s")
    assert "running" == seat_of(bench).engine
    bench.do("wait 0.2 s")
    assert "stopped" == seat_of(bench).engine
    (stop,) = [event for event in bench.trace if event.text == "the engine stops: out of fuel"]
    assert "pull F3" in {bench.trace[cause].text for cause in stop.causes}


@pytest.mark.parametrize(
    ("name", "start"),
    [("teaching-car", ("key run", "wait 2 s", "key crank")), ("small-estate", ("press start with brake",))],
)
def test_every_car_with_an_engine_needs_its_pump(name: str, start: tuple[str, ...]) -> None:
    """Healthy, it runs; with the pump's relay out it cranks and does not start."""
    car = read_car(scenarios_folder() / "vehicles" / f"{name}.yaml")
    relay = next(relay for relay, spec in car.built.relays.items() if "fuel_pump" in spec.feeds)
    healthy, faulty = (Bench(car, given, fidelity="stream") for given in ((), (f"pull {relay}",)))
    for bench in (healthy, faulty):
        bench.do_all(["wait 2 s", *start, "wait 4 s"])
    assert "running" == seat_of(healthy).engine
    assert (True, False) == (cranked(faulty), seat_of(faulty).engine == "running")


def test_the_harness_that_carries_the_pump_keeps_it_from_starting_and_why_says_so_afterwards() -> None:
    """With the underfloor harness off the pump has no feed, and Why says so when the starter is at rest."""
    bench = minibus("unplug X6", "press start with brake", "wait 10 s")
    assert (True, "stopped") == (cranked(bench), seat_of(bench).engine)
    (last,) = [one for one in why_engine(bench).causes if "did not start" in one.text]
    assert ["fuel pump has no supply"] == [one.text for one in last.causes]
    assert ["unplug X6"] == last.roots()
    (stop,) = [event for event in bench.trace if "has not started" in event.text]
    assert ["unplug X6"] == [bench.trace[cause].text for cause in stop.causes]
    bench.do_all(["plug X6", "wait 10 s", "press start with brake", "wait 4 s"])
    assert ("running", ()) == (seat_of(bench).engine, bench.live.engine.last_cranked)
