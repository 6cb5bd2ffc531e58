"""The car by the wall clock: every step, no job without an end, actions replayed to the same trace."""

import threading
import time
from collections.abc import Callable, Iterator

import pytest

from sim.bench.bench import Bench
from sim.link import realtime
from sim.link.realtime import RealTime
from sim.vehicle.problems import EditProblem, Problem
from tests.link.conftest import bench_of

PATIENCE_S = 60  # not a limit: a busy machine is slow, not wrong


def eventually(true: Callable[[], bool]) -> bool:
    """Whether it becomes true, however late."""
    last_s = time.monotonic() + PATIENCE_S
    while not (so := true()) and time.monotonic() < last_s:
        time.sleep(0.005)
    return so


@pytest.fixture
def car() -> Iterator[RealTime]:
    """Six modules in real time."""
    car = RealTime(bench_of("six-modules"))
    car.start()
    yield car
    car.stop()


@pytest.mark.benchmark
def test_simulated_time_follows_the_wall_clock(car: RealTime) -> None:
    """A second of wall time is a second of simulated time."""
    before_s, began_s = car.call(lambda: car.bench.now_s), time.monotonic()
    time.sleep(1.0)
    passed_s = car.call(lambda: car.bench.now_s) - before_s
    assert passed_s == pytest.approx(time.monotonic() - began_s, abs=0.1)
    assert 0 == car.lost_s


@pytest.mark.benchmark
def test_actions_take_their_time_and_jobs_go_on_meanwhile(car: RealTime) -> None:
    """A press is 0.6 s and a moment; whoever asks something meanwhile is answered at once."""
    waits_s = []
    pressing = threading.Thread(target=car.do, args=("press start",))
    began_s = time.monotonic()
    pressing.start()
    while pressing.is_alive():
        asked_s = time.monotonic()
        car.call(lambda: None)
        waits_s.append(time.monotonic() - asked_s)
        time.sleep(0.01)
    assert 0.6 <= time.monotonic() - began_s < 2.0
    assert len(waits_s) > 10
    assert sorted(waits_s)[len(waits_s) // 2] < 0.05


def test_the_log_of_a_live_car_replays_to_the_same_trace() -> None:
    """The log of a car in real time replays to the same events."""
    bench = bench_of("six-modules", "press start")
    car = RealTime(bench)
    car.start()
    for text in ("unplug TCM.C1", "press start", "plug TCM.C1", "press start"):
        time.sleep(0.17)
        car.do(text)
    time.sleep(0.1)
    car.stop()
    replayed = Bench.replay(bench.base, bench.given, bench.seed, bench.log)
    assert "wait " in " ".join(bench.log)
    assert list(bench.trace.lines()) == list(replayed.trace.lines())
    assert bench.now_s == replayed.now_s
    bench.do("wait 1 s")
    replayed.do("wait 1 s")
    assert bench.now_s == replayed.now_s


def test_a_stopped_car_is_an_ordinary_bench_again(car: RealTime) -> None:
    """After the stop the bench does actions, and jobs are refused."""
    car.stop()
    before_s = car.bench.now_s
    car.bench.do("wait 10 s")
    assert car.bench.now_s == pytest.approx(before_s + 10)
    assert not car.post(lambda: None)
    with pytest.raises(Problem, match="the live car has been stopped"):
        car.do("press start")
    with pytest.raises(Problem, match="the live car has been stopped"):
        car.call(lambda: None)


@pytest.mark.parametrize("action", ["wait 1 s", "scan", "clear", "unlock BCM"])
def test_what_a_live_car_does_not_do(car: RealTime, action: str) -> None:
    """Actions that need the clock or the connector are refused, and the car runs on."""
    with pytest.raises(EditProblem, match=r"time passes by itself|holds the diagnostic connector"):
        car.do(action)
    with pytest.raises(EditProblem, match="no action begins with 'fly'"):
        car.do("fly")
    assert car.running


def test_jobs_are_refused_rather_than_piled_up(car: RealTime) -> None:
    """More jobs than the limit are refused until there is room again."""
    begun, release = threading.Event(), threading.Event()
    assert car.post(lambda: (begun.set(), release.wait()))
    assert begun.wait(PATIENCE_S)
    taken = sum(car.post(lambda: None) for _ in range(realtime.MAX_JOBS + 500))
    assert realtime.MAX_JOBS == taken
    release.set()
    assert eventually(lambda: car.post(lambda: None))


def test_a_failing_job_is_its_asker_s_own(car: RealTime) -> None:
    """An error in a job is raised where it was asked for, and the car runs on."""
    with pytest.raises(ZeroDivisionError):
        car.call(lambda: 1 // 0)
    assert car.running


def test_a_car_that_breaks_says_so(car: RealTime) -> None:
    """After an error in the car itself every request says what stopped it."""
    car.post(lambda: 1 // 0)
    assert eventually(lambda: not car.running)
    with pytest.raises(Problem, match="the live car has stopped: ZeroDivisionError"):
        car.do("press start")


class Clock:
    """A wall clock in the hands of a test."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def caught_up(car: RealTime, to_s: float) -> bool:
    assert eventually(lambda: car.bench.now_s >= to_s - 1e-9)
    return abs(car.bench.now_s - to_s) < 0.002


def test_a_hold_up_is_caught_up_step_by_step() -> None:
    """After a short delay every step is run, and no time is lost."""
    clock = Clock()
    car = RealTime(bench_of("six-modules"), clock)
    began_s = car.bench.now_s
    car.start()
    clock.now_s = 1.5
    assert caught_up(car, began_s + 1.5)
    car.stop()
    assert 0 == car.lost_s
    assert 1500 == pytest.approx(len(car.lateness_s), abs=2)
    assert 1.5 == pytest.approx(car.lateness_s[0], abs=0.01)


def test_a_computer_that_slept_does_not_race() -> None:
    """An hour passes in one jump: the car's clock stays behind by it, and goes on at its pace."""
    clock = Clock()
    car = RealTime(bench_of("six-modules"), clock)
    began_s = car.bench.now_s
    car.start()
    clock.now_s = 3600.0
    assert eventually(lambda: car.lost_s > 0)
    car.call(lambda: None)  # a job is done between two steps: what was lost is reckoned with
    assert car.bench.now_s < began_s + realtime.MAX_BEHIND_S
    clock.now_s = 3601.0
    assert caught_up(car, began_s + 1)
    car.stop()
    assert 3600 == pytest.approx(car.lost_s + car.bench.now_s - began_s - 1, abs=0.01)
    assert car.bench.now_s == pytest.approx(began_s + 1, abs=0.01)
