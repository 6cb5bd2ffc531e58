"""Fuses open in simulated time, by their curve, and the trace says why."""

import re

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.explain import why_silent
from sim.vehicle.elements import FuseLink
from sim.vehicle.reading import read_car
from sim.wiring.fuse import LONGEST_S, SHORTEST_S, opening_s

TEACHING = read_car(scenarios_folder() / "vehicles" / "teaching-car.yaml")


def blown(bench: Bench) -> list[tuple[float, str]]:
    return [(event.time_s, event.subject) for event in bench.trace.events if event.kind == "fuse"]


def short_at(bench: Bench, multiple: float, fuse: str = "F9") -> str:
    """The short behind a fuse that draws so many times its rating."""
    part = TEACHING.elements[fuse]
    assert isinstance(part, FuseLink)
    ports = bench.live.reading.ports([(f"{fuse}.2", "BODY")])
    volt = ports.voltage_v[0]
    assert volt is not None
    # the fuse also carries what it feeds already; the diagnostic connector's is all but free
    ohm = volt / (multiple * part.rating_a) - float(ports.impedance_ohm[0, 0])
    return f"short {fuse}.2 to BODY {ohm:.6f} ohm"


@pytest.mark.parametrize("multiple", [1.35, 2.0, 3.5, 6.0])
def test_the_time_to_open_lies_in_the_band(multiple: float) -> None:
    """A fuse opens within the times of ISO 8820-3 for its overload."""
    # ISO 8820-3: longest times as a relay data sheet quotes them (read), shortest from memory
    bench = Bench(TEACHING)
    bench.do("wait 20 s")
    start_s = bench.now_s
    bench.do(short_at(bench, multiple))
    bench.do("wait 30 min")
    ((time_s, words),) = [(event.time_s, event.text) for event in bench.trace.events if event.kind == "fuse"]
    amps = re.fullmatch(r"fuse F9 blows: (\d+) A through 10 A", words)
    assert amps
    assert 10 * multiple == pytest.approx(int(amps[1]), abs=0.6)  # shown in whole amperes
    assert dict(SHORTEST_S)[multiple] <= time_s - start_s <= dict(LONGEST_S)[multiple]


def test_up_to_its_rating_a_fuse_never_opens() -> None:
    """A little above its rating a fuse holds for ten hours."""
    bench = Bench(TEACHING)
    bench.do("wait 20 s")
    bench.do(short_at(bench, 1.05))
    bench.do("wait 10 h")
    assert [] == blown(bench)


def test_a_short_blows_the_fuse_and_the_next_one() -> None:
    """A new fuse blows again until the short is removed."""
    bench = Bench(TEACHING)
    bench.do("short F1.2 to BODY 0.05 ohm")
    bench.do("wait 1 s")
    assert "F1" in bench.car.harness.blown
    bench.do("fit F1")
    bench.do("wait 1 s")
    assert ["F1", "F1"] == [subject for _, subject in blown(bench)]
    bench.do("remove short F1.2 to BODY")
    bench.do("fit F1")
    bench.do("wait 1 s")
    assert "F1" not in bench.car.harness.blown


def test_the_reason_is_the_short_behind_this_fuse() -> None:
    """The explanation names the short on this fuse's circuit and no other."""
    bench = Bench(TEACHING, ["short F2.2 to BODY 0.1 ohm"])
    bench.do("short F1.2 to BODY 0.05 ohm")
    bench.do("wait 1 s")
    because = why_silent(bench, "ECM")
    assert because.reaches_edit
    assert ["short F1.2 to BODY 0.05 ohm"] == because.to_edits().roots()
    assert [] == [line for line in because.lines() if "F2.2" in line]


def test_too_large_a_fuse_holds_what_the_right_one_would_not() -> None:
    """A 30 A fuse in a 10 A holder does not open at 20 A."""
    for given, expected in (([], ["F9"]), (["fit F9 30 A"], [])):
        bench = Bench(TEACHING, given)
        bench.do("wait 20 s")
        bench.do(short_at(bench, 2.0) if not given else "short F9.2 to BODY 0.55 ohm")
        bench.do("wait 1 min")
        assert expected == [subject for _, subject in blown(bench)]


def test_an_overload_taken_away_in_time_harms_nothing() -> None:
    """A fuse that has not opened yet cools down and holds."""
    bench = Bench(TEACHING)
    bench.do("wait 20 s")
    short = short_at(bench, 2.0)
    bench.do(short)
    bench.do("wait 300 ms")
    bench.do("remove short F9.2 to BODY")
    bench.do("wait 10 min")
    assert [] == blown(bench)


def test_what_a_fuse_has_borne_counts_when_the_overload_grows() -> None:
    """The shares of its two opening times add up to one."""
    bench = Bench(TEACHING)
    bench.do("wait 20 s")
    begun_s, more = bench.now_s, short_at(bench, 1.0).replace("BODY", "G1")
    bench.do_all([short_at(bench, 2.0), "wait 350 ms"])
    changed_s, first_a = bench.now_s, bench.live.reading.fuse_currents()["F9"]
    bench.do(more)
    second_a = bench.live.reading.fuse_currents()["F9"]
    bench.do("wait 1 s")
    ((opened_s, _),) = blown(bench)
    first_s, second_s = opening_s(first_a, 10.0), opening_s(second_a, 10.0)
    assert first_s is not None
    assert second_s is not None
    shares = ((changed_s - begun_s) / first_s, (opened_s - changed_s) / second_s)
    assert 0.4 < shares[0] < 0.6
    assert 1.0 == pytest.approx(sum(shares), abs=1e-6)


@pytest.mark.parametrize("car", ["teaching-car", "shuttle-minibus", "six-modules"])
def test_no_fuse_of_a_healthy_car_opens(car: str) -> None:
    """Starting a healthy car blows no fuse."""
    bench = Bench(read_car(scenarios_folder() / "vehicles" / f"{car}.yaml"))
    works = {"teaching-car": ["key run", "key crank"], "shuttle-minibus": ["press start with brake"]}
    bench.do_all([*works.get(car, ["press start"]), "wait 10 s"])
    assert [] == blown(bench)


def test_a_blowing_fuse_replays_the_same() -> None:
    """Two replays of a day with a blowing fuse have the same trace."""
    log = ["short F1.2 to BODY 0.05 ohm", "wait 1 s", "fit F1", "wait 1 s"]
    one, two = Bench.replay(TEACHING, (), 0, log), Bench.replay(TEACHING, (), 0, log)
    assert list(one.trace.lines()) == list(two.trace.lines())


def test_a_tester_that_a_corroded_terminal_starves_is_led_back_to_the_terminal() -> None:
    """40 ohm at pin 16 leave the tester less than it needs, and the explanation ends at that terminal."""
    bench = Bench(TEACHING, ["corrode DLC.16 40 ohm"])
    report = bench.do("scan").report
    assert report is not None
    assert not report.power
    because = why_silent(bench, "ECM")
    assert ["given: corrode DLC.16 40 ohm"] == because.roots()
