"""A class at work: so many students on one server, each over a websocket of its own, an action every 5 s.

    python -m tests.benchmarks.class_load --students 30 --minutes 10 --exercise 01

They work on an exercise of their class. Prints how long it takes from a click to the whole new page, what the
server has used of a processor per click and holds in memory, by how much that grows with each action once all
are used to the place, and every error. Status 1 where there was one, 95 % of the answers took longer than
half a second, or memory grew by more than 10 kB an action (of a run of ten minutes). The students run in this
process and take some of the same processors' time.
"""

from __future__ import annotations

import argparse
import os
import random
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from statistics import linear_regression

from sim.catalogue import shipped_exercises
from sim.training.exercise import find_exercise
from sim.training.records import RECORDS_VARIABLE, Records
from tests.ui.browser import free_port, server
from tests.ui.visitor import Visitor, query

EVERY_S = 5.0
MOST_P95_S, MOST_GROWTH_KB = 0.5, 10.0
SETTLED_S = 300.0  # until then caches fill
LOOK_EVERY_S = 2.0

Act = Callable[[Visitor, random.Random], str]


@dataclass
class Load:
    """What a class has shown: seconds per action, megabytes of the server, errors in words.

    `memory_mb`: the seconds since all were in, megabytes, and how many actions there had been.
    """

    took_s: dict[str, list[float]] = field(default_factory=dict)
    opened_s: list[float] = field(default_factory=list)
    memory_mb: list[tuple[float, float, int]] = field(default_factory=list)
    actions: int = 0
    processor_s: float = 0.0
    errors: list[str] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def add(self, kind: str, answers_s: list[float]) -> None:
        """An action, and how long each of its clicks took."""
        with self._lock:
            self.took_s.setdefault(kind, []).extend(answers_s)
            self.actions += 1

    def all_s(self) -> list[float]:
        """All answers, the fastest first."""
        return sorted(one for several in self.took_s.values() for one in several)

    def lines(self) -> list[str]:
        """The table."""
        rows = [("every click", self.all_s()), *sorted(self.took_s.items()), ("opening", self.opened_s)]
        told = [f"{'':14} {'count':>6} {'median':>8} {'p95':>8} {'worst':>8}"]
        for name, several in rows:
            if several:
                times = f"{_part(several, 0.5):7.2f}s {_part(several, 0.95):7.2f}s {max(several):7.2f}s"
                told.append(f"{name:14} {len(several):6} {times}")
        if self.memory_mb:
            told.append(f"memory of the server: {self._memory_words()}")
        if (growth_kb := self.growth_kb()) is not None:
            told.append(f"after the first five minutes it grows by {growth_kb:.1f} kB an action")
        if self.all_s():
            each_ms = 1000 * self.processor_s / len(self.all_s())
            told.append(f"processor time of the server: {each_ms:.0f} ms per click")
        told.append(f"errors: {len(self.errors)}")
        told += [f"  {words}" for words in self.errors[:5]]
        return told

    def memory_at_mb(self, since_s: float) -> float:
        """Memory at the look that was nearest to a moment."""
        return min(self.memory_mb, key=lambda look: abs(look[0] - since_s))[1]

    def p95_s(self) -> float:
        """How long 95 % of the answers take at most."""
        return _part(self.all_s(), 0.95)

    def growth_kb(self) -> float | None:
        """What an action adds to memory when caches are full, by least squares; None of a short run."""
        settled = [(count, 1024 * mb) for at_s, mb, count in self.memory_mb if at_s >= SETTLED_S]
        if len({count for count, _ in settled}) < 2:
            return None
        counts, kb = zip(*settled, strict=True)
        return linear_regression(counts, kb).slope

    def _memory_words(self) -> str:
        end_s = self.memory_mb[-1][0]
        moments = [
            ("at first", 0.0),
            ("after a minute", 60.0),
            ("at half time", end_s / 2),
            ("at the end", end_s),
        ]
        told = [f"{self.memory_at_mb(at_s):.0f} MB {words}" for words, at_s in moments if at_s <= end_s]
        return f"{', '.join(told)}; {max(mb for _, mb, _ in self.memory_mb):.0f} MB at most"


def _part(several: list[float], share: float) -> float:
    ordered = sorted(several)
    return ordered[min(int(share * len(ordered)), len(ordered) - 1)]


def at_an_exercise(visitor: Visitor, dice: random.Random) -> str:
    """One action of a student who looks for a fault."""
    kind = dice.choice(("seat", "seat", "scan", "look", "part", "wait 1", "wait 10", "panel"))
    if kind == "panel":
        visitor.choose("panel", dice.choice(("Order", "Work", "Log", "Measure")))
    elif kind == "part":
        visitor.pick("map", f"module {dice.choice(('ECM', 'TCM', 'ABS', 'CLUSTER'))}")
    elif kind == "seat":
        _open(visitor, "Seat")
        starts = [key for key in visitor.keys("button") if key.startswith(("key ", "press", "brake "))]
        visitor.press(dice.choice(starts))
    elif kind == "scan":
        _open(visitor, "Tester")
        visitor.press("scan")
    elif kind == "look":
        _open(visitor, "Work")
        visitor.fill("sentence", f"look {dice.choice(('ECM.C1', 'TCM.C1', 'ABS.C1', 'F1', 'F2', 'F3'))}")
        visitor.press("Do it")
    else:
        visitor.press(kind)
    return kind


def _open(visitor: Visitor, panel: str) -> None:
    visitor.choose("panel", panel)


@dataclass
class Class:
    """A class in the records, with a key per student and the number of its exercise."""

    keys: list[str]
    assignment: int

    @classmethod
    def of(cls, records: Records, students: int, exercise: str) -> Class:
        """A new class whose students have all joined."""
        group = records.classes.open("load")
        keys = [records.students.join(group.join_code, f"student {number}")[1] for number in range(students)]
        name = next(name for name in shipped_exercises() if name.startswith(exercise))
        text = shipped_exercises()[name].read_text(encoding="utf-8")
        return cls(keys, records.assignments.give(group.id, text, practice=True, varied=True).id)

    def enter(self, address: str, number: int, keeps: bool = False) -> Visitor:
        """The visit of one student, at the exercise."""
        asked = query(student=self.keys[number], exercise=str(self.assignment))
        return Visitor(address, "exercise", asked, keeps)


def run(
    address: str, pid: int, students: int, seconds: float, act: Act, enter: Callable[[str, int], Visitor]
) -> Load:
    """A class of so many students for so long, once all are in; `enter` brings each to its page."""
    load = Load()
    everybody_in = threading.Barrier(students + 1)

    def study(number: int) -> None:
        dice = random.Random(number)
        try:
            with enter(address, number) as visitor:
                load.opened_s.append(visitor.answers_s[0])
                everybody_in.wait()
                end_s = time.monotonic() + seconds
                time.sleep(dice.uniform(0.0, EVERY_S))  # no two students click at once
                while (next_s := time.monotonic() + EVERY_S) < end_s + EVERY_S:
                    known = len(visitor.answers_s)
                    kind = act(visitor, dice)
                    load.add(kind, visitor.answers_s[known:])
                    time.sleep(max(0.0, next_s - time.monotonic()))
                load.errors += visitor.exceptions
        except Exception as error:
            everybody_in.abort()
            load.errors.append(f"student {number}: {type(error).__name__}: {error}")

    threads = [threading.Thread(target=study, args=(number,)) for number in range(students)]
    for thread in threads:
        thread.start()
    with suppress(threading.BrokenBarrierError):
        everybody_in.wait()
    before_s, begun_s = processor_s(pid), time.monotonic()
    while any(thread.is_alive() for thread in threads):
        load.memory_mb.append((time.monotonic() - begun_s, memory_mb(pid), load.actions))
        load.processor_s = processor_s(pid) - before_s
        time.sleep(LOOK_EVERY_S)
    return load


def memory_mb(pid: int) -> float:
    """What a process and those it has started hold, in megabytes; a page they share counts once."""
    total_kb = 0
    for one in _family(pid):
        with suppress(OSError):
            lines = Path(f"/proc/{one}/smaps_rollup").read_text().splitlines()
            total_kb += sum(int(line.split()[1]) for line in lines if line.startswith("Pss:"))
    return total_kb / 1024


def processor_s(pid: int) -> float:
    """Processor time that a process and those it has started have used."""
    ticks = 0
    for one in _family(pid):
        with suppress(OSError):
            fields = Path(f"/proc/{one}/stat").read_text().rpartition(")")[2].split()
            ticks += int(fields[11]) + int(fields[12])
    return ticks / os.sysconf("SC_CLK_TCK")


def _family(pid: int) -> list[int]:
    family = {pid}
    for path in sorted(Path("/proc").glob("[0-9]*/stat"), key=lambda path: int(path.parent.name)):
        with suppress(OSError):
            if int(path.read_text().rpartition(")")[2].split()[1]) in family:
                family.add(int(path.parent.name))
    return sorted(family)


def main() -> int:
    """Run a class and print the table; status 1 where anything went wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--students", type=int, default=30)
    parser.add_argument("--minutes", type=float, default=1.0)
    parser.add_argument("--exercise", default="01", help="its number (default: %(default)s)")
    chosen = parser.parse_args()
    load = measured(chosen.students, 60 * chosen.minutes, chosen.exercise)
    print(f"{find_exercise(chosen.exercise).whole_car.title}, {chosen.students} students")
    print("\n".join(load.lines()))
    is_flat = (load.growth_kb() or 0.0) <= MOST_GROWTH_KB
    return 0 if is_flat and load.p95_s() <= MOST_P95_S and not load.errors else 1


def measured(students: int, seconds: float, exercise: str) -> Load:
    """A server and a class of its own, and what they have shown."""
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{folder}/classes.sqlite"
        records = Records(url)
        group = Class.of(records, students, exercise)
        records.close()
        port = free_port()
        with server(port, **{RECORDS_VARIABLE: url, "XDG_DATA_HOME": folder}) as process:
            address = f"http://127.0.0.1:{port}"
            return run(address, process.pid, students, seconds, at_an_exercise, group.enter)


if __name__ == "__main__":
    sys.exit(main())
