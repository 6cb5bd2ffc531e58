"""Whole cars with a bus that somebody disturbs: who goes bus-off, which codes come, and why.

Codes are computed. That a technician would expect them is common practice: the module that disturbs stores
its own bus-off, the others miss it; a bus that nobody can use takes everybody's messages away.
"""

from collections.abc import Callable
from itertools import pairwise

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.explain import why_code, why_silent
from sim.modules.module import ControlModule
from sim.vehicle.car import Car
from sim.vehicle.reading import car_from_text

Stored = Callable[[Bench], dict[str, dict[str, int]]]

SWAP = "swap TCM.powertrain.H with TCM.powertrain.L"
SHORT = "short ECM.C1.4 to ECM.C1.5 0.05 ohm"
# who misses what comes over the powertrain bus, once it carries nothing
ALL_LOST = {
    "GATEWAY": ["U0100-87"],
    "ECM": ["U0101-87", "U0121-87", "U0140-87"],
    "TCM": ["U0100-87", "U0121-87"],
    "ABS": ["U0100-87", "U0146-87"],
    "BCM": ["U0100-87", "U0121-87"],
    "CLUSTER": ["U0100-87", "U0101-87", "U0121-87"],
}
TCM_LOST = {"ECM": ["U0101-87"], "CLUSTER": ["U0101-87"]}


@pytest.fixture(scope="module")
def old(teaching: Car) -> Car:
    """The teaching car with a transceiver that has no dominant time-out in its gearbox."""
    text = (scenarios_folder() / "vehicles" / "teaching-car.yaml").read_text(encoding="utf-8")
    assert "\n  TCM:\n" in text
    return car_from_text(text.replace("\n  TCM:\n", "\n  TCM:\n    dominant_timeout_ms: none\n"), "old.yaml")


@pytest.fixture(scope="module")
def running(teaching: Car) -> Callable[..., Bench]:
    """The teaching car with the ignition on for five seconds, then some actions."""

    def run(*actions: str, car: Car = teaching, fidelity: str = "frame") -> Bench:
        bench = Bench(car, fidelity=fidelity)  # type: ignore[arg-type]
        bench.do_all(["key run", "wait 5 s", *actions])
        return bench

    return run


def plain(stored: dict[str, dict[str, int]]) -> dict[str, list[str]]:
    return {module: list(codes) for module, codes in stored.items()}


def with_bus_off(codes: dict[str, list[str]], *modules: str) -> dict[str, list[str]]:
    """The codes with U0073-88 in some modules: the powertrain bus is the first of the file."""
    return {
        name: sorted([*found, *(["U0073-88"] if name in modules else [])]) for name, found in codes.items()
    }


# -- one module at another bit rate ------------------------------------------------------------------------


def test_a_module_at_a_wrong_bit_rate_goes_bus_off_alone(
    running: Callable[..., Bench], stored: Stored
) -> None:
    """It stores its own bus-off and misses everybody; the others miss it and nobody else."""
    bench = running("set TCM.powertrain to 250 kbit/s", "wait 5 s")
    assert with_bus_off({"TCM": ALL_LOST["TCM"], **TCM_LOST}, "TCM") == sorted_codes(plain(stored(bench)))
    assert ["powertrain"] == silent_on(bench.live.modules["TCM"])
    assert all(silent_on(module) == [] for name, module in bench.live.modules.items() if name != "TCM")
    assert ["set TCM.powertrain to 250 kbit/s"] == why_code(bench, "TCM", "U0073").to_edits().roots()
    assert ["set TCM.powertrain to 250 kbit/s"] == why_code(bench, "CLUSTER", "U0101").to_edits().roots()
    assert ["set TCM.powertrain to 250 kbit/s"] == why_silent(bench, "TCM").to_edits().roots()


def silent_on(module: ControlModule) -> list[str]:
    """The buses on which a module's controller is in bus-off."""
    return [bus for bus, controller in module.controllers.items() if controller.off]


def sorted_codes(codes: dict[str, list[str]]) -> dict[str, list[str]]:
    return {name: sorted(found) for name, found in codes.items()}


def test_a_right_module_in_its_place_ends_it(running: Callable[..., Bench]) -> None:
    """Repaired, everything heals: no code fails any more."""
    bench = running("set TCM.powertrain to 250 kbit/s", "wait 5 s", "replace TCM", "wait 5 s")
    failing = [
        entry.code
        for module in bench.live.modules.values()
        for entry in module.memory.dtcs
        if entry.status & 1
    ]
    assert [] == failing
    assert [] == [name for name, module in bench.live.modules.items() if silent_on(module)]


# -- babbling ----------------------------------------------------------------------------------------------


def test_a_babbling_module_takes_everybodys_messages(running: Callable[..., Bench], stored: Stored) -> None:
    """The bus is full of one identifier: nobody is bus-off, everybody misses everybody, the babbler too."""
    bench = running("babble TCM.powertrain", "wait 5 s")
    assert sorted_codes(ALL_LOST) == sorted_codes(plain(stored(bench)))
    network = bench.live.network
    before = network.frames_total  # type: ignore[union-attr]
    bench.do("wait 1 s")
    # 8 bytes of 0 under identifier 0: 127 bits with stuff bits and intermission; and some on the other buses
    assert 500_000 / 127 - 1 < network.frames_total - before < 500_000 / 127 + 150  # type: ignore[union-attr]
    assert {"error active"} == {
        network.state_of(f"{name}.powertrain") for name in ("GATEWAY", "ECM", "TCM", "ABS")
    }
    report = bench.do("scan").report
    assert report is not None
    assert {"ECM", "TCM", "ABS"} <= set(report.silent)
    for name in ("ECM", "TCM", "ABS"):
        assert ["babble TCM.powertrain"] == why_silent(bench, name).to_edits().roots()
    assert ["babble TCM.powertrain"] == why_code(bench, "ECM", "U0121").to_edits().roots()


def test_a_babbling_module_never_lets_its_bus_sleep(running: Callable[..., Bench]) -> None:
    """It has no reason to stop; whoever hears it stays awake, and the battery pays for it."""
    bench = running("babble TCM.powertrain", "key off", "wait 60 s")
    states = {name: module.state for name, module in bench.live.modules.items()}
    assert "running" == states["TCM"]
    assert "asleep" not in {states[name] for name in ("GATEWAY", "ECM", "ABS")}


def test_babbling_stops_with_the_connector(running: Callable[..., Bench]) -> None:
    """The technician's way to find it: connectors off one by one, until the others talk again."""
    bench = running("babble TCM.powertrain", "wait 5 s", "unplug TCM", "wait 5 s")
    failing = {
        (name, entry.code)
        for name, module in bench.live.modules.items()
        for entry in module.memory.dtcs
        if entry.status & 1 and name != "TCM"
    }
    assert {(name, code) for name, codes in TCM_LOST.items() for code in codes} == failing


# -- a transmit input that is stuck ------------------------------------------------------------------------


def test_a_dominant_time_out_saves_the_bus(running: Callable[..., Bench], stored: Stored) -> None:
    """Held for 2 ms, then free: the module cannot send, goes bus-off by its own bit errors, and hears all."""
    bench = running("stick TCM.powertrain", "wait 5 s")
    assert with_bus_off({"TCM": [], **TCM_LOST}, "TCM") == {
        name: [code for code in codes if name != "TCM" or "88" in code]
        for name, codes in sorted_codes(plain(stored(bench))).items()
    }
    held_v = bench.live.reading.between("TCM:powertrain.H", "TCM:powertrain.L")
    assert held_v is not None
    assert held_v < 0.05
    assert ["stick TCM.powertrain"] == why_silent(bench, "TCM").to_edits().roots()
    told = [event.text for event in bench.trace.events if event.kind == "bus"]
    assert "TCM's transceiver times out and releases powertrain" in told


def test_without_a_time_out_the_bus_is_held_for_ever(
    running: Callable[..., Bench], stored: Stored, old: Car
) -> None:
    """2 V between the lines without end: nobody can begin, so nobody counts to bus-off, and all is missed."""
    bench = running("stick TCM.powertrain", "wait 5 s", car=old)
    assert sorted_codes(ALL_LOST) == sorted_codes(plain(stored(bench)))
    held_v = bench.live.reading.between("ECM:powertrain.H", "ECM:powertrain.L")
    # by hand: 3.8 V / (1 + 49.4 / 60), one driver into 60 ohm; see tests/wiring/test_connectivity.py
    assert pytest.approx(2.08, abs=0.1) == held_v
    assert ["stick TCM.powertrain"] == why_silent(bench, "ECM").to_edits().roots()
    assert ["stick TCM.powertrain"] == why_code(bench, "ABS", "U0100").to_edits().roots()
    bench.do_all(["unplug TCM", "wait 3 s"])
    assert 0 == pytest.approx(bench.live.reading.between("ECM:powertrain.H", "ECM:powertrain.L"), abs=0.05)
    assert all(silent_on(module) == [] for module in bench.live.modules.values())


def test_a_held_bus_lets_go_while_its_module_sleeps(teaching: Car, old: Car) -> None:
    """A sleeping transceiver drives nothing (data sheets: bias inactive)."""
    bench = Bench(old, given=["stick TCM.powertrain"])
    bench.do("wait 20 s")
    assert "asleep" == bench.live.modules["TCM"].state
    assert frozenset() == bench.live.switch_state().dominant


def test_a_held_bus_costs_nothing(running: Callable[..., Bench], old: Car) -> None:
    """A line that is held is not looked at bit by bit: a day of it is some thousand SimPy events."""
    bench = running("stick TCM.powertrain", "wait 5 s", car=old)
    steps, until_s = 0, bench.now_s + 600
    while bench.live.env.peek() < until_s:
        bench.live.env.step()
        steps += 1
    assert steps < 30_000


# -- the wires ---------------------------------------------------------------------------------------------


def test_a_shorted_pair_takes_every_sender_off_the_bus(running: Callable[..., Bench], stored: Stored) -> None:
    """All read recessive for ever: each sender goes bus-off by its own bit errors and stores it.

    Not possible, bus-off: answers of transceiver engineers (TI forum thread 793483); SAE J1939-11, from
    memory.
    """
    bench = running(SHORT, "wait 5 s")
    everybody = ("GATEWAY", "ECM", "TCM", "ABS")
    assert with_bus_off(ALL_LOST, *everybody) == sorted_codes(plain(stored(bench)))
    assert [SHORT] == why_silent(bench, "ABS").to_edits().roots()


def test_swapped_wires_at_one_module_trouble_everybody(running: Callable[..., Bench], stored: Stored) -> None:
    """The swapped one stays off; its attempts take others off now and then, who come back."""
    bench = running(SWAP, "wait 8 s")
    codes = sorted_codes(plain(stored(bench)))
    assert codes["TCM"] == ["U0073-88", "U0100-87", "U0121-87"]
    assert "U0101-87" in codes["ECM"]
    assert any("U0073-88" in codes.get(name, ()) for name in ("GATEWAY", "ECM", "ABS"))
    for name, found in codes.items():
        for code in found:
            assert why_code(bench, name, code).to_edits().roots() == ["swap TCM.C1.4 with TCM.C1.5"], code


def test_the_body_bus_has_the_next_letter(running: Callable[..., Bench], stored: Stored) -> None:
    """U0074 for the second bus of the file, in each of its senders."""
    bench = running("short CLUSTER.body.H to CLUSTER.body.L", "wait 5 s")
    off = {name for name, codes in stored(bench).items() if "U0074-88" in codes}
    assert {"GATEWAY", "CLUSTER", "AIRBAG", "BCM"} <= off
    assert off.isdisjoint({"ECM", "TCM", "ABS"})


# -- what the vehicle file says ----------------------------------------------------------------------------


def test_monitors_rest_in_bus_off_if_the_file_says_so(teaching: Car, stored: Stored) -> None:
    """The gearbox then stores its bus-off and no lost message."""
    text = (scenarios_folder() / "vehicles" / "teaching-car.yaml").read_text(encoding="utf-8")
    text = text.replace("\n  TCM:\n", "\n  TCM:\n    bus_off: {monitors_rest: true}\n")
    bench = Bench(car_from_text(text, "resting.yaml"))
    bench.do_all(["key run", "wait 5 s", SHORT, "wait 5 s"])
    assert ["U0073-88"] == plain(stored(bench))["TCM"]
    assert ["U0073-88", "U0100-87", "U0146-87"] == sorted(plain(stored(bench))["ABS"])


def test_recovery_follows_the_file(teaching: Car) -> None:
    """Ten times after 0.1 s, then after 1 s each (an example configuration); one case, one event."""
    bench = Bench(teaching)
    times_s: list[float] = []
    bench.live.network.on_state(
        "ABS.powertrain", lambda state, time_s: times_s.append(time_s) if state == "bus-off" else None
    )
    bench.do_all(["key run", "wait 5 s", SHORT, "wait 6 s"])
    gaps_s = [round(b - a, 1) for a, b in pairwise(times_s)]
    assert [0.1] * 10 + [1.0] * (len(gaps_s) - 10) == gaps_s
    assert len(gaps_s) > 12
    told = [event for event in bench.trace.events if event.text == "ABS goes bus-off on powertrain"]
    assert 1 == len(told)


def test_a_bus_may_have_a_code_of_its_own(teaching: Car, stored: Stored) -> None:
    """A bus with its own `off_code` in the vehicle file sets that code."""
    text = (scenarios_folder() / "vehicles" / "teaching-car.yaml").read_text(encoding="utf-8")
    text = text.replace("powertrain: {bitrate_bps", "powertrain: {off_code: U0075, bitrate_bps")
    bench = Bench(car_from_text(text, "own-code.yaml"))
    bench.do_all(["key run", "wait 5 s", SHORT, "wait 3 s"])
    assert "U0075-88" in plain(stored(bench))["ABS"]


def test_a_module_that_loses_its_supply_before_it_was_well_is_not_told_to_be_back(teaching: Car) -> None:
    """Back on the bus counts after the healing time; the reset comes within it."""
    bench = Bench(teaching)
    bench.do_all(
        ["key run", "wait 5 s", SHORT, "wait 0.5 s", "remove short ECM.C1.4 to ECM.C1.5", "wait 0.15 s"]
    )
    told = [event.text for event in bench.trace.events if event.kind == "bus" and event.subject == "ABS"]
    assert ["ABS goes bus-off on powertrain"] == told
    bench.do_all(["unplug ABS", "wait 5 s"])
    assert told == [e.text for e in bench.trace.events if e.kind == "bus" and e.subject == "ABS"]
    assert "GATEWAY is back on powertrain" in [event.text for event in bench.trace.events]


# -- both depths -------------------------------------------------------------------------------------------

FAULTS = ["set TCM.powertrain to 250 kbit/s", "babble ABS.powertrain", "stick CLUSTER.body", SWAP, SHORT]


@pytest.mark.parametrize("fault", FAULTS)
def test_stream_depth_hands_over_and_tells_the_same(
    fault: str, running: Callable[..., Bench], stored: Stored
) -> None:
    """What it cannot answer it lets frame depth answer, from the beginning."""
    streams, frames = (running(fault, "wait 3 s", fidelity=fidelity) for fidelity in ("stream", "frame"))
    assert "frame" == streams.fidelity
    assert stored(frames) == stored(streams)
    assert [event.text for event in frames.trace.events] == [event.text for event in streams.trace.events]
