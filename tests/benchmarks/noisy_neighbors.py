"""A class at work beside visitors who wait for a day and search without end: is it slower for it?

    python -m tests.benchmarks.noisy_neighbors --students 30 --visitors 10 --seconds 75

One server; the class works alone first, then beside the visitors, so many seconds each. Prints both tables,
the ratio of the 95th percentiles, and how soon the processors are idle after all windows are closed. Status 1
where one of the limits is missed; they are for a quiet machine with two cores.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

from websockets.exceptions import WebSocketException

from sim.training.records import RECORDS_VARIABLE, Records
from tests.benchmarks.class_load import MOST_P95_S, Class, Load, at_an_exercise, processor_s, run
from tests.ui.browser import free_port, server
from tests.ui.visitor import Visitor
from ui.state.search_question import DOUBLE, SINGLE

MOST_RATIO, IDLE_WITHIN_S = 1.5, 10.0
IDLE_SHARE = 0.1  # of one processor
PATIENCE_S = 120.0
LONG_SEARCH = 3  # of four neighbors


@dataclass
class Compared:
    """A class alone and beside neighbors; seconds until idle; what the neighbors did."""

    quiet: Load
    noisy: Load
    idle_after_s: float
    done: int
    problems: list[str]

    @property
    def ratio(self) -> float:
        """How much longer 95 % of the answers take at most."""
        return self.noisy.p95_s() / self.quiet.p95_s()

    def lines(self) -> list[str]:
        """Both tables and what is compared."""
        told = ["alone", *self.quiet.lines(), "beside the neighbors", *self.noisy.lines()]
        told.append(f"95th percentile: {self.noisy.p95_s():.2f} s, {self.ratio:.2f} times the quiet one")
        told.append(f"pieces of work that the neighbors finished: {self.done}")
        told.append(f"idle {self.idle_after_s:.1f} s after the windows were closed")
        return told + self.problems


class Neighbor(threading.Thread):
    """A visitor who asks for the longest work again and again until the window is closed.

    Every second one waits for a day; of the others every second one looks for two faults at once, which takes
    minutes, and the rest for one, which is known when it has been found once.
    """

    def __init__(self, address: str, number: int) -> None:
        super().__init__()
        self.problem, self.done = "", 0
        self._closed = False
        self._work: Callable[[], None] = self._search if number % 2 else self._wait
        self._most = DOUBLE if number % 4 == LONG_SEARCH else SINGLE
        self._visitor = Visitor(address, "lab" if number % 2 else "bay")
        self._visitor.__enter__()

    def run(self) -> None:
        try:
            if self._work == self._wait:
                self._visitor.choose("panel", "Work")
                self._say("key run")
            while not self._closed:
                self._work()
                self.done += 1
        except (OSError, EOFError, WebSocketException) as error:
            if not self._closed:
                self.problem = f"a neighbor: {type(error).__name__}: {error}"
        except Exception as error:
            self.problem = f"a neighbor: {type(error).__name__}: {error}"

    def close(self) -> None:
        """Close the window in the middle of whatever is done."""
        self._closed = True
        self._visitor.close()

    def _say(self, sentence: str) -> None:
        self._visitor.fill("sentence", sentence)
        self._visitor.press("Do it")

    def _wait(self) -> None:
        self._say("wait 24 h")

    def _search(self) -> None:
        if not self._visitor.has("suspects_find"):
            self._visitor.go("lab")
            self._visitor.press("example suspects")
            if not self._visitor.has("suspects_find"):
                self._visitor.go("suspects")
            self._visitor.choose("suspects_most", self._most)
        self._visitor.press("suspects_find")
        while self._visitor.has("suspects_search_call_off") or self._visitor.repeats:
            time.sleep(0.7)
            self._visitor.repeat()


def compared(students: int, visitors: int, seconds: float, exercise: str = "01") -> Compared:
    """Two classes after each other on one server, the second one beside so many visitors."""
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{folder}/classes.sqlite"
        records = Records(url)
        alone, beside = (Class.of(records, students, exercise) for _ in range(2))
        records.close()
        port, address = free_port(), ""
        home = {RECORDS_VARIABLE: url, "XDG_DATA_HOME": folder, "XDG_CACHE_HOME": folder}
        with server(port, **home) as process:
            address = f"http://127.0.0.1:{port}"
            quiet = run(address, process.pid, students, seconds, at_an_exercise, alone.enter)
            neighbors = [Neighbor(address, number) for number in range(visitors)]
            for one in neighbors:
                one.start()
            time.sleep(min(10.0, seconds))  # until their processes have begun
            noisy = run(address, process.pid, students, seconds, at_an_exercise, beside.enter)
            for one in neighbors:
                one.close()
            idle_s = _idle_after_s(process.pid)
            for one in neighbors:
                one.join()
    done = sum(one.done for one in neighbors)
    return Compared(quiet, noisy, idle_s, done, [one.problem for one in neighbors if one.problem])


def _idle_after_s(pid: int) -> float:
    """Seconds until the server uses next to nothing."""
    begun_s = time.monotonic()
    while (since_s := time.monotonic() - begun_s) < PATIENCE_S:
        before_s = processor_s(pid)
        time.sleep(1.0)
        if processor_s(pid) - before_s < IDLE_SHARE:
            return since_s
    return PATIENCE_S


def main() -> int:
    """Compare and judge."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--students", type=int, default=30)
    parser.add_argument("--visitors", type=int, default=10)
    parser.add_argument("--seconds", type=float, default=75.0)
    chosen = parser.parse_args()
    found = compared(chosen.students, chosen.visitors, chosen.seconds)
    print("\n".join(found.lines()))
    in_time = found.ratio <= MOST_RATIO and found.noisy.p95_s() <= MOST_P95_S
    errors = [*found.quiet.errors, *found.noisy.errors, *found.problems]
    return 0 if in_time and found.idle_after_s <= IDLE_WITHIN_S and not errors else 1


if __name__ == "__main__":
    sys.exit(main())
