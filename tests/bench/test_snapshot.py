"""A clone of a bench is a bench like any other, and shares nothing that changes."""

import os
import threading
from collections.abc import Generator
from fractions import Fraction

import pytest

from sim.bench.bench import Bench, BenchWithoutReasons
from sim.bench.snapshot import BenchSnapshot, NotNow, StartedOnce
from sim.catalogue import shipped_exercises
from sim.training.exercise import find_exercise
from sim.vehicle.car import Car
from sim.vehicle.problems import EditProblem

DAY = [
    "key run", "press start with brake", "wait 3 s", "unplug ABS.C1", "wait 1 s", "scan", "clear", "pull F2",
    "press start", "key off", "wait 2 s",
]  # fmt: skip
CARS = ["39", "16", "01", "51"]  # with LIN, with all of CAN, one that is asleep, high voltage
NUMBERS = sorted(shipped_exercises()) if os.environ.get("BUSBAY_SNAPSHOTS") else CARS


def lived(bench: Bench) -> list[str]:
    """The whole trace after a day on which something happens to everything."""
    for action in DAY:
        try:
            bench.do(action)
        except EditProblem as problem:
            bench.trace.record(bench.now_s, "problem", "person", str(problem))
    return list(bench.trace.lines())


@pytest.mark.parametrize(
    "number", sorted(shipped_exercises()) if os.environ.get("BUSBAY_SNAPSHOTS") else CARS
)
def test_a_clone_lives_the_same_day_to_the_byte(number: str) -> None:
    """The same day gives the same trace on the first bench, on its clone and on one driven in alone."""
    exercise = find_exercise(number)
    first, clone = exercise.bench(reasons=False), exercise.bench(reasons=False)
    assert clone is not first
    expected = lived(exercise.driven_in(BenchWithoutReasons))
    assert len(expected) > 100
    assert expected == lived(clone)
    assert expected == lived(first)


def test_a_bus_that_is_run_bit_by_bit_can_be_cloned_once_it_has_come_to_rest() -> None:
    """A bus that ran bit by bit does not keep a class from getting clones once it is at rest."""
    storm = find_exercise("10")
    assert storm.bench(reasons=False) is not storm.bench(reasons=False)
    assert storm.for_a_class.clones


@pytest.mark.parametrize("fidelity", ["frame", "stream"])
def test_a_bench_with_reasons_can_be_cloned_at_any_moment(teaching: Car, fidelity: str) -> None:
    """After every action a clone goes on as a replay of the same log does."""
    log = ["key run", "wait 3 s", "scan", "unplug TCM.C1", "measure ohms DLC.6 to DLC.14"]
    bench = Bench(teaching, fidelity="frame" if fidelity == "frame" else "stream")
    for place, action in enumerate(log, start=1):
        bench.do(action)
        clone = BenchSnapshot(bench).clone()
        replayed = Bench.replay(teaching, (), 0, log[:place], bench.fidelity)
        assert lived(replayed) == lived(clone)
        assert log[:place] == bench.log


def test_what_is_done_to_one_is_not_done_to_another(teaching: Car) -> None:
    """Actions at one clone change neither another clone nor the bench that was copied."""
    bench = Bench(teaching)
    snapshot = BenchSnapshot(bench)
    one, other = snapshot.clone(), snapshot.clone()
    begun = list(other.trace.lines())
    one.do_all(["unplug ABS.C1", "key run", "wait 5 s"])
    assert (
        begun
        == list(other.trace.lines())
        == list(bench.trace.lines())
        == list(snapshot.clone().trace.lines())
    )
    assert frozenset() == other.car.harness.unplugged == bench.car.harness.unplugged


def test_several_at_once_on_one_snapshot_do_not_disturb_each_other() -> None:
    """Four threads that start at the same time all get the same day."""
    exercise = find_exercise("01")
    expected = lived(exercise.driven_in(BenchWithoutReasons))
    started = StartedOnce(lambda: exercise.driven_in(BenchWithoutReasons))
    found: list[list[str]] = []
    threads = [threading.Thread(target=lambda: found.append(lived(started.bench()))) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [expected] * 4 == found


def test_a_bench_in_the_middle_of_something_is_started_again(teaching: Car) -> None:
    """A bench that holds a generator at work is refused, and every next bench starts by itself."""

    def going_on() -> Generator[None]:
        yield

    def begin() -> Bench:
        bench = Bench(teaching)
        bench.live.going_on = going_on()  # type: ignore[attr-defined]
        return bench

    with pytest.raises(NotNow, match="going_on"):
        BenchSnapshot(begin())
    started = StartedOnce(begin)
    one, other = started.bench(), started.bench()
    assert one is not other
    assert list(one.trace.lines()) == list(other.trace.lines())


@pytest.mark.parametrize(
    "foreign", [iter([1]), threading.Lock(), Fraction(1, 3)], ids=["iterator", "lock", "number"]
)
def test_a_kind_of_value_that_is_not_listed_is_refused_by_its_name(teaching: Car, foreign: object) -> None:
    """Nothing is copied because it happens to be there: an unknown kind of value is an error."""
    bench = Bench(teaching)
    bench.live.foreign = foreign  # type: ignore[attr-defined]
    with pytest.raises(NotNow, match=f"a {type(foreign).__qualname__} cannot be copied"):
        BenchSnapshot(bench)
