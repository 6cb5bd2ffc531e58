"""A car that is worked on for long: no more is kept of it than is needed, and nothing is lost by that."""

import gc

import pytest

from sim.bench.bench import Bench
from sim.vehicle.car import Car
from sim.wiring import solver, wiring
from sim.wiring.recent import Recent
from sim.wiring.solution import Solution
from sim.wiring.wiring import Reading, Wiring

ROUND = ["key run", "wait 1 s", "brake on", "wait 1 s", "brake off", "key off", "wait 1 s"]


def test_what_was_taken_is_the_same_however_often_it_is_asked_for(teaching: Car) -> None:
    """Asking for the charge taken does not change it."""
    often, seldom = Bench(teaching), Bench(teaching)
    seldom.do_all(ROUND * 5)
    for action in ROUND * 5:
        often.do(action)
        often.live.battery.taken_ah()
    taken_ah = seldom.live.battery.taken_ah()
    assert sum(taken_ah.values()) > 0
    assert taken_ah == pytest.approx(often.live.battery.taken_ah(), rel=1e-9)


def kept(kind: type) -> int:
    """How many objects of a kind there are in this process."""
    gc.collect()
    return sum(type(one) is kind for one in gc.get_objects())


def test_no_more_states_of_the_network_are_kept_the_longer_the_work(
    teaching: Car, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each charge of the battery is another state, and each edit makes another network."""
    most = 4
    monkeypatch.setattr(solver, "SOLUTIONS", Recent(most))
    monkeypatch.setattr(wiring, "KEPT_READINGS", most)
    before = {kind: kept(kind) for kind in (Solution, Reading, Wiring)}
    bench = Bench(teaching, fidelity="stream")
    bench.do_all(["unplug ABS.C1", "plug ABS.C1"] * 2)
    bench.do_all(["key run", "wait 3600 s", "brake on"])
    assert bench.live.battery.shown_pct < bench.car.built.battery.charge_pct - 2 * most
    added = {kind: kept(kind) - count for kind, count in before.items()}
    assert added[Wiring] == 1
    assert added[Reading] <= most + 2  # the one that holds now, and the one before it
    assert added[Solution] <= 2 * most + 2
