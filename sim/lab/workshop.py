"""A workshop: many runs on many processes, each made once.

    with Workshop(cache=Cache(folder)) as workshop:
        accounts = workshop.run(trials, progress=lambda done, of: print(done, of))

Runs go to any `concurrent.futures.Executor`; without one, to a pool of processes of this computer. Finished
runs are kept on disk by content: text of the car, edits, actions, seed, and a fingerprint of the program.
What is cut off in the middle leaves nothing behind but the runs that were finished.

The pool starts fresh interpreters, so a script that uses one keeps its own work under
`if __name__ == "__main__":`.
"""

from __future__ import annotations

import hashlib
import os
import signal
import sqlite3
import threading
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from contextlib import closing, contextmanager
from dataclasses import astuple
from functools import partial
from itertools import islice
from multiprocessing import get_context, parent_process, resource_tracker
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol, TypeVar

from sim.lab.run import Account, Trial, code_version, content_key, run_trial
from sim.vehicle.problems import Problem

FEW = 4  # so few runs are over before another process has started
AHEAD = 2  # runs that wait for each worker, so that none is ever idle; our own choice
PATIENCE = 10  # how far workers stand behind; our own choice
MOST_KEPT = 4096  # texts in this process, where there is no cache on disk
TRIES = 3  # how often a pool that lost a process is replaced
CLUSTER_ANSWERS_S = 10.0
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
    """Progress that nobody looks at."""


def never() -> bool:
    """Nobody stops the runs."""
    return False


class Stopped(Exception):
    """The runs were stopped; those that were finished are kept."""


class OtherVersion(Problem):
    """The program's files are no longer those that this process runs."""

    def __init__(self) -> None:
        super().__init__("the program was changed while it ran: start it again to run what it is now")


class Cache:
    """Finished runs in one file of a folder, safe against being killed and against several users at once."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._path = folder / "runs.sqlite"
        self._lock = threading.Lock()
        try:
            self._open()
        except sqlite3.DatabaseError:  # not a file of ours, or spoilt: begin again
            self._path.unlink()
            self._open()

    def find(self, keys: Iterable[str]) -> dict[str, str]:
        """The kept texts among these keys."""
        found = {}
        with self._lock, closing(self._connected()) as store:
            for key in keys:
                row = store.execute("SELECT account, check_sum FROM runs WHERE key = ?", (key,)).fetchone()
                if row and _check_sum(key, row[0]) == row[1]:
                    found[key] = row[0]
        return found

    def keep(self, key: str, account: str) -> None:
        """Keep one text, of an account or of what else was worked out, whole or not at all."""
        with self._lock, closing(self._connected()) as store, store:
            row = (key, code_version(), account, _check_sum(key, account))
            store.execute("INSERT OR REPLACE INTO runs VALUES (?, ?, ?, ?)", row)

    def _open(self) -> None:
        with closing(self._connected()) as store, store:
            store.execute("PRAGMA journal_mode = WAL")
            columns = "key TEXT PRIMARY KEY, version TEXT, account TEXT, check_sum TEXT"
            store.execute(f"CREATE TABLE IF NOT EXISTS runs ({columns})")
            store.execute("DELETE FROM runs WHERE version != ?", (code_version(),))

    def _connected(self) -> sqlite3.Connection:
        return sqlite3.connect(self._path, timeout=30)


def _begin() -> None:
    """Clicks are served before the runs, where the system knows such an order; Ctrl-C is for the parent."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(os, "nice"):
        os.nice(PATIENCE)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """A pool tells its processes to end; if it is killed it cannot, and they would wait for work for ever."""
    parent = parent_process()
    assert parent is not None
    parent.join()
    os._exit(1)


@contextmanager
def _deaf_to_ctrl_c() -> Iterator[None]:
    """Processes that begin inside inherit a blocked SIGINT: a terminal sends it to all of them at once.

    Without this each of them, while it still imports, ends in a traceback. Not modelled: Windows, where no
    signal can be blocked.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()  # begun inside, it would unblock the signal again
    with _ctrl_c_later():
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        try:
            yield
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def _ctrl_c_later() -> Iterator[None]:
    """A Ctrl-C counts at the end: a process that is begun by halves would complain about what it never got.

    The mask alone does not do: a thread of a library, without one, may take the signal for the main thread.
    """
    if threading.current_thread() is not threading.main_thread():  # it alone has handlers
        yield
        return
    pressed: list[int] = []
    usual = signal.signal(signal.SIGINT, lambda number, _: pressed.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, usual or signal.SIG_DFL)
        if pressed and callable(usual):
            usual(signal.SIGINT, None)


def _submitted(executor: Executor, work: Callable[[Item], Result], item: Item) -> Future[Result]:
    try:
        with _deaf_to_ctrl_c():  # the first pieces of work begin the processes
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
    """Where runs are made. `executor`: anybody's; `workers`: processes of an own pool (default: all cores).

    `runner` makes one run and must be a function that another process can import.
    """

    def __init__(
        self,
        executor: Executor | None = None,
        *,
        workers: int | None = None,
        cache: Cache | None = None,
        runner: Runner = run_trial,
    ) -> None:
        self._executor = executor
        self._own: ProcessPoolExecutor | None = None
        self._workers = workers or os.cpu_count() or 1
        self._cache = cache
        self._made: dict[str, str] = {}
        self.runner = runner

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
            yield from self._gather(self._executor, work, items, stop)
        elif self._workers == 1 or len(items) <= FEW:
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
                    self._workers, mp_context=get_context("spawn"), initializer=_begin
                )
            try:
                for key, result in self._gather(self._own, work, items, stop, AHEAD * self._workers):
                    del items[key]
                    yield key, result
                return
            except BrokenExecutor:
                self.close()
        raise Problem(f"{TRIES} times a process was lost in the middle of a run; the finished runs are kept")

    def _gather(
        self,
        executor: Executor,
        work: Callable[[Item], Result],
        items: Mapping[Key, Item],
        stop: Stop,
        most: int | None = None,
    ) -> Iterator[tuple[Key, Result]]:
        """`most`: so many pieces wait at a time, so that several who share a pool get on side by side."""
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

    def _key(self, trial: Trial) -> str:
        runner = f"{self.runner.__module__}.{self.runner.__qualname__}"
        return content_key(runner, *astuple(trial))


@contextmanager
def on_cluster(address: str, *, cache: Cache | None = None, runner: Runner = run_trial) -> Iterator[Workshop]:
    """A workshop on a Dask cluster whose scheduler is at this address, e.g. `tcp://10.0.0.5:8786`.

    Its workers need this program in this version. What a worker was doing when it died is given to another.
    Raises `Problem` where `dask` is not installed or nobody answers.
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


def _as_text(runner: Runner, trial: Trial) -> str:
    return runner(trial).as_json()


def _signed(make: Callable[[Item], str], item: Item) -> Finished:
    return code_version(), make(item)


def _check_sum(key: str, account: str) -> str:
    return hashlib.sha256(f"{key} {account}".encode()).hexdigest()
