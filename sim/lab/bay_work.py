"""Long work on one bench, in a process of its own with low priority: nothing else waits for it.

    with BayWork(workers=1) as away:
        bench, outcome = away.done(bench, ["wait 24 h"], report, most_cpu_s=30)

The bench travels there and back, so the one that was given is not touched: whatever ends the work in the
middle (a report that raises, too much processor time, a lost process) leaves the car as it was.
"""

from __future__ import annotations

import os
import time
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor, wait
from multiprocessing import get_context
from types import TracebackType
from typing import Any, Self

from sim.bench.bench import Bench, Outcome
from sim.bench.carried import packed, unpacked
from sim.lab.worker_signals import begin_worker, deaf_to_ctrl_c
from sim.vehicle.problems import EditProblem, Problem

LOOK_EVERY_S = 0.3
MOST_AT_ONCE = 64  # who is at work or waits for a process; our own choice
LOST = "the process that worked on this car was lost; the car is as before"

Report = Callable[[float], None]

_shares: Any = None  # in a worker: how far each piece of work is, and whether it is to end
_ended: Any = None


class TooMuchWork(Exception):
    """The work has used up its processor time."""


class _CalledOff(Exception):
    """The work is no longer wanted."""


class BayWork:
    """A few processes for the long work of all visitors; by default half of the processors."""

    def __init__(self, workers: int | None = None) -> None:
        self._workers = workers or max(1, (os.cpu_count() or 1) // 2)
        self._context = get_context("spawn")
        self._shares = self._context.Array("d", MOST_AT_ONCE, lock=False)
        self._ended = self._context.Array("b", MOST_AT_ONCE, lock=False)
        self._free = deque(range(MOST_AT_ONCE))
        self._pool: ProcessPoolExecutor | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let the processes go."""
        pool, self._pool = self._pool, None
        if pool:
            pool.shutdown(cancel_futures=True)

    def done(
        self, bench: Bench, actions: Sequence[str], report: Report, most_cpu_s: float
    ) -> tuple[Bench, Outcome | None]:
        """A bench after these actions, and what came of the last of them; the given bench is not touched.

        Raises `NotNow` if the bench cannot travel, `TooMuchWork`, `Problem`, and what `report` raises.
        """
        data = packed(bench)
        if not self._free:
            raise Problem("too many visitors wait for long work on this server; try again in a while")
        place = self._free.popleft()
        self._shares[place], self._ended[place] = 0.0, 0
        try:
            work = self._begun(place, data, list(actions), most_cpu_s)
        except BaseException:
            self._free.append(place)
            raise
        work.add_done_callback(lambda _: self._free.append(place))
        return self._waited_for(work, place, report)

    def _begun(self, place: int, *what: Any) -> Future[tuple[str, bytes]]:
        for again in (True, False):
            if self._pool is None:
                self._pool = ProcessPoolExecutor(
                    self._workers,
                    mp_context=self._context,
                    initializer=_begin,
                    initargs=(self._shares, self._ended),
                )
            try:
                with deaf_to_ctrl_c():
                    return self._pool.submit(_work, place, *what)
            except BrokenExecutor:  # a worker was killed since
                self.close()
                if not again:
                    raise Problem(LOST) from None
        raise AssertionError

    def _waited_for(
        self, work: Future[tuple[str, bytes]], place: int, report: Report
    ) -> tuple[Bench, Outcome | None]:
        try:
            while not work.done():
                wait((work,), timeout=LOOK_EVERY_S)
                report(float(self._shares[place]))
            refused, data = work.result()
        except BrokenExecutor:
            raise Problem(LOST) from None
        finally:
            self._ended[place] = not work.done()
            work.cancel()
        if refused:
            raise EditProblem(refused)
        bench, outcome = unpacked(data)
        return bench, outcome


# -- in the other process ------------------------------------------------------------------------------------


def _begin(shares: Any, ended: Any) -> None:
    global _shares, _ended
    begin_worker(__name__)
    _shares, _ended = shares, ended


def _work(place: int, data: bytes, actions: list[str], most_cpu_s: float) -> tuple[str, bytes]:
    """What was refused, and otherwise the bench after the work with the last outcome."""
    bench, outcome = unpacked(data), None
    begun_s = time.process_time()

    def tell(share: float, before: int) -> None:
        _shares[place] = (before + share) / len(actions)
        if _ended[place]:
            raise _CalledOff
        if time.process_time() - begun_s > most_cpu_s:
            raise TooMuchWork

    try:
        for before, text in enumerate(actions):
            tell(0.0, before)
            outcome = bench.do(text, lambda share, before=before: tell(share, before))
        return "", packed((bench, outcome))
    except Problem as problem:
        return str(problem), b""
