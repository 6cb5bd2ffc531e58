"""A workshop: many runs on many processes, each made once.

    with Workshop(cache=Cache(folder)) as workshop:
        accounts = workshop.run(trials, progress=lambda done, of: print(done, of))

Runs go to any `concurrent.futures.Executor`; without one, to a pool of processes of this computer. Finished
runs are kept on disk by content: text of the car, edits, actions, seed, and a fingerprint of the program.
Work that is cut off leaves only whole runs: those that are under way in the own pool end in the middle.

The pool starts fresh interpreters, so a script that uses one keeps its own work under
`if __name__ == "__main__":`.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import astuple
from functools import partial
from itertools import islice
from multiprocessing import get_context
from types import TracebackType
from typing import Any, Protocol, TypeVar

from sim.lab import wanted
from sim.lab.run import Trial, code_version, content_key, run_trial
from sim.lab.run_cache import Cache
from sim.lab.sight import Account
from sim.lab.wanted import Ticket, Tickets
from sim.lab.worker_signals import begin_worker, deaf_to_ctrl_c
from sim.vehicle.problems import Problem

FEW = 4  # so few runs are over before another process has started
AHEAD = 2  # runs that wait for each worker, so that none is ever idle; our own choice
MOST_KEPT = 4096  # texts in this process, where there is no cache on disk
TRIES = 3  # how often a pool that lost a process is replaced
LOOK_UP_S = 0.2  # how soon a stop is noticed

Item = TypeVar("Item")
Result = TypeVar("Result")
Key = TypeVar("Key", bound=Hashable)
Progress = Callable[[int, int], None]
Stop = Callable[[], bool]
Finished = tuple[str, str]  # version of the program that made the run, account as text


class Runner(Protocol):
    """Makes one run; a function that another process can import."""

    __module__: str
    __qualname__: str

    def __call__(self, trial: Trial, /) -> Account: ...


def quiet(done: int, of: int) -> None:
    """Ignore progress."""


def never() -> bool:
    """Never stop."""
    return False


class Stopped(Exception):
    """The runs were stopped; those that were finished are kept."""


class OtherVersion(Problem):
    """The program's files are no longer those that this process runs."""

    def __init__(self) -> None:
        super().__init__("the program was changed while it ran: start it again to run what it is now")


def _submitted(executor: Executor, work: Callable[[Item], Result], item: Item) -> Future[Result]:
    try:
        with deaf_to_ctrl_c():  # the first pieces of work begin the processes
            return executor.submit(work, item)
    except BrokenExecutor:
        raise
    except RuntimeError:  # the program is ending
        raise Stopped from None


def _end_now(pool: ProcessPoolExecutor) -> None:
    """End a pool's processes in the middle of their runs: who pressed Ctrl-C does not wait for them."""
    for process in list((pool._processes or {}).values()):
        process.terminate()


class Workshop:
    """Where runs are made.

    `executor`: one of the caller's; `workers`: processes of its own pool (default: all cores).
    `few`: so many runs are made in this process. `runner` makes one run and must be a function that another
    process can import.
    """

    def __init__(
        self,
        executor: Executor | None = None,
        *,
        workers: int | None = None,
        cache: Cache | None = None,
        runner: Runner = run_trial,
        few: int = FEW,
    ) -> None:
        self._executor = executor
        self._own: ProcessPoolExecutor | None = None
        self._context = get_context("spawn")
        self._tickets = Tickets(self._context)
        self._workers = workers or os.cpu_count() or 1
        self._cache = cache
        self._made: dict[str, str] = {}
        self.runner = runner
        self._few = few

    def __enter__(self) -> Workshop:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is KeyboardInterrupt and self._own:
            _end_now(self._own)
        self.close()

    def close(self) -> None:
        """Let the own processes go; runs that have not begun are dropped."""
        if self._own:
            self._own.shutdown(cancel_futures=True)
            self._own = None

    def run(
        self, trials: Sequence[Trial], *, progress: Progress = quiet, stop: Stop = never
    ) -> list[Account]:
        """The account of each trial, in order. Equal trials are run once.

        `progress(done, of)` is called as runs are finished; `stop()` is asked between them and, when it says
        so, `Stopped` is raised.
        """
        keys = [self._key(trial) for trial in trials]
        todo = dict(zip(keys, trials, strict=True))
        known: dict[str, Account] = {}
        progress(0, len(todo))
        for key, text in self.recalled(partial(_as_text, self.runner), todo, stop=stop):
            known[key] = Account.from_json(text)
            progress(len(known), len(todo))
        return [known[key] for key in keys]

    def recalled(
        self, make: Callable[[Item], str], items: Mapping[str, Item], *, stop: Stop = never
    ) -> Iterator[tuple[str, str]]:
        """The text that `make` makes of every item, by a key that says all that it depends on.

        What has been made before is not made again.
        """
        known = {key: self._made[key] for key in items if key in self._made}
        if self._cache:
            known.update(self._cache.find(key for key in items if key not in known))
        yield from known.items()
        todo = {key: item for key, item in items.items() if key not in known}
        for key, (version, text) in self.spread(partial(_signed, make), todo, stop=stop):
            if version != code_version():
                raise OtherVersion
            if self._cache:
                self._cache.keep(key, text)
            else:
                self._made[key] = text
                if len(self._made) > MOST_KEPT:
                    del self._made[next(iter(self._made))]
            yield key, text

    def spread(
        self, work: Callable[[Item], Result], items: Mapping[Key, Item], *, stop: Stop = never
    ) -> Iterator[tuple[Key, Result]]:
        """Do a piece of work on every item, wherever there is room; yields results as they come."""
        if self._executor:
            yield from gathered(self._executor, work, items, stop)
        elif self._workers == 1 or len(items) <= self._few:
            for key, item in items.items():
                if stop():
                    raise Stopped
                yield key, work(item)
        else:
            yield from self._with_own_pool(work, dict(items), stop)

    def _with_own_pool(
        self, work: Callable[[Item], Result], items: dict[Key, Item], stop: Stop
    ) -> Iterator[tuple[Key, Result]]:
        for _ in range(TRIES):
            if self._own is None:
                self._own = ProcessPoolExecutor(
                    self._workers,
                    mp_context=self._context,
                    initializer=_begin,
                    initargs=(self.runner.__module__, self._tickets.numbers),
                )
            try:
                with self._tickets.one() as ticket:
                    ticketed = partial(_under, ticket, work)
                    for key, result in gathered(self._own, ticketed, items, stop, AHEAD * self._workers):
                        del items[key]
                        yield key, result
                return
            except BrokenExecutor:
                self.close()
        raise Problem(f"{TRIES} times a process was lost in the middle of a run; the finished runs are kept")

    def _key(self, trial: Trial) -> str:
        runner = f"{self.runner.__module__}.{self.runner.__qualname__}"
        return content_key(runner, *astuple(trial))


def gathered(
    executor: Executor,
    work: Callable[[Item], Result],
    items: Mapping[Key, Item],
    stop: Stop,
    most: int | None = None,
) -> Iterator[tuple[Key, Result]]:
    """Do a piece of work on every item in an executor; yields results as they come.

    `most`: so many pieces wait at a time, so that several who share a pool get on side by side.
    """
    todo = iter(list(items.items()))
    waiting: dict[Future[Result], Key] = {}
    try:
        while True:
            for key, item in islice(todo, None if most is None else max(0, most - len(waiting))):
                waiting[_submitted(executor, work, item)] = key
            if not waiting:
                return
            if stop():
                raise Stopped
            done, _ = wait(waiting, timeout=LOOK_UP_S, return_when=FIRST_COMPLETED)
            for one in done:
                yield waiting[one], one.result()
                del waiting[one]
    finally:
        for one in waiting:
            one.cancel()


def _begin(runner: str, numbers: Any) -> None:
    wanted.begin(numbers)
    begin_worker(runner)


def _under(ticket: Ticket, work: Callable[[Item], Result], item: Item) -> Result:
    with wanted.under(ticket):
        return work(item)


def _as_text(runner: Runner, trial: Trial) -> str:
    return runner(trial).as_json()


def _signed(make: Callable[[Item], str], item: Item) -> Finished:
    return code_version(), make(item)


CLUSTER_ANSWERS_S = 10.0
CLUSTER_VARIABLE = "BUSBAY_CLUSTER"  # environment variable with the address of the front end's cluster


@contextmanager
def on_cluster(address: str, *, cache: Cache | None = None, runner: Runner = run_trial) -> Iterator[Workshop]:
    """A workshop on a Dask cluster whose scheduler is at this address, e.g. `tcp://10.0.0.5:8786`.

    Its workers need this program in this version. What a worker was doing when it died is given to another.
    Raises `Problem` where `dask` is not installed or no scheduler answers.
    """
    try:
        import distributed
    except ImportError:
        raise Problem("a cluster needs Dask: install busbay with its extra 'dask'") from None
    cluster: Any = distributed  # without type hints
    try:
        client: Any = cluster.Client(address, timeout=CLUSTER_ANSWERS_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise Problem(f"no Dask scheduler answers at {address}: {error}") from None
    with client, Workshop(client.get_executor(pure=False), cache=cache, runner=runner) as workshop:
        yield workshop
