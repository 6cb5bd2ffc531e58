"""A car that is worked on for long: what is kept of it is folded up, and nothing is lost by that."""

import pytest

from sim.bench import battery
from sim.bench.bench import Bench
from sim.vehicle.car import Car

ROUND = ["key run", "wait 1 s", "brake on", "wait 1 s", "brake off", "key off", "wait 1 s"]


def test_what_was_taken_is_the_same_however_often_it_is_added_up(
    teaching: Car, monkeypatch: pytest.MonkeyPatch
) -> None:
    often, seldom = Bench(teaching), Bench(teaching)
    seldom.do_all(ROUND * 5)
    monkeypatch.setattr(battery, "KEPT_STRETCHES", 2)
    often.do_all(ROUND * 5)
    taken_ah = seldom.live.battery.taken_ah()
    assert sum(taken_ah.values()) > 0
    assert taken_ah == pytest.approx(often.live.battery.taken_ah(), rel=1e-9)
