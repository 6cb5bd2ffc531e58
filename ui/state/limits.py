"""How much one address may have of this server: windows at once, joins in an hour, and large files.

A class behind one address of its school's network has room; this computer itself has no limit. The figures
are our own choices.
"""

from __future__ import annotations

import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager

from sim.front_door import LOOPBACK, LOOPBACKS
from sim.training.passphrase import source_of
from sim.vehicle.problems import Problem

PROXIED = ("Forwarded", "X-Forwarded-For", "X-Real-Ip")  # RFC 7239, and the usual ones before it
FILE_MB, PHOTO_MB = 1, 8  # of a file in a field; phones take photos of 2 to 6 MB (common practice)
MOST_WINDOWS, MOST_WINDOWS_IN_ALL = 150, 600  # forty students with three windows each, and some
MOST_JOINS, JOINS_WITHIN_S = 200, 3600.0  # forty students five times
MOST_SOURCES = 10_000  # so many addresses are told apart


def asked_from(address: str | None, headers: Mapping[str, str]) -> tuple[str, bool]:
    """What an address is counted by, and whether it is this computer itself.

    Only a proxy on this computer is believed when it says for whom it asks: anybody can send its headers.
    """
    address = address or LOOPBACK
    if address not in LOOPBACKS or not any(name in headers for name in PROXIED):
        return source_of(address), address in LOOPBACKS
    last = headers.get("X-Forwarded-For", "").rpartition(",")[2].strip()
    return source_of(last or headers.get("X-Real-Ip", "") or "a proxy"), False


class Windows:
    """The windows that are open, by address."""

    def __init__(self, most: int = MOST_WINDOWS, in_all: int = MOST_WINDOWS_IN_ALL) -> None:
        self._most, self._in_all = most, in_all
        self._open: Counter[str] = Counter()
        self._lock = threading.Lock()

    def is_full(self, source: str) -> bool:
        """Whether this address may open no more."""
        return self._open[source] >= self._most or self._open.total() >= self._in_all

    @contextmanager
    def one_more(self, source: str) -> Iterator[bool]:
        """A window, until the block ends; False where there is no room for it."""
        with self._lock:
            fits = not self.is_full(source)
            self._open[source] += fits
        try:
            yield fits
        finally:
            with self._lock:
                self._open[source] -= fits
                if not self._open[source]:
                    del self._open[source]


class Allowance:
    """So many times within a while, by address."""

    def __init__(self, most: int, within_s: float, clock: Callable[[], float] = time.monotonic) -> None:
        self._most, self._within_s, self._clock = most, within_s, clock
        self._taken_s: dict[str, deque[float]] = {}
        self._lock = threading.Lock()

    def take(self, source: str) -> None:
        """Count one; raises `Problem` where it is too many."""
        now_s = self._clock()
        with self._lock:
            taken_s = self._taken_s.pop(source, deque())
            self._taken_s[source] = taken_s  # the last one used is the last one forgotten
            while taken_s and taken_s[0] <= now_s - self._within_s:
                taken_s.popleft()
            if len(self._taken_s) > MOST_SOURCES:
                del self._taken_s[next(iter(self._taken_s))]
            if len(taken_s) >= self._most:
                wait_min = (taken_s[0] + self._within_s - now_s) / 60
                raise Problem(f"too many have joined from this address: wait {max(wait_min, 1):.0f} min")
            taken_s.append(now_s)


joins = Allowance(MOST_JOINS, JOINS_WITHIN_S)
