"""Long work of the free bay is done in another process, and the car that was given is not touched."""

import multiprocessing
import os
import signal
import time
from collections.abc import Iterator

import pytest

from sim.bench.bench import Bench
from sim.catalogue import find_car
from sim.lab import bay_work
from sim.lab.bay_work import BayWork, TooMuchWork
from sim.lab.worker_signals import PATIENCE
from sim.vehicle.problems import EditProblem, Problem

MUCH_S = 60.0
RUNNING = ["press start", "wait 24 h"]  # an engine that runs for a day


@pytest.fixture(scope="module")
def away() -> Iterator[BayWork]:
    with BayWork(1) as one:
        yield one


@pytest.fixture
def bench() -> Bench:
    return Bench(find_car("six-modules"))


def worker_pids() -> list[int]:
    """The processes of the pool."""
    return [one.pid or 0 for one in multiprocessing.active_children()]


def quiet(share: float) -> None:
    """Ignore progress."""


def test_it_comes_out_as_it_would_here(away: BayWork, bench: Bench) -> None:
    """The car that comes back has the trace of one that stayed; the given one has lived nothing."""
    shares: list[float] = []
    actions = ["press start", "wait 60 s", "scan"]
    came_back, outcome = away.done(bench, actions, shares.append, MUCH_S)
    assert [] == bench.log
    assert shares == sorted(shares)
    stayed = Bench(bench.base)
    last = stayed.do_all(actions)[-1]
    assert [repr(event) for event in stayed.trace.events] == [repr(one) for one in came_back.trace.events]
    assert outcome is not None
    assert last.words == outcome.words


def test_what_makes_no_sense_is_refused_as_here(away: BayWork, bench: Bench) -> None:
    """A wrong sentence is one problem, in the words that it has here."""
    with pytest.raises(EditProblem, match="no action begins with 'smash'"):
        away.done(bench, ["smash ECM"], quiet, MUCH_S)


def test_it_ends_when_its_time_is_used_up_or_it_is_called_off(away: BayWork, bench: Bench) -> None:
    """Too much processor time, or a report that raises, ends the work; the next one is done at once."""
    with pytest.raises(TooMuchWork):
        away.done(bench, RUNNING, quiet, 0.2)

    class Gone(Exception):
        pass

    def gone(share: float) -> None:
        raise Gone

    with pytest.raises(Gone):
        away.done(bench, RUNNING, gone, 1000.0)
    begun_s = time.monotonic()
    away.done(bench, ["wait 1 s"], quiet, MUCH_S)
    assert time.monotonic() - begun_s < 60, "it waited for 24 h that were called off"


def test_a_lost_process_is_told_and_replaced(away: BayWork, bench: Bench) -> None:
    """Work whose process is killed is one sentence; it had a low priority, and the next work has another."""
    pids: set[int] = set()

    def kill(share: float) -> None:
        for pid in worker_pids() if share else ():  # a process that has begun its work
            if pid not in pids:
                assert PATIENCE == os.getpriority(os.PRIO_PROCESS, pid)
                os.kill(pid, signal.SIGKILL)
            pids.add(pid)

    with pytest.raises(Problem, match=bay_work.LOST):
        away.done(bench, RUNNING, kill, 1000.0)
    came_back, _ = away.done(bench, ["wait 1 s"], quiet, MUCH_S)
    assert ["wait 1 s"] == came_back.log
    assert pids.isdisjoint(worker_pids())
