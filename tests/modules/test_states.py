"""How a module starts, wakes, waits, sleeps and loses its supply; times to the microsecond."""

from collections.abc import Callable

import pytest

from sim.bench.bench import Bench
from sim.network.frames import Frame, frame_bits

Make = Callable[..., Bench]
Tell = Callable[..., list[tuple[float, str]]]


def states(bench: Bench) -> dict[str, str]:
    return {name: module.state for name, module in bench.live.modules.items()}


def test_a_module_with_nothing_to_do(tiny: Make, told: Tell) -> None:
    """200 ms to boot, 2 s of sending, then 5 s of a quiet bus: the defaults of a vehicle file."""
    bench = tiny()
    bench.do("wait 10 s")
    assert [
        (0.0, "ECM has its supply (12.6 V) and starts"),
        (0.2, "ECM is online"),
        (2.2, "ECM has no reason to stay awake and stops sending"),
        (7.2, "ECM falls asleep"),
    ] == [(time_s, text) for time_s, text in told(bench, "state") if text.startswith("ECM")]


def test_times_are_those_of_the_file(tiny: Make, told: Tell) -> None:
    """A module boots, rests and sleeps after the times that the file gives."""
    bench = tiny(("ECM: {hears", "ECM: {boot_ms: 50, stay_awake_ms: 300, sleep_after_ms: 7000, hears"))
    bench.do("wait 10 s")
    assert [
        (0.0, "ECM has its supply (12.6 V) and starts"),
        (0.05, "ECM is online"),
        (0.35, "ECM has no reason to stay awake and stops sending"),
        (9.2, "ECM falls asleep"),  # the others stop sending at 2.2 s
    ] == [(time_s, text) for time_s, text in told(bench, "state") if text.startswith("ECM")]


def test_ignition_wakes_by_line_and_then_by_bus(tiny: Make, told: Tell) -> None:
    """K1 pulls in after 10 ms; the module without a sense line wakes when the others send."""
    bench = tiny()
    bench.do("wait 8.95 s")
    bench.do_all(["switch key on", "wait 1 s"])
    assert [
        (9.0, "key is switched on"),
        (9.01, "relay K1 pulls in"),
        (9.01, "ECM sees line IGN go on"),
        (9.01, "CLUSTER sees line IGN go on"),
        (9.01, "ECM is woken by line IGN"),
        (9.01, "CLUSTER is woken by line IGN"),
        (9.21, "ECM is online"),
        (9.21, "CLUSTER is online"),
        (9.21, "BCM is woken by the bus"),
        (9.41, "BCM is online"),
    ] == told(bench, "action", "relay", "input", "state", since_s=9.0)


def test_who_may_wake_by_what(tiny: Make) -> None:
    """`wake` is the whole list: what is not in it, bus or sense line, does not wake."""
    bench = tiny(
        ("ECM: {hears", "ECM: {wake: [bus], hears"), ("BCM: {inputs", "BCM: {wake: [button], inputs")
    )
    bench.do_all(["wait 9 s", "switch key on", "wait 0.1 s"])
    assert {"ECM": "asleep", "BCM": "asleep", "CLUSTER": "starting"} == states(bench)
    bench.do("wait 1 s")
    assert {"ECM": "running", "BCM": "asleep", "CLUSTER": "running"} == states(bench)
    bench.do_all(["press start", "wait 1 s"])
    assert {"ECM": "running", "BCM": "running", "CLUSTER": "running"} == states(bench)


def test_the_press_that_wakes_counts(tiny: Make, told: Tell) -> None:
    """Pressed while the master slept, the button acts as soon as the master is online, once."""
    bench = tiny()
    bench.do_all(["wait 9 s", "press start", "wait 1 s"])
    assert [
        (9.05, "the start button is pressed"),
        (9.05, "BCM sees input button go on"),
        (9.25, "power mode goes from off to run"),
        (9.4, "the start button is released"),
        (9.4, "BCM sees input button go off"),
    ] == told(bench, "action", "input", "mode", since_s=9.0)


def test_a_fob_that_comes_near_wakes_who_listens_for_it(tiny: Make, told: Tell) -> None:
    """`wake: [fob]` with a fob receiver; one that goes away wakes no module."""
    bench = tiny(("BCM: {inputs", "BCM: {wake: [fob], fob_receiver: true, inputs"))
    bench.do_all(["wait 9 s", "fob away", "wait 1 s"])
    assert "asleep" == states(bench)["BCM"]
    bench.do("fob in range")
    assert [(10.1, "BCM is woken by the fob")] == told(bench, "state", since_s=9.0)


def test_waiting_for_a_message(tiny: Make, told: Tell) -> None:
    """A module that waits for another hears and acknowledges, but sends and answers nothing until then."""
    bench = tiny(("ECM: {hears", "ECM: {waits_for: BCM, hears"), given=["unplug BCM"])
    bench.do_all(["switch key on", "wait 5 s"])
    ecm = bench.live.modules["ECM"]
    assert ("starting", ("BCM",), True, False, False) == (
        ecm.state, ecm.waiting_for, ecm.hears, ecm.sends, ecm.answers
    )  # fmt: skip
    assert ["U0100-87"] == [code.code for code in bench.live.modules["CLUSTER"].memory.dtcs if code.stored][
        :1
    ]
    assert ("ECM", "BCM") == bench.do("scan").report.silent  # type: ignore[union-attr]
    plugged_s = bench.now_s
    bench.do_all(["plug BCM", "wait 1 s"])
    # BCM boots; its first message comes 3.7 ms after that, by the file's order, with one signal, `off`
    message = Frame(bench.car.messages.sent["BCM.status"].can_id, bytes(8))
    heard_s = plugged_s + 0.2 + 0.0037 + frame_bits(message) / 500_000
    assert [
        (round(plugged_s, 6), "BCM has its supply (12.6 V) and starts"),
        (round(plugged_s + 0.2, 6), "BCM is online"),
        (round(heard_s, 6), "ECM is online"),
    ] == told(bench, "state", since_s=plugged_s)
    assert () == ecm.waiting_for


def test_two_that_wait_for_each_other_wait_for_ever(tiny: Make) -> None:
    """A theory can contradict a working car; the wait says why."""
    bench = tiny(given=["theory ECM waits for BCM", "theory BCM waits for ECM"])
    bench.do_all(["switch key on", "wait 1 h"])
    assert {"ECM": "starting", "BCM": "starting", "CLUSTER": "running"} == states(bench)


def test_supply_lost_and_found(tiny: Make, told: Tell) -> None:
    """Everything volatile goes with the supply: mode, outputs, what was heard; codes stay."""
    bench = tiny()
    bench.do_all(["switch key on", "press start", "unplug ECM", "wait 5 s"])
    assert ("run", ["U0100-87"]) == (bench.live.modules["BCM"].knowledge.known_mode(), stored(bench, "BCM"))
    cut_s = bench.now_s
    bench.do_all(["pull F2", "wait 1 s"])
    assert ("unpowered", "off") == (states(bench)["BCM"], bench.live.modules["BCM"].knowledge.known_mode())
    bench.do_all(["fit F2", "wait 1 s"])
    assert [
        (round(cut_s, 6), "BCM loses its supply (0.0 V)"),
        (round(cut_s + 1.05, 6), "BCM has its supply (12.6 V) and starts"),
        (round(cut_s + 1.25, 6), "BCM is online"),
    ] == told(bench, "state", since_s=cut_s)
    assert ("running", "off", ["U0100-87"]) == (
        states(bench)["BCM"], bench.live.modules["BCM"].knowledge.known_mode(), stored(bench, "BCM")
    )  # fmt: skip


def stored(bench: Bench, module: str) -> list[str]:
    return [entry.code for entry in bench.live.modules[module].memory.dtcs if entry.stored]


def test_battery_disconnected_resets_the_mode(tiny: Make) -> None:
    """Without battery all modules are unpowered, and the mode is off afterwards."""
    bench = tiny()
    bench.do_all(["wait 1 s", "press start"])
    assert "run" == bench.live.modules["BCM"].knowledge.known_mode()
    bench.do("disconnect battery")
    assert {"unpowered"} == set(states(bench).values())
    bench.do_all(["wait 10 s", "reconnect battery", "wait 1 s"])
    assert ({"running"}, "off") == (
        set(states(bench).values()),
        bench.live.modules["BCM"].knowledge.known_mode(),
    )


def test_a_supply_that_cannot_carry_the_module(tiny: Make, told: Tell) -> None:
    """Through 200 ohm it has 12 V while it sleeps; its first run current would take them away again."""
    bench = tiny(given=["corrode ECM.B+ 200 ohm"])
    bench.do("wait 10 s")
    assert [] == [text for _, text in told(bench, "state") if text.startswith("ECM")]
    assert bench.live.modules["ECM"].state == "unpowered"
    assert 12.0 < bench.live.reading.supply_v("ECM") < 12.6
    bench.do_all(["repair ECM.B+", "wait 1 s"])
    assert "running" == states(bench)["ECM"]


CRANKED = """
car: Cranked
battery: {capacity_ah: 60}
buses: {main: {line: [ECM terminated, DLC, BCM terminated]}}
fuses:
  F1: {rating_a: 10, feeds: ECM}
  F2: {rating_a: 10, feeds: BCM}
  F4: {rating_a: 5, feeds: [key, crank]}
  F5: {rating_a: 5, feeds: DLC}
  F6: {rating_a: 15, from: K1, feeds: [coil1, inj1, ECM.IGN]}
relays:
  K1: {coil: key}
  K3: {coil: ECM.start_relay, feeds: starter}
switches:
  key: {operated_by: key_run, to: BCM.key_run}
  crank: {operated_by: key_crank, to: BCM.key_crank}
loads:
  starter: {kind: starter, ohm: 0.055, to: G1}
  coil1: {kind: coil, ohm: 0.6, to: ECM.coil1}
  inj1: {kind: injector, ohm: 12, to: ECM.inj1}
modules:
  ECM: {outputs: {start_relay: {when: {mode: crank}}}, signals: {engine_state: {fact: engine_state}}}
  BCM:
    min_supply_v: 3.5
    inputs: {key_run: {}, key_crank: {}}
    signals: {power_mode: {fact: power_mode}}
power_modes:
  master: BCM
  rules:
    - {from: [off, run], on: change, if: {all: [{input: key_run}, {input: key_crank}]}, to: crank}
    - {from: crank, on: change, if: {not: {input: key_crank}}, to: run}
    - {from: off, on: change, if: {input: key_run}, to: run}
    - {from: [run, crank], on: change, if: {not: {input: key_run}}, to: off}
engine: {controller: ECM, starter: starter, coils: [coil1], injectors: [inj1], cylinders_needed: 1}
"""


def test_cranking_with_a_good_battery(tiny: Make, told: Tell) -> None:
    """The starter takes its current, the supply stays above the brown-out, the engine fires after 0.8 s."""
    bench = tiny(text=CRANKED)
    bench.do_all(["key run", "wait 1 s"])
    begin_s = bench.now_s
    bench.do_all(["key crank", "wait 1 s"])
    crank = [text for _, text in told(bench, "mode", "relay", "engine", "state", since_s=begin_s)]
    assert [
        "power mode goes from run to crank",
        "relay K3 pulls in",
        "the starter cranks the engine",
        "the engine starts",
        "power mode goes from crank to run",
        "relay K3 drops out",
    ] == crank
    turns, fires = (time_s for time_s, _ in told(bench, "engine"))
    assert 0.8 == pytest.approx(fires - turns, abs=1e-6)


def test_cranking_with_a_weak_battery(tiny: Make, told: Tell) -> None:
    """At 10 % charge the starter pulls the supply under 6 V: the engine module drops out, the relay chatters.

    It comes back with the voltage, boots, hears that the mode is still crank, and tries again: the clicking
    that a driver knows.
    """
    bench = tiny(text=CRANKED, given=["charge 10 %"])
    bench.do_all(["key run", "wait 1 s"])
    begin_s = bench.now_s
    bench.do("key crank")
    story = [text.partition(" (")[0] for _, text in told(bench, "relay", "engine", "state", since_s=begin_s)]
    once = [
        "relay K3 pulls in",
        "ECM loses its supply",
        "relay K3 drops out",
        "ECM has its supply",
        "ECM is online",
    ]
    assert once * 3 == story[:15]
    assert "the engine starts" not in story
    assert "running" == states(bench)["BCM"]
    clicks = [time_s for time_s, text in told(bench, "relay", since_s=begin_s) if "pulls in" in text]
    assert 7 <= len(clicks) <= 10
    bench.do_all(["charge 95 %", "key crank"])
    assert "running" == bench.live.world.engine.value
