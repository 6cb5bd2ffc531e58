"""Ethernet links at work: training, wake-up, what a broken pair takes along, and why."""

from collections.abc import Callable
from pathlib import Path

import pytest

from sim.bench.bench import Bench
from sim.bench.explain import why_silent
from sim.catalogue import find_car
from sim.instruments.read import read
from sim.vehicle.car import Car
from sim.vehicle.reading import read_car

Stored = Callable[[Bench], dict[str, dict[str, int]]]


@pytest.fixture(scope="module")
def hubs() -> Car:
    """Two hubs with an Ethernet pair between them, and a door module on the second one's CAN bus."""
    return read_car(Path(__file__).parent / "two-hubs.yaml")


def _links(bench: Bench) -> list[tuple[float, str]]:
    return [(round(one.time_s, 3), one.value) for one in bench.live.trace.events if one.kind == "link"]


def test_a_link_trains_for_a_tenth_of_a_second_before_it_carries_frames(hubs: Car) -> None:
    """Both PHYs are fed at once: in training at 0, up 100 ms later; no message arrives before."""
    bench = Bench(hubs)
    bench.do("wait 1 s")
    assert [(0.0, "training"), (0.1, "up")] == _links(bench)
    assert "up" == bench.live.buses.link("COMFORT.spine").value
    heard = [
        one.time_s for one in bench.live.trace.events if one.kind == "heard" and one.subject == "COMFORT"
    ]
    assert min(heard) > 0.1


@pytest.mark.parametrize("fidelity", ["frame", "stream"])
def test_a_broken_wire_silences_all_that_is_beyond_the_link(hubs: Car, stored: Stored, fidelity: str) -> None:
    """Both ends store their link's code, each end the lost messages of the other side, at both fidelities."""
    bench = Bench(hubs, fidelity=fidelity)  # type: ignore[arg-type]
    for step in ("wait 3 s", f"open {hubs.pin_of('COMFORT', 'spine.N').id}", "wait 5 s"):  # type: ignore[union-attr]
        bench.do(step)
    assert {
        "HUB": {"U0074-08", "U1401-87", "U1402-87"},
        "COMFORT": {"U0074-08", "U1403-87"},
        "DOOR": {"U1404-87"},
    } == {name: set(codes) for name, codes in stored(bench).items()}
    roots = why_silent(bench, "DOOR").roots()
    assert [f"open {hubs.pin_of('COMFORT', 'spine.N').id}"] == roots  # type: ignore[union-attr]


def test_a_dead_hub_takes_the_healthy_module_beyond_it_along(hubs: Car) -> None:
    """The tester reaches the door module through both hubs: without the second one's supply it cannot."""
    bench = Bench(hubs)
    bench.do("wait 3 s")
    bench.do("pull F2")
    report = bench.do("scan").report
    assert report is not None
    assert ("COMFORT", "DOOR") == report.silent
    assert "running" == bench.live.modules["DOOR"].state
    assert ["pull F2"] == why_silent(bench, "DOOR").roots()


def test_the_link_comes_back_with_the_wire_and_the_codes_stay_as_history(hubs: Car) -> None:
    """Up again 100 ms after the repair; the test passes, the code is no longer present."""
    bench = Bench(hubs)
    pin = hubs.pin_of("COMFORT", "spine.P")
    assert pin is not None
    for step in ("wait 3 s", f"open {pin.id}", "wait 3 s", f"repair {pin.id}", "wait 3 s"):
        bench.do(step)
    times = _links(bench)
    assert ["training", "up", "down", "training", "up"] == [state for _, state in times]
    assert pytest.approx(0.1) == times[4][0] - times[3][0]
    status = {one.code: int(one.status) for one in bench.live.modules["HUB"].memory.dtcs}
    assert 0x00 == status["U0074-08"] & 0x01
    assert 0x08 == status["U0074-08"] & 0x08


def test_a_tester_reads_link_state_and_signal_quality(hubs: Car) -> None:
    """Live data: up with 7 on a healthy pair, up with 4 with 100 ohm in one wire."""
    bench = Bench(hubs)
    bench.do("wait 1 s")
    healthy = bench.do("read HUB").words
    assert "link spine up, own PHY on spine master, signal quality of spine (0 to 7) 7" in healthy
    pin = hubs.pin_of("HUB", "spine.P")
    assert pin is not None
    bench.do(f"corrode {pin.id} 100 ohm")
    bench.do("wait 1 s")
    assert "own PHY on spine master, signal quality of spine (0 to 7) 4" in bench.do("read HUB").words


def test_the_scope_shows_a_band_and_the_meter_nothing(hubs: Car) -> None:
    """1 V each way between the wires while a PHY is awake; no direct voltage, as capacitors keep it away."""
    bench = Bench(hubs)
    bench.do("wait 1 s")
    plus, minus = (hubs.pin_of("HUB", f"spine.{leg}").id for leg in "PN")  # type: ignore[union-attr]
    assert "-1.000 V to 1.000 V" in read(bench, f"scope {plus} to {minus} for 2 ms").display
    # a millivolt or two of its module's own ground
    assert float(read(bench, f"measure volts {plus} to BODY").display.removesuffix(" mV")) < 10


# what is done to the two hubs, and the state of their link a second later: asleep with both ends, down while
# one end is alone or the pair is not whole, as TC10 and the drivers of PHYs tell them (from memory)
STATES = {
    "both ends awake": ((), "up"),
    "one end without supply": (("pull F2",), "down"),
    "both ends without supply": (("pull F1", "pull F2"), "sleep"),
    "one wire open": (("unplug X1",), "down"),
    "two masters": (("strap COMFORT.spine as master",), "down"),
    "two slaves": (("strap HUB.spine as slave",), "down"),
    "roles exchanged": (("strap HUB.spine as slave", "strap COMFORT.spine as master"), "up"),
}


@pytest.mark.parametrize("case", STATES)
def test_link_states_by_their_table(hubs: Car, case: str) -> None:
    """Each row of the table, looked at from both ends."""
    edits, expected = STATES[case]
    bench = Bench(hubs)
    bench.do_all(["wait 1 s", *edits, "wait 1 s"])
    assert [expected, expected] == [bench.live.buses.link(f"{end}.spine").value for end in ("HUB", "COMFORT")]


def test_a_sleeping_link_wakes_over_the_pair() -> None:
    """TC10: a tester wakes the gateway of the hatchback, its pairs wake the hubs, and all links come up."""
    bench = Bench(find_car("city-hatchback"))
    bench.do("wait 60 s")
    links = [name for name, one in bench.car.transceivers.items() if one.phy and one.bus != "doip"]
    assert {"sleep"} == {bench.live.buses.link(name).value for name in links}
    bench.do("scan")
    assert {"up"} == {bench.live.buses.link(name).value for name in links}
