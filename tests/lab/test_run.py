"""Runs and their accounts."""

from functools import partial
from typing import Any

import pytest

from sim.bench.bench import Bench, BenchWithoutReasons
from sim.catalogue import vehicle_text
from sim.lab.run import Trial, run_trial, sentences
from sim.lab.sight import Account
from sim.vehicle.problems import Problem
from sim.vehicle.reading import car_from_text

START = ("wait 1 s", "press start", "wait 6 s", "scan")  # modules need a moment after the battery


def test_an_account_tells_what_could_be_seen_after_each_action(six: str) -> None:
    """Each action has a sight with seat, scan and codes."""
    _, press, waited, scan = run_trial(Trial(six, ("pull F2",), START)).sights
    assert list(START[1:]) == [press.action, waited.action, scan.action]
    assert ("run", "stopped", "") == (waited.ignition, waited.engine, waited.refused)
    assert (None, ()) == (waited.power, waited.silent)
    assert (True, ("TCM",)) == (scan.power, scan.silent)
    assert ("ECM", "ABS", "CLUSTER", "AIRBAG", "BCM") == scan.answering
    assert [("CLUSTER", "U0101-87", "present"), ("ECM", "U0101-87", "present")] == sorted(scan.codes)


def test_an_action_that_cannot_be_done_is_told_and_the_run_goes_on(six: str) -> None:
    """An impossible action leaves its reason in its sight, and the next one is done."""
    sights = run_trial(
        Trial(six, ("unplug TCM.C1",), ("unplug TCM.C1", "key run", "wait 1 s", "press start"))
    ).sights
    assert ["TCM.C1 is unplugged already", "this car has no ignition key", "", ""] == [
        one.refused for one in sights
    ]
    assert "run" == sights[-1].ignition


def test_a_car_that_cannot_be_is_told(six: str) -> None:
    """Contradicting edits give an account without sights, and the reason."""
    account = run_trial(Trial(six, ("pull F2", "pull F2"), START))
    assert Account((), "F2 is out already") == account


def test_a_measurement_gives_its_number(six: str) -> None:
    """A measurement's sight has the reading and the display."""
    actions = ("measure volts F2.1 to BAT-", "measure volts ECM.C1.1 to ECM.GND")
    feed, pin = run_trial(Trial(six, ("pull F1",), actions)).sights
    assert 12.6 == pytest.approx(feed.reading or 0.0, abs=0.3)
    assert feed.display.endswith(" V")
    assert abs(pin.reading or 0.0) < 0.2


def test_an_account_survives_being_written_down(six: str) -> None:
    """An account that is written as JSON and read again is equal."""
    account = run_trial(Trial(six, ("pull F3",), (*START, "clear", "measure volts F2.1 to BAT-")))
    assert account == Account.from_json(account.as_json())


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"sights": [{"color": 1}], "impossible": ""}', "null"])
def test_another_text_is_no_account(text: str) -> None:
    """Any other text raises `ValueError`."""
    with pytest.raises(ValueError, match="this is no account of a run"):
        Account.from_json(text)


def test_the_engine_is_seen_to_turn_and_to_fire() -> None:
    """A sight says whether the starter turned and the engine fired during its action."""
    text = vehicle_text("shuttle-minibus")
    press, later = run_trial(Trial(text, (), ("press start with brake", "wait 5 s"))).sights
    assert (True, "running") == (press.cranked, later.engine)
    assert press.started or later.started
    press, later = run_trial(Trial(text, ("pull F11",), ("press start with brake", "wait 5 s"))).sights
    assert (True, False) == (press.cranked, press.started or later.started)


def test_sentences_are_brought_to_normal_form_once_each_with_leads_last() -> None:
    """Edits are normalized, listed once, and bypass leads come last."""
    car = car_from_text(vehicle_text("shuttle-minibus"))
    found = sentences(["bypass GATEWAY diag to body", "unplug GATEWAY", "unplug GATEWAY.C1", "PULL F11"], car)
    assert ("unplug GATEWAY.C1", "pull F11", "bypass GATEWAY diag to body") == found


def test_a_car_that_does_not_come_with_busbay_is_refused() -> None:
    """An unknown car raises an error with the nearest right name."""
    with pytest.raises(Problem, match="no car 'six-module'; did you mean 'six-modules'"):
        vehicle_text("six-module")


def test_a_meter_on_a_data_line_sees_the_frames() -> None:
    """At rest the line is at 2.5 V; the mean of one on which frames run lies above (ISO 11898-2)."""
    bus = vehicle_text("shuttle-minibus")
    actions = ("wait 1 s", "press start with brake", "wait 3 s", "measure volts ECM.powertrain.H to ECM.GND")
    assert 2.55 < (run_trial(Trial(bus, (), actions)).sights[-1].reading or 0.0) < 3.5


@pytest.mark.parametrize("given", [(), ("pull F2",), ("unplug BCM.C1",), ("open ECM.main.H",)])
def test_both_fidelities_show_the_same(six: str, given: tuple[str, ...]) -> None:
    """Frame fidelity and stream fidelity show the same."""
    actions = (*START, "clear", "wait 3 s", "press start", "wait 10 s", "scan")
    frame, stream = (run_trial(Trial(six, given, actions, 0, fidelity)) for fidelity in ("frame", "stream"))
    for one, other in zip(frame.sights, stream.sights, strict=True):
        assert (one.seat(), one.found()) == (other.seat(), other.found())


def test_without_reasons_the_same_is_seen_and_the_same_happens() -> None:
    """A bench that keeps no reasons shows the same and has the same events."""
    minibus = vehicle_text("shuttle-minibus")
    actions = ("press start with brake", "wait 4 s", "scan", "unplug X2", "press start", "wait 3 s", "scan")
    for given in ((), ("unplug GATEWAY",), ("pull F20", "open ABS.C1.1"), ("short BAT+ to G1 0.5 ohm",)):
        trial = Trial(minibus, given, actions)
        benches: list[Bench] = []

        def kept(*parts: Any, make: type[Bench], benches: list[Bench] = benches) -> Bench:
            benches.append(make(*parts))
            return benches[-1]

        plain = run_trial(trial, partial(kept, make=BenchWithoutReasons))
        assert run_trial(trial, partial(kept, make=Bench)) == plain
        assert plain.sights
        told = [[(e.time_s, e.kind, e.subject, e.text) for e in bench.trace.events] for bench in benches]
        assert told[1] == told[0]
