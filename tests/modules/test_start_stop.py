"""Start-stop: the engine stops at a standstill and starts again, while its conditions hold.

Which conditions there are, and their order of importance to a technician: common practice.
"""

from __future__ import annotations

import functools

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.explain import why_engine, why_start_stop
from sim.bench.snapshot import BenchSnapshot
from sim.catalogue import find_car
from sim.instruments.seat import seat_of
from sim.vehicle.problems import FileProblem
from sim.vehicle.reading import car_from_text
from tests.readings import measure

WARM_DRIVE = ("press start with brake", "wait 105 s")
TO_THE_LIGHT = ("drive to the lights",)
ROWS = "start-stop needs: "


@functools.cache
def _warm() -> BenchSnapshot:
    """A hatchback with a warm engine; the engine's warming up takes 105 s, which one run serves for all."""
    bench = Bench(find_car("city-hatchback"))
    bench.do_all(WARM_DRIVE)
    return BenchSnapshot(bench)


def driven(*actions: str) -> Bench:
    """The warm car after some actions."""
    bench = _warm().clone()
    bench.do_all(actions)
    return bench


def live(bench: Bench) -> dict[str, float | str]:
    """What a tester reads of the engine module, by title."""
    bench.do("read ECM")
    return {row.title: row.value for row in bench.live_readings["ECM"][-1].rows}


def told(bench: Bench) -> list[str]:
    """What the trace tells of start-stop."""
    return [event.text for event in bench.trace if event.kind == "start-stop"]


def test_the_engine_stops_at_the_lights_and_starts_when_the_foot_leaves_the_brake() -> None:
    """A healthy warm car: stopped with a green lamp alone, running again within 1.5 s, no code by either."""
    bench = driven(*TO_THE_LIGHT)
    assert ("stopped", ("auto_stop",)) == (seat_of(bench).engine, seat_of(bench).lit)
    assert "engine stopped" == live(bench)["start-stop"]
    assert "engine stopped by start-stop" == seat_of(bench).told
    bench.do_all(("brake off", "wait 1500 ms"))
    assert ("running", ()) == (seat_of(bench).engine, seat_of(bench).lit)
    bench.do("scan")
    assert bench.last_report is not None
    assert [] == [code for module in bench.last_report.modules for code in module.codes]


def test_who_drives_on_from_one_light_to_the_next_is_stopped_at_both() -> None:
    """The foot leaves the brake, the engine starts by itself, the car drives off and stops again."""
    bench = driven(*TO_THE_LIGHT, *TO_THE_LIGHT)
    assert "brake" in bench.live.operated
    assert "engine stopped by start-stop" == seat_of(bench).told
    assert ["stops", "starts", "stops"] == [words.split()[1] for words in told(bench)]


def test_a_restart_pulls_the_battery_down_as_a_start_does() -> None:
    """A minimum hold at the posts reads 9.5 to 10.5 V (trade sources: healthy cranking), with no lamp lit."""
    bench = driven(*TO_THE_LIGHT, "brake off", "wait 1500 ms")
    found = measure(bench, "minimum volts BAT+ to BAT-").value
    assert found is not None
    assert 9.5 <= found <= 10.5
    assert () == seat_of(bench).lit


@pytest.mark.parametrize(
    ("before", "condition"),
    [
        (("switch hood_switch on",), "hood closed"),
        (("open hood_switch.2--X1.1a",), "hood closed"),
        (("switch door_switch on",), "driver door closed"),
        (("pull F5",), "battery sensor received"),
        (("charge 50 %",), "battery charged"),
    ],
)
def test_a_missing_condition_keeps_the_engine_running_and_is_read(
    before: tuple[str, ...], condition: str
) -> None:
    """With the hood, door, sensor or charge not as it must be the engine runs on, and live data say why."""
    bench = driven(*before, "wait 3 s", *TO_THE_LIGHT)
    assert "running" == seat_of(bench).engine
    rows = live(bench)
    assert f"not met: {condition}" == rows["start-stop"] == rows["last kept running by"]
    assert "no" == rows[f"{ROWS}{condition}"]
    assert [f"ECM does not stop the engine: not met: {condition}"] == told(bench)


def test_why_the_engine_was_not_stopped_ends_at_the_fault() -> None:
    """Asked at the light, the answer names the condition and goes back to the wire; healthy, to no edit."""
    broken = driven("open hood_switch.2--X1.1a", *TO_THE_LIGHT)
    answer = why_start_stop(broken)
    assert "it needs: hood closed" == answer.causes[0].text
    assert ["open hood_switch.2--X1.1a"] == answer.to_edits().roots()
    healthy = driven(*TO_THE_LIGHT)
    assert "start-stop keeps the engine off" == why_start_stop(healthy).text == why_engine(healthy).text
    assert not why_start_stop(healthy).reaches_edit


def test_a_car_without_start_stop_says_so() -> None:
    """The question can be asked at any car."""
    assert "this car has no start-stop" == why_start_stop(Bench(find_car("teaching-car"))).text


def test_a_cold_engine_runs_on_and_stops_once_it_is_warm() -> None:
    """At 20 °C it takes 300 s * ln(70/50) = 101 s to 40 °C at idle (the coolant's own law); then it stops."""
    bench = Bench(find_car("city-hatchback"))
    bench.do_all(("press start with brake", "wait 5 s", *TO_THE_LIGHT))
    assert ["ECM does not stop the engine: not met: engine warm"] == told(bench)
    started_s = next(event.time_s for event in bench.trace if event.text == "the engine starts")
    bench.do("wait 100 s")
    stops = [event.time_s for event in bench.trace if event.text == "ECM stops the engine at the standstill"]
    assert [pytest.approx(started_s + 100.94 + 0.6, abs=0.05)] == stops


def test_a_demand_starts_the_engine_with_the_foot_on_the_brake() -> None:
    """The charge falls below its limit at the light: the engine starts, and the trace says what for."""
    bench = driven(*TO_THE_LIGHT, "charge 62 %", "wait 2 s")
    assert "running" == seat_of(bench).engine
    assert "ECM starts the engine again: not met: battery charged" in told(bench)


def test_with_the_hood_open_it_does_not_start_by_itself() -> None:
    """The hood is opened at the light: only the driver starts it then (common practice)."""
    bench = driven(*TO_THE_LIGHT, "switch hood_switch on", "wait 1 s", "brake off", "wait 5 s")
    assert "stopped" == seat_of(bench).engine
    bench.do_all(("switch hood_switch off", "press start with brake", "wait 2 s"))
    assert "running" == seat_of(bench).engine


def test_the_start_button_at_the_light_switches_off() -> None:
    """A press while start-stop has stopped the engine means off, and the engine stays off."""
    bench = driven(*TO_THE_LIGHT, "press start with brake", "wait 2 s", "brake off", "wait 3 s")
    assert ("off", "stopped") == (seat_of(bench).ignition, seat_of(bench).engine)


def test_a_restart_that_fails_is_given_up() -> None:
    """The start relay is pulled at the light: it tries for 4 s, then the engine lamp lights."""
    bench = driven(*TO_THE_LIGHT, "pull K2", "brake off", "wait 6 s")
    assert "ECM gives up: the engine has not started" == told(bench)[-1]
    assert "mil" in seat_of(bench).lit


def test_driving_off_takes_the_foot_off_the_brake_first() -> None:
    """At the light the next drive begins with the brake released and the engine restarted."""
    bench = driven(*TO_THE_LIGHT, "drive at 30 km/h")
    assert ("running", 30) == (seat_of(bench).engine, seat_of(bench).speed_kph)
    assert "the foot leaves the brake pedal" in [event.text for event in bench.trace]


def test_it_stops_once_for_each_drive() -> None:
    """Foot off and on again without driving: the engine runs on (common practice)."""
    bench = driven(*TO_THE_LIGHT, "brake off", "wait 2 s", "brake on", "wait 3 s")
    assert "running" == seat_of(bench).engine
    assert "has not driven since the last stop" == live(bench)["start-stop"]


def test_a_stop_can_be_copied_and_goes_on_alike() -> None:
    """A snapshot taken while the engine is stopped starts again just as the first bench does."""
    bench = driven(*TO_THE_LIGHT)
    other = BenchSnapshot(bench).clone()
    for one in (bench, other):
        one.do_all(("brake off", "wait 2 s"))
    assert told(bench) == told(other)


def test_only_the_engine_module_knows_its_start_stop() -> None:
    """A file whose other module asks for it, or whose engine has none, gets one clear error."""
    text = (scenarios_folder() / "vehicles" / "city-hatchback.yaml").read_text(encoding="utf-8")
    spoiled = text.replace("hood_closed: {when: {input: hood}}", "hood_closed: {when: {start_stop: stopped}}")
    with pytest.raises(FileProblem, match="BODY-HUB' cannot know the fact 'engine_state': ECM does"):
        car_from_text(spoiled, "spoiled.yaml")
    without = text[: text.index("  # limits and conditions: common practice")]
    with pytest.raises(FileProblem, match="this car's engine has no start_stop"):
        car_from_text(without, "spoiled.yaml")
