"""A bench at wall-clock speed, in a thread of its own.

Simulated time follows the wall clock in steps of STEP_S and never leaves one out: after a hold-up it catches
up step by step. Only where it has fallen behind by more than MAX_BEHIND_S (the computer slept, or is too slow
for this car) the car's clock is allowed to stay behind; `lost_s` says by how much in all.

Everything that other threads want of the car is a job: a function that runs in the car's thread between two
steps. Jobs wait in a queue of bounded length; when it is full they are refused, never piled up. An action
(`do`) takes its simulated time in real time, and jobs go on being done meanwhile.

The bench's log gets the waits between the actions, so that a bench can be replayed from it. What outside
programs send is not in the log.
"""

from __future__ import annotations

import gc
import queue
import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from functools import partial
from typing import Final, TypeVar

from sim.bench.actions import parse_action
from sim.bench.bench import Bench, Outcome
from sim.network.clock import to_ns
from sim.network.frames import NS_PER_S
from sim.vehicle.problems import EditProblem, Problem

STEP_S: Final = 0.001
TICK_S: Final = 0.002  # how long the car sleeps when nothing is asked of it
MAX_BEHIND_S: Final = 2.0
MAX_JOBS: Final = 1000
MAX_ACTIONS: Final = 100
NS_PER_MS: Final = 1_000_000
ANSWER_WAIT_S: Final = 30.0  # for a job or an action; the longest action takes a few seconds
LOG_EVERY_S: Final = 3600.0  # a wait in the log is a day at most
LATENESS_SAMPLES: Final = 120_000  # two minutes of steps
# Actions that would let time run faster than the clock, or need the connector that the link itself occupies.
NOT_LIVE: Final = {
    "wait": "time passes by itself while the car is live",
    "scan": "the live link holds the diagnostic connector: read codes through it",
    "clear": "the live link holds the diagnostic connector: clear codes through it",
    "unlock": "the live link holds the diagnostic connector: unlock through it",
}

T = TypeVar("T")
Job = Callable[[], object]


class RealTime:
    """Runs a bench by the wall clock between `start` and `stop`.

    lateness_s: how late each of the last steps came, seconds. failure: why the car stopped by itself, if it
    did; every later request gets a `Problem`.
    """

    def __init__(self, bench: Bench, clock: Callable[[], float] = time.monotonic) -> None:
        self.bench = bench
        self.lateness_s: deque[float] = deque(maxlen=LATENESS_SAMPLES)
        self.lost_s = 0.0
        self.failure = ""
        self._clock = clock
        self._jobs: queue.Queue[Job] = queue.Queue(MAX_JOBS)
        self._actions: queue.Queue[tuple[str, Future[Outcome]]] = queue.Queue(MAX_ACTIONS)
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="car", daemon=True)
        self._wall_s = 0.0  # wall time at which simulated time was _simulated_s
        self._simulated_s = bench.now_s
        self._logged_ns = bench.live.env.now_ns  # how far the bench's log reaches

    # -- for other threads -----------------------------------------------------------------------------

    def start(self) -> None:
        """Let time run."""
        # One look of the garbage collector at a whole car takes as long as a hundred steps; what is there
        # now stays as long as the car, so that only what comes later is looked at.
        gc.collect()
        gc.freeze()
        self._wall_s = self._clock()
        self._thread.start()

    def stop(self) -> None:
        """Stop the clock; jobs and actions that still wait are refused."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(timeout=ANSWER_WAIT_S)
        gc.unfreeze()

    @property
    def running(self) -> bool:
        """Does time run?"""
        return self._thread.is_alive() and not self._stopping.is_set()

    def post(self, job: Job) -> bool:
        """Have a job done soon; False where the car has stopped or too many jobs wait."""
        if not self.running:
            return False
        try:
            self._jobs.put_nowait(job)
        except queue.Full:
            return False
        return True

    def call(self, job: Callable[[], T], wait_s: float = ANSWER_WAIT_S) -> T:
        """Have a job done; return what it returns, or raise what it raises. `Problem` where that fails."""
        result: Future[T] = Future()
        if not self.post(partial(_fulfil, result, job)):
            raise Problem(self._why_not())
        return self._awaited(result, wait_s)

    def do(self, text: str) -> Outcome:
        """Do an action at the live car. Raises `EditProblem` where it makes no sense now."""
        result: Future[Outcome] = Future()
        if not self.running:
            raise Problem(self._why_not())
        try:
            self._actions.put_nowait((text, result))
        except queue.Full:
            raise Problem(f"{MAX_ACTIONS} actions are waiting already") from None
        return self._awaited(result, ANSWER_WAIT_S)

    def _awaited(self, result: Future[T], wait_s: float) -> T:
        try:
            return result.result(timeout=wait_s)
        except TimeoutError:
            raise Problem(self._why_not()) from None

    def _why_not(self) -> str:
        if self.failure:
            return f"the live car has stopped: {self.failure}"
        return "the live car is too busy to answer" if self.running else "the live car has been stopped"

    # -- in the car's thread ---------------------------------------------------------------------------

    def _run(self) -> None:
        self.bench.pace = self._pass
        try:
            while not self._stopping.is_set():
                self._pass(self.bench.now_s + STEP_S)
                self._act()
                if self.bench.live.env.now_ns > self._logged_ns + LOG_EVERY_S * NS_PER_S:
                    self._log_wait()
        except Exception as error:  # the thread's last line: whatever it was must be told, not lost
            self.failure = f"{type(error).__name__}: {error}"
        finally:
            self._stopping.set()
            self.bench.pace = None
            if not self.failure:
                self._log_wait()
            while not self._actions.empty():
                self._actions.get_nowait()[1].set_exception(Problem(self._why_not()))

    def _pass(self, until_s: float) -> None:
        """Let simulated time follow the wall clock up to `until_s`, and do the jobs that come meanwhile."""
        env = self.bench.live.env
        until_s = to_ns(until_s) / NS_PER_S  # a time that the clock can reach
        while self.bench.now_s < until_s:
            behind_s = self._due_s() - self.bench.now_s
            if behind_s > MAX_BEHIND_S:
                self._lose(behind_s)
            while self.bench.now_s < min(until_s, self._due_s()):
                env.run(until=min(until_s, self.bench.now_s + STEP_S))
                self.lateness_s.append(max(0.0, self._due_s() - self.bench.now_s))
                self._do_jobs()
            if self.bench.now_s >= until_s:
                return
            if self._stopping.is_set():
                env.run(until=until_s)  # an action is finished, not left half done
            else:
                self._do_jobs(wait_s=TICK_S)

    def _due_s(self) -> float:
        """What simulated time should be now."""
        return self._simulated_s + self._clock() - self._wall_s

    def _lose(self, behind_s: float) -> None:
        self.lost_s += behind_s
        self._wall_s, self._simulated_s = self._clock(), self.bench.now_s

    def _do_jobs(self, wait_s: float = 0.0) -> None:
        try:
            job = self._jobs.get(timeout=wait_s) if wait_s else self._jobs.get_nowait()
            for _ in range(MAX_JOBS):
                job()
                job = self._jobs.get_nowait()
        except queue.Empty:
            return

    def _act(self) -> None:
        try:
            text, result = self._actions.get_nowait()
        except queue.Empty:
            return
        _fulfil(result, partial(self._do, text))

    def _do(self, text: str) -> Outcome:
        action = parse_action(text, self.bench.car)
        if action.verb in NOT_LIVE:
            raise EditProblem(NOT_LIVE[action.verb])
        self._log_wait()
        try:
            return self.bench.do(text)
        finally:
            self._logged_ns = self.bench.live.env.now_ns

    def _log_wait(self) -> None:
        """Write the time since the last action into the log, as waits that a replay repeats exactly."""
        env = self.bench.live.env
        whole_ms = -((self._logged_ns - env.now_ns) // NS_PER_MS)  # rounded up
        for number, unit in zip(divmod(whole_ms, 1000), ("s", "ms"), strict=True):
            if number:
                self.bench.log.append(f"wait {number} {unit}")
        end_ns = self._logged_ns + whole_ms * NS_PER_MS
        if end_ns > env.now_ns:
            env.run(until=end_ns / NS_PER_S)
        self._logged_ns = end_ns


def _fulfil(result: Future[T], job: Callable[[], T]) -> None:
    try:
        result.set_result(job())
    except Exception as error:  # handed to the caller that waits for the result
        result.set_exception(error)
