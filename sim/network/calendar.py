"""Calendars on the SimPy clock: what happens next on the buses, in whole nanoseconds."""

from __future__ import annotations

from collections.abc import Callable
from heapq import heapify, heappop, heappush
from typing import Any

from sim.network.clock import FOREVER_NS, AlarmClock, NanosecondEnvironment
from sim.network.messages import STATES, GatewayFrame


class Calendar:
    """A heap of (time in ns, order at that instant, item); `work` is called when its first entry is due.

    `work` gets the time of the SimPy clock in ns and may work ahead of it.
    """

    def __init__(self, env: NanosecondEnvironment, work: Callable[[int], None]) -> None:
        self._env = env
        self.entries: list[tuple[int, str, Any]] = []
        self.clock = AlarmClock(env, self._woken)
        self._work = work
        self._running = False
        self._serial = 0

    def now_ns(self) -> int:
        """Time of the SimPy clock."""
        return self._env.now_ns

    def next_ns(self) -> int:
        """Time of the next entry."""
        return self.entries[0][0] if self.entries else FOREVER_NS

    def next_serial(self) -> int:
        """A new number, to tell apart what must not be confused at one instant."""
        self._serial += 1
        return self._serial

    def plan(self, at_ns: int, rank: str, item: object) -> None:
        """Enter an item."""
        heappush(self.entries, (at_ns, rank, item))
        if not self._running:
            self.clock.set(at_ns)

    def plan_state(self, at_ns: int, about: str, item: object) -> None:
        """Enter an item among the changes of error states, in the order of what they are about."""
        self.plan(at_ns, f"{STATES} {about} {self.next_serial():012d}", item)

    def cross_out(self, gone: object) -> None:
        """Remove every entry of an item, and frames that a gateway has for it."""
        self.entries[:] = [
            entry for entry in self.entries
            if entry[2] is not gone and not (entry[2].__class__ is GatewayFrame and entry[2].target is gone)
        ]  # fmt: skip
        heapify(self.entries)

    def wake_for_next(self) -> None:
        """Have the clock ring for the first entry."""
        if self.entries and not self._running:
            self.clock.set(self.entries[0][0])

    def _woken(self, now_ns: int) -> None:
        self._running = True
        try:
            self._work(now_ns)
        finally:
            self._running = False
            self.wake_for_next()


class ActionCalendar:
    """Actions at their times, in the order of time, `order` and entry. Each is called with its time in ns."""

    def __init__(self, env: NanosecondEnvironment) -> None:
        self._env = env
        self._clock = AlarmClock(env, self._ring)
        self._entries: list[tuple[int, int, int, Callable[[int], None]]] = []
        self._serial = 0

    def now_ns(self) -> int:
        """Time of the SimPy clock."""
        return self._env.now_ns

    def at(self, at_ns: int, order: int, action: Callable[[int], None]) -> None:
        """Enter an action."""
        self._serial += 1
        heappush(self._entries, (at_ns, order, self._serial, action))
        self._clock.set(at_ns)

    def _ring(self, now_ns: int) -> None:
        while self._entries and self._entries[0][0] <= now_ns:
            heappop(self._entries)[3](now_ns)
        if self._entries:
            self._clock.set(self._entries[0][0])
