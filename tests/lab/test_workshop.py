"""Workshops: results in order, each run made once, nothing wrong kept."""

import os
import pickle
import signal
import sqlite3
import subprocess
import sys
import time
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextlib import ExitStack, closing
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import pytest

from sim.bench.bench import Bench
from sim.catalogue import find_car
from sim.lab import run_cache, wanted
from sim.lab.run import Trial, run_trial, sight_of
from sim.lab.run_cache import Cache
from sim.lab.sight import Account, Sight
from sim.lab.workshop import Stopped, Workshop, gathered, never
from sim.vehicle.problems import FileProblem, Problem

MADE: list[Trial] = []


def note(trial: Trial) -> Account:
    """A runner that tells what it was asked."""
    MADE.append(trial)
    return Account((Sight(" ".join(trial.given), 0.0, "stopped", "off", "dark"),))


def trials(*given: str) -> list[Trial]:
    return [Trial("car", (one,)) for one in given]


@pytest.fixture(autouse=True)
def _nothing_made() -> None:
    MADE.clear()


def test_accounts_come_in_the_order_of_the_trials_and_equal_trials_are_run_once() -> None:
    """Accounts are in the order of the trials, and equal trials share one run."""
    seen: list[tuple[int, int]] = []
    with Workshop(workers=1, runner=note) as shop:
        accounts = shop.run(trials("a", "b", "a", "c"), progress=lambda *step: seen.append(step))
    assert ["a", "b", "a", "c"] == [account.sights[0].action for account in accounts]
    assert trials("a", "b", "c") == MADE
    assert [(0, 3), (1, 3), (2, 3), (3, 3)] == seen


def test_any_executor_will_do() -> None:
    """Runs on a given executor give the same accounts."""
    with ThreadPoolExecutor(2) as executor:
        accounts = Workshop(executor, runner=note).run(trials("a", "b", "c"))
    assert ["a", "b", "c"] == [account.sights[0].action for account in accounts]


def test_processes_of_this_computer_give_what_this_process_gives(six: str) -> None:
    """A pool of processes gives the same accounts as this process."""
    some = [Trial(six, (f"pull F{k}",), ("press start", "wait 3 s", "scan")) for k in range(1, 7)]
    with Workshop(workers=2) as shop:
        assert [run_trial(one) for one in some] == shop.run(some)


def test_what_was_run_is_not_run_again(tmp_path: Path) -> None:
    """A second workshop with the same cache makes no run."""
    for _ in range(2):
        with Workshop(workers=1, cache=Cache(tmp_path), runner=note) as shop:
            assert 3 == len(shop.run(trials("a", "b", "c")))
    assert trials("a", "b", "c") == MADE


@pytest.mark.parametrize(
    "other",
    [
        Trial("car 2", ("a",), ("scan",), 1),
        Trial("car", ("b",), ("scan",), 1),
        Trial("car", ("a",), ("wait 1 s",), 1),
        Trial("car", ("a",), ("scan",), 2),
    ],
    ids=["car", "edits", "actions", "seed"],
)
def test_a_run_of_anything_else_is_not_taken(tmp_path: Path, other: Trial) -> None:
    """Another car, edit, action or seed is another run."""
    with Workshop(workers=1, cache=Cache(tmp_path), runner=note) as shop:
        shop.run([Trial("car", ("a",), ("scan",), 1)])
        shop.run([other])
    assert 2 == len(MADE)


def test_a_run_of_another_version_of_the_program_is_not_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Runs of another version are made again, and the old ones make room."""
    for version in ("old", "new", "new"):
        for room in ("workshop", "run_cache"):
            monkeypatch.setattr(f"sim.lab.{room}.code_version", lambda version=version: version)
        with Workshop(workers=1, cache=Cache(tmp_path), runner=note) as shop:
            shop.run(trials("a"))
        with closing(sqlite3.connect(tmp_path / "runs.sqlite")) as store:
            kept = store.execute("SELECT version FROM runs").fetchall()
        assert [(version,)] == kept, "what no program takes any more makes room"
    assert 2 == len(MADE)


def test_a_spoiled_entry_is_run_again_and_a_spoiled_file_begun_again(tmp_path: Path) -> None:
    """A damaged entry or file of the cache costs a run, never a wrong answer."""
    cache = Cache(tmp_path)
    with Workshop(workers=1, cache=cache, runner=note) as shop:
        right = shop.run(trials("a"))
        with sqlite3.connect(tmp_path / "runs.sqlite") as store:
            store.execute("UPDATE runs SET account = replace(account, 'stopped', 'running')")
        store.close()
        assert right == shop.run(trials("a"))
    assert 2 == len(MADE)
    for name in tmp_path.iterdir():
        name.write_bytes(b"no database at all")
    with Workshop(workers=1, cache=Cache(tmp_path), runner=note) as shop:
        assert right == shop.run(trials("a"))


def test_stopping_keeps_what_was_finished(tmp_path: Path) -> None:
    """After a stop, the finished runs are in the cache."""
    with Workshop(workers=1, cache=Cache(tmp_path), runner=note) as shop:
        with pytest.raises(Stopped):
            shop.run(trials("a", "b", "c"), stop=lambda: len(MADE) == 2)
        shop.run(trials("a", "b", "c"))
    assert trials("a", "b", "c") == MADE


def die_once(trial: Trial) -> Account:
    """Kills its own process the first time that it meets trial 'c'."""
    mark = Path(trial.vehicle) / "died"
    if trial.given == ("c",) and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return note(trial)


def die(trial: Trial) -> Account:
    os.kill(os.getpid(), signal.SIGKILL)
    return note(trial)


def test_a_lost_process_is_replaced(tmp_path: Path) -> None:
    """If a worker dies, the pool is replaced and every account is there."""
    some = [Trial(str(tmp_path), (name,)) for name in "abcdefgh"]
    with Workshop(workers=2, runner=die_once) as shop:
        accounts = shop.run(some)
    assert list("abcdefgh") == [account.sights[0].action for account in accounts]


def test_processes_that_are_lost_again_and_again_end_in_one_sentence() -> None:
    """A pool that keeps losing workers raises one clear error."""
    with Workshop(workers=2, runner=die) as shop, pytest.raises(Problem, match="3 times a process was lost"):
        shop.run(trials(*"abcdefgh"))


KILLED = """
import sys, time
from pathlib import Path
from sim.lab.run import Trial
from sim.lab.sight import Account, Sight
from sim.lab.run_cache import Cache
from sim.lab.workshop import Workshop

def slow(trial):
    time.sleep(0.02)
    print("made", flush=True)
    return Account((Sight(" ".join(trial.given), 0.0, "stopped", "off", "dark"),))

slow.__module__, slow.__qualname__ = "tests", "slow"
with Workshop(workers=1, cache=Cache(Path(sys.argv[1])), runner=slow) as shop:
    print("running", flush=True)
    shop.run([Trial("car", (str(k),)) for k in range(1000)])
"""


def test_a_killed_workshop_has_kept_only_whole_and_right_runs(tmp_path: Path) -> None:
    """After a kill, every run in the cache is whole and right."""
    for _ in range(3):
        with subprocess.Popen([sys.executable, "-c", KILLED, str(tmp_path)], stdout=subprocess.PIPE) as shop:
            assert shop.stdout is not None
            for words in (b"running", *[b"made"] * 10):
                assert words in shop.stdout.readline()
            shop.kill()

    def slow(trial: Trial) -> Account:
        return note(trial)

    slow.__module__, slow.__qualname__ = "tests", "slow"
    with Workshop(workers=1, cache=Cache(tmp_path), runner=slow) as again:
        accounts = again.run([Trial("car", (str(k),)) for k in range(60)])
    assert [str(k) for k in range(60)] == [account.sights[0].action for account in accounts]
    assert len(MADE) < 60


def until_called_off(folder: str, _: int) -> None:
    """Go on for as long as it is wanted; leave a note at the beginning and at the end."""
    Path(folder, "begun").touch()
    try:
        while True:
            wanted.check()
            time.sleep(0.01)
    finally:
        Path(folder, "ended").touch()


def test_a_run_that_is_no_longer_wanted_ends_in_the_middle(tmp_path: Path) -> None:
    """When the work is stopped its runs end, too; the pool is there for other work."""
    with Workshop(workers=2, few=0) as workshop:
        endless = workshop.spread(
            partial(until_called_off, str(tmp_path)), {0: 0}, stop=(tmp_path / "begun").exists
        )
        with pytest.raises(Stopped):
            list(endless)
        last_s = time.monotonic() + 120  # patience, not a limit
        while not (tmp_path / "ended").exists() and time.monotonic() < last_s:
            time.sleep(0.01)
        assert (tmp_path / "ended").exists()
        assert {0: "-1"} == dict(workshop.spread(str, {0: -1}))


def test_more_work_than_there_are_tickets_is_done_to_its_end() -> None:
    """Each piece has a ticket of its own and leaves its place; without one it is not called off."""
    tickets = wanted.Tickets(get_context("spawn"))
    wanted.begin(tickets.numbers)
    try:
        with ExitStack() as all_at_once:
            taken = [all_at_once.enter_context(tickets.one()) for _ in range(wanted.MOST_AT_ONCE + 1)]
            for ticket in taken:
                with wanted.under(ticket):
                    wanted.check()
        assert wanted.MOST_AT_ONCE == len(set(taken) - {None})
        with tickets.one() as late, wanted.under(taken[0]):
            assert late not in taken
            with pytest.raises(wanted.CalledOff):
                wanted.check()
    finally:
        wanted.begin(None)


def test_a_long_wait_at_the_car_is_called_off_on_its_way() -> None:
    """An action of a run notices that the run is no longer wanted."""
    bench, numbers = Bench(find_car("six-modules")), [1]
    wanted.begin(numbers)
    try:
        with wanted.under((0, 1)):
            assert "wait 60 s" == sight_of(bench, "wait 60 s").action
            numbers[0] = 2
            with pytest.raises(wanted.CalledOff):
                sight_of(bench, "wait 24 h")
    finally:
        wanted.begin(None)
    assert bench.now_s < 600


def test_a_problem_of_a_file_comes_whole_from_another_process() -> None:
    """File, line and place in it are what they were; an error that cannot be rebuilt would end the pool."""
    told = FileProblem("no such fuse", "car.yaml", 7, ("modules", "ECM"))
    came = pickle.loads(pickle.dumps(told))
    assert (str(told), told.line, told.path) == (str(came), came.line, came.path)


class Noted(Executor):
    """Does everything at once, and notes what it was given."""

    def __init__(self) -> None:
        self.given: list[int] = []
        self.ended = False

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        if self.ended:
            raise RuntimeError("cannot schedule new futures after interpreter shutdown")
        self.given.append(args[0])
        done: Future[Any] = Future()
        done.set_result(fn(*args))
        return done


def test_of_a_long_list_only_a_few_wait_at_a_time_so_that_others_get_on_too() -> None:
    """A long list is handed out a few runs at a time, so that others who share the pool get their turn."""
    pool, items = Noted(), {k: k for k in range(20)}
    results = gathered(pool, lambda one: one * one, items, never, 3)
    first = next(results)
    assert 3 == len(pool.given)
    assert {k: k * k for k in range(20)} == dict([first, *results])
    assert 20 == len(pool.given)


def test_where_the_program_ends_the_rest_is_dropped() -> None:
    """When the interpreter shuts down, the remaining runs are dropped with `Stopped`."""
    pool, items = Noted(), {k: k for k in range(20)}
    results = gathered(pool, lambda one: one, items, never, 3)
    next(results)
    pool.ended = True
    with pytest.raises(Stopped):
        list(results)


def test_the_cache_has_a_size(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The oldest runs go; the file stays near its limit however much is kept, and the newest is there."""
    monkeypatch.setattr(run_cache, "LOOKED_AT_EVERY", 5)
    kept = run_cache.Cache(tmp_path, most_bytes=200_000)
    for number in range(200):
        kept.keep(f"run {number}", "x" * 10_000)
    assert {"run 199"} == set(kept.find(["run 0", "run 199"]))
    assert (tmp_path / "runs.sqlite").stat().st_size < 400_000
