"""A class at work: so many students on one server, each over a websocket of its own, an action every 5 s.

    python -m tests.benchmarks.class_load --students 30 --minutes 10

Prints how long an action takes from the click to the whole new page, what the server's processes hold in
memory, and every error. The students run in this process and take some of the same processors' time.
"""

from __future__ import annotations

import argparse
import random
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from tests.ui.browser import free_port, server
from tests.ui.visitor import Visitor

EVERY_S = 5.0
LOOK_EVERY_S = 2.0

Act = Callable[[Visitor, random.Random], str]


@dataclass
class Load:
    """What a class has shown: seconds per action, megabytes of the server over time, errors in words."""

    took_s: dict[str, list[float]] = field(default_factory=dict)
    opened_s: list[float] = field(default_factory=list)
    memory_mb: list[float] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def add(self, kind: str, seconds: float) -> None:
        """One answered action."""
        with self._lock:
            self.took_s.setdefault(kind, []).append(seconds)

    def all_s(self) -> list[float]:
        """All answers, the fastest first."""
        return sorted(one for several in self.took_s.values() for one in several)

    def lines(self) -> list[str]:
        """The table."""
        rows = [("every action", self.all_s()), *sorted(self.took_s.items()), ("opening", self.opened_s)]
        told = [f"{'':14} {'count':>6} {'median':>8} {'p95':>8} {'worst':>8}"]
        for name, several in rows:
            if several:
                times = f"{_part(several, 0.5):7.2f}s {_part(several, 0.95):7.2f}s {max(several):7.2f}s"
                told.append(f"{name:14} {len(several):6} {times}")
        if self.memory_mb:
            told.append(f"memory of the server: {self.memory_mb[0]:.0f} MB at first, "
                        f"{max(self.memory_mb):.0f} MB at most")  # fmt: skip
        told.append(f"errors: {len(self.errors)}")
        told += [f"  {words}" for words in self.errors[:5]]
        return told


def _part(several: list[float], share: float) -> float:
    ordered = sorted(several)
    return ordered[min(int(share * len(ordered)), len(ordered) - 1)]


def in_the_bay(visitor: Visitor, dice: random.Random) -> str:
    """One action in the free bay."""
    kind = dice.choice(("wait 1", "wait 10", "module", "seat", "scan"))
    if kind == "module":
        visitor.pick("map", f"module {dice.choice(('TCM', 'ABS', 'BCM', 'IPC'))}")
    elif kind == "seat":
        if not visitor.has("key run"):
            visitor.choose("panel", "Seat")
        visitor.press(dice.choice(("key run", "key off", "key crank")))
    elif kind == "scan":
        if not visitor.has("scan"):
            visitor.choose("panel", "Tester")
        visitor.press("scan")
    else:
        visitor.press(kind)
    return kind


def run(
    address: str, pid: int, students: int, seconds: float, act: Act, enter: Callable[[str, int], Visitor]
) -> Load:
    """A class of so many students for so long; `enter` brings each to the page on which it acts."""
    load = Load()
    end_s = time.monotonic() + seconds
    threads = [
        threading.Thread(target=_study, args=(load, address, number, end_s, act, enter, students))
        for number in range(students)
    ]
    for thread in threads:
        thread.start()
    while any(thread.is_alive() for thread in threads):
        load.memory_mb.append(memory_mb(pid))
        time.sleep(LOOK_EVERY_S)
    return load


def _study(
    load: Load,
    address: str,
    number: int,
    end_s: float,
    act: Act,
    enter: Callable[[str, int], Visitor],
    students: int,
) -> None:
    dice = random.Random(number)
    time.sleep(EVERY_S * number / students)  # nobody's clock agrees with another's
    try:
        with enter(address, number) as visitor:
            load.opened_s.append(visitor.took_s)
            while (next_s := time.monotonic() + EVERY_S) < end_s:
                begun_s = time.perf_counter()
                kind = act(visitor, dice)
                load.add(kind, time.perf_counter() - begun_s)
                time.sleep(max(0.0, next_s - time.monotonic()))
            load.errors += visitor.exceptions
    except Exception as error:
        load.errors.append(f"student {number}: {type(error).__name__}: {error}")


def memory_mb(pid: int) -> float:
    """What a process and those it has started hold, in megabytes; pages they share count for each."""
    family = {pid}
    for status in sorted(Path("/proc").glob("[0-9]*/stat"), key=lambda path: int(path.parent.name)):
        try:
            parent = int(status.read_text().rpartition(")")[2].split()[1])
        except (OSError, IndexError):
            continue
        if parent in family:
            family.add(int(status.parent.name))
    total_kb = 0
    for one in sorted(family):
        try:
            text = Path(f"/proc/{one}/status").read_text()
        except OSError:
            continue
        total_kb += sum(int(line.split()[1]) for line in text.splitlines() if line.startswith("VmRSS"))
    return total_kb / 1024


def main() -> int:
    """Run a class and print the table; status 1 where anything went wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--students", type=int, default=30)
    parser.add_argument("--minutes", type=float, default=1.0)
    chosen = parser.parse_args()
    port = free_port()
    with server(port) as process:
        load = run(
            f"http://127.0.0.1:{port}",
            process.pid,
            chosen.students,
            60 * chosen.minutes,
            in_the_bay,
            lambda address, number: Visitor(address, "bay"),
        )
    print("\n".join(load.lines()))
    return 1 if load.errors else 0


if __name__ == "__main__":
    sys.exit(main())
