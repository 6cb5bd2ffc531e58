"""The power-mode master: the first rule that is true acts, and what is not known is not true."""

from collections.abc import Callable

import pytest

from sim.bench.bench import Bench
from sim.bench.explain import why_mode

Make = Callable[..., Bench]
Tell = Callable[..., list[tuple[float, str]]]

# the master leaves run only when it has heard what the engine does; a timer ends accessory
HOLDS = """
car: Holds
buses: {main: {line: [ECM terminated, DLC, BCM terminated]}}
fuses:
  F1: {rating_a: 10, feeds: ECM}
  F2: {rating_a: 10, feeds: BCM}
  F4: {rating_a: 5, feeds: [button, brake]}
  F5: {rating_a: 5, feeds: DLC}
switches:
  button: {operated_by: button, to: BCM.button}
  brake: {operated_by: brake, to: BCM.brake}
modules:
  ECM: {signals: {engine_state: {value: stopped}}, hears: [BCM], hears_when: {mode: run}}
  BCM:
    fob_receiver: true
    inputs: {button: {}, brake: {}}
    signals: {power_mode: {fact: power_mode}}
power_modes:
  master: BCM
  rules:
    - {from: off, if: {all: [{input: brake}, {fob: in_range}]}, to: run}
    - {from: off, if: {fob: [in_range, at_button]}, to: accessory}
    - {from: accessory, on: release, if: {input: brake}, to: run}
    - {from: accessory, on: change, after_s: 20, to: off}
    - {from: run, if: {signal: engine_state, is: stopped}, to: off}
"""


@pytest.fixture
def holds(tiny: Make) -> Bench:
    bench = tiny(text=HOLDS)
    bench.do("wait 1 s")
    return bench


def mode(bench: Bench) -> str | None:
    return bench.live.modules["BCM"].knowledge.known_mode()


def test_the_first_true_rule_acts(holds: Bench) -> None:
    """Both rules out of off are true with the brake held; the first in the file is taken."""
    holds.do("press start with brake")
    assert "run" == mode(holds)
    other = holds.rewind(1)
    other.do("press start")
    assert "accessory" == mode(other)
    for bench in (holds, other):
        assert [] == [event.text for event in bench.trace.events if event.kind == "held"], (
            "no refusal is told"
        )


def test_a_rule_for_letting_go(holds: Bench, told: Tell) -> None:
    """`on: release` acts when the button comes up, not when it goes down."""
    holds.do_all(["press start", "brake on"])
    before_s = holds.now_s
    holds.do("press start")
    pressed_s, released_s = round(before_s, 6), round(before_s + 0.35, 6)
    assert [
        (pressed_s, "the start button is pressed"),
        (pressed_s, "the button changes nothing, power mode stays accessory"),
        (released_s, "the start button is released"),
        (released_s, "power mode goes from accessory to run"),
    ] == told(holds, "action", "mode", "held", since_s=before_s)


def test_a_rule_after_a_time(holds: Bench, told: Tell) -> None:
    """Twenty seconds after accessory began, not after anything later."""
    holds.do("press start")
    began_s = holds.now_s - 0.7
    holds.do_all(["wait 15 s", "fob away", "wait 10 s"])
    assert [
        (round(began_s, 6), "power mode goes from off to accessory"),
        (round(began_s + 20, 6), "power mode goes from accessory to off"),
    ] == told(holds, "mode")


def test_a_rule_after_a_time_in_off(tiny: Make, told: Tell) -> None:
    """Off begins as any other mode does: with the car, and when the master loses its supply."""
    rule = "  rules:\n    - {from: off, on: change, after_s: 5, if: {input: brake}, to: accessory}"
    bench = tiny(("  rules:", rule), text=HOLDS)
    bench.do_all(["brake on", "wait 10 s"])
    lost_s = bench.now_s
    bench.do_all(["pull F2", "wait 1 s", "fit F2", "wait 10 s"])
    assert [
        (5.0, "power mode goes from off to accessory"),
        (round(lost_s + 5, 6), "power mode goes from off to accessory"),
    ] == told(bench, "mode")


def test_a_mode_that_was_left_and_entered_again_lasts_its_whole_time(holds: Bench, told: Tell) -> None:
    """What is left of the first time in accessory does not shorten the second."""
    holds.do_all(
        ["press start", "wait 15 s", "brake on", "press start", "wait 1 s", "press start", "brake off"]
    )
    holds.do("press start")
    *_, (began_s, words) = told(holds, "mode")
    assert "power mode goes from off to accessory" == words
    holds.do("wait 30 s")
    assert (round(began_s + 20, 6), "power mode goes from accessory to off") == told(holds, "mode")[-1]


def test_what_is_not_known_holds_the_mode(holds: Bench, told: Tell) -> None:
    """The engine module gone: its state is neither stopped nor not stopped, and the mode stays."""
    holds.do_all(
        ["press start with brake", "wait 1 s", "unplug ECM", "wait 2 s", "press start", "press start"]
    )
    assert "run" == mode(holds)
    why = why_mode(holds)
    (way,) = why.causes[1:]
    assert "it cannot go to off at a press of the button" == way.text
    assert "BCM needs: engine_state is stopped; BCM does not receive ECM.status" == way.causes[0].text
    assert ["unplug ECM.C1"] == why.to_edits().roots()
    holds.do_all(["plug ECM", "wait 1 s", "press start"])
    assert "off" == mode(holds)


def test_a_fresh_silence_still_has_its_last_value(holds: Bench) -> None:
    """A message counts as missing after ten periods; until then its last value holds."""
    holds.do_all(["press start with brake", "wait 1 s", "unplug ECM", "press start"])
    assert "off" == mode(holds)


def test_a_press_that_does_nothing_says_what_it_needs(holds: Bench, told: Tell) -> None:
    """A press without effect names the unmet condition and its cause."""
    holds.do_all(["fob away", "press start"])
    assert "off" == mode(holds)
    (event,) = [event for event in holds.trace.events if event.kind == "held"]
    assert "the button changes nothing, power mode stays off: needs fob in range or at button" == event.text
    assert "the fob is away" in [holds.trace[cause].text for cause in event.causes]
    # the rule for run wants the fob in range, the one for accessory is content with its emergency place
    holds.do_all(["fob at button", "press start with brake"])
    assert ["power mode goes from off to accessory", "power mode goes from accessory to run"] == [
        text for _, text in told(holds, "mode")
    ]


def test_the_mode_ends_with_the_supply_of_its_master(holds: Bench, told: Tell) -> None:
    """A master that loses its supply comes up in off."""
    holds.do_all(["press start with brake", "wait 1 s", "pull F2", "wait 1 s", "fit F2", "wait 1 s"])
    assert "off" == mode(holds)
    assert ["power mode goes from off to run"] == [text for _, text in told(holds, "mode")]


def test_a_change_of_mode_is_because_of_the_one_before(holds: Bench) -> None:
    """A mode that ends by itself has its beginning among its causes."""
    holds.do_all(["press start", "wait 25 s"])
    entered, left = (event for event in holds.trace.events if event.kind == "mode")
    assert "power mode goes from accessory to off" == left.text
    assert entered.id in left.causes


def test_the_bus_carries_the_mode(holds: Bench, told: Tell) -> None:
    """Others know the mode from its message, and not without it."""
    holds.do_all(["press start with brake", "wait 0.2 s"])
    assert ("run", "run") == (mode(holds), holds.live.modules["ECM"].knowledge.known_mode())
    holds.do_all(["open BCM.main.H", "wait 5 s"])
    assert ("run", None) == (mode(holds), holds.live.modules["ECM"].knowledge.known_mode())
    assert [] == told(holds, "code")  # whether it should test, it cannot know
