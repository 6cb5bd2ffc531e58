"""A bench that is cast from a mould is one that was never anything else, and nobody's but its own."""

import os
import threading
from collections.abc import Generator

import pytest

from sim.bench.bench import Bench, BenchWithoutReasons
from sim.bench.snapshot import Begun, BenchSnapshot, NotNow
from sim.catalogue import shipped_exercises
from sim.training.exercise import find_exercise
from sim.vehicle.car import Car
from sim.vehicle.problems import EditProblem

DAY = [
    "key run", "press start with brake", "wait 3 s", "unplug ABS.C1", "wait 1 s", "scan", "clear", "pull F2",
    "press start", "key off", "wait 2 s",
]  # fmt: skip
CARS = ["39", "16", "01"]  # with LIN, with all of CAN, and one that is asleep


def lived(bench: Bench) -> list[str]:
    """The whole trace after a day on which something happens to everything."""
    for action in DAY:
        try:
            bench.do(action)
        except EditProblem as problem:
            bench.trace.record(bench.now_s, "problem", "person", str(problem))
    return list(bench.trace.lines())


@pytest.mark.parametrize("number", sorted(shipped_exercises()) if os.environ.get("BUSBAY_MOULDS") else CARS)
def test_a_cast_bench_lives_the_same_day_to_the_byte(number: str) -> None:
    exercise = find_exercise(number)
    first, cast = exercise.bench(reasons=False), exercise.bench(reasons=False)
    assert cast is not first
    expected = lived(exercise._driven_in(BenchWithoutReasons))
    assert len(expected) > 100
    assert expected == lived(cast)
    assert expected == lived(first)


def test_a_bus_that_is_run_bit_by_bit_can_be_cast_once_it_has_come_to_rest() -> None:
    storm = find_exercise("10")
    assert storm.bench(reasons=False) is not storm.bench(reasons=False)
    assert storm._for_a_class._mould is not None


@pytest.mark.parametrize("fidelity", ["frame", "stream"])
def test_a_bench_with_reasons_can_be_cast_at_any_moment(teaching: Car, fidelity: str) -> None:
    log = ["key run", "wait 3 s", "scan", "unplug TCM.C1", "measure ohms DLC.6 to DLC.14"]
    bench = Bench(teaching, fidelity="frame" if fidelity == "frame" else "stream")
    for place, action in enumerate(log, start=1):
        bench.do(action)
        cast = BenchSnapshot(bench).cast()
        replayed = Bench.replay(teaching, (), 0, log[:place], bench.fidelity)
        assert lived(replayed) == lived(cast)
        assert log[:place] == bench.log


def test_what_is_done_to_one_is_not_done_to_another(teaching: Car) -> None:
    bench = Bench(teaching)
    mould = BenchSnapshot(bench)
    one, other = mould.cast(), mould.cast()
    begun = list(other.trace.lines())
    one.do_all(["unplug ABS.C1", "key run", "wait 5 s"])
    assert begun == list(other.trace.lines()) == list(bench.trace.lines()) == list(mould.cast().trace.lines())
    assert frozenset() == other.car.harness.unplugged == bench.car.harness.unplugged


def test_several_at_once_on_one_mould_do_not_disturb_each_other() -> None:
    exercise = find_exercise("01")
    expected = lived(exercise._driven_in(BenchWithoutReasons))
    begun = Begun(lambda: exercise._driven_in(BenchWithoutReasons))
    found: list[list[str]] = []
    threads = [threading.Thread(target=lambda: found.append(lived(begun.bench()))) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [expected] * 4 == found


def test_a_bench_in_the_middle_of_something_is_begun_anew(teaching: Car) -> None:
    def going_on() -> Generator[None]:
        yield

    def begin() -> Bench:
        bench = Bench(teaching)
        bench.live.going_on = going_on()  # type: ignore[attr-defined]
        return bench

    with pytest.raises(NotNow, match="going_on"):
        BenchSnapshot(begin())
    begun = Begun(begin)
    one, other = begun.bench(), begun.bench()
    assert one is not other
    assert list(one.trace.lines()) == list(other.trace.lines())
