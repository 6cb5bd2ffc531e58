"""A bench that travels to another process is the same bench there."""

import pytest

from sim.bench.bench import Bench
from sim.bench.carried import packed, unpacked
from sim.bench.snapshot import NotNow
from sim.catalogue import find_car, shipped_cars
from sim.vehicle.problems import EditProblem


def driven(car: str) -> Bench:
    """A bench with some actions behind it."""
    bench = Bench(find_car(car))
    for text in ("wait 20 s", "press start", "key run", "wait 2 s", "scan"):
        try:
            bench.do(text)
        except EditProblem:  # a car has a start button or a key
            continue
    return bench


@pytest.mark.parametrize("car", shipped_cars())
def test_what_is_done_to_a_carried_bench_comes_out_alike(car: str) -> None:
    """After the same actions both have the same trace and report, and neither has touched the other."""
    here = driven(car)
    there = unpacked(packed(here))
    before = len(here.trace)
    there.do("wait 2 s")
    there.do("scan")
    assert before == len(here.trace)
    here.do("wait 2 s")
    here.do("scan")
    assert here.saved() == there.saved()
    assert str(here.last_report) == str(there.last_report)
    assert [repr(event) for event in here.trace.events] == [repr(event) for event in there.trace.events]


def test_what_cannot_travel_says_so() -> None:
    """Something that another process would not know is no silent copy."""
    for one in ((value for value in ()), object()):
        with pytest.raises(NotNow):
            packed(one)
