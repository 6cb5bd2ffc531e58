"""Calendars on the SimPy clock: what happens next on the buses, in whole nanoseconds."""

from __future__ import annotations

from collections.abc import Callable
from heapq import heapify, heappop, heappush
from typing import Any, Final

from sim.network.clock import FOREVER_NS, AlarmClock, NanosecondEnvironment
from sim.network.messages import STATES, Forward, GatewayFrame

Entry = tuple[int, str, Any]  # time in ns, order at that instant, item
LAST: Final[Entry] = (FOREVER_NS, "", "")  # so that no heap is ever empty


class Calendar:
    """What is due next: the first entry of three heaps. `work` is called when it is due.

    `work` gets the time of the SimPy clock in ns and may work ahead of it. releases: of periodic messages,
    limits: checks of watches, entries: all else. A hundred periods and limits that hardly ever change would
    make every step of one common heap a long way.
    """

    def __init__(self, env: NanosecondEnvironment, work: Callable[[int], None]) -> None:
        self._env = env
        self.entries: list[Entry] = [LAST]
        self.releases: list[Entry] = [LAST]
        self.limits: list[Entry] = [LAST]
        self.clock = AlarmClock(env, self._woken)
        self._work = work
        self._running = False
        self._serial = 0

    def now_ns(self) -> int:
        """Time of the SimPy clock."""
        return self._env.now_ns

    def next_ns(self) -> int:
        """Time of the next entry."""
        return min(self.entries[0], self.releases[0], self.limits[0])[0]

    def next_serial(self) -> int:
        """A new number, to tell apart what must not be confused at one instant."""
        self._serial += 1
        return self._serial

    def plan(self, at_ns: int, rank: str, item: object) -> None:
        """Enter an item."""
        heappush(self.entries, (at_ns, rank, item))
        if not self._running:
            self.clock.set(at_ns)

    def plan_release(self, at_ns: int, rank: str, message: object) -> None:
        """Enter the first release of a periodic message."""
        heappush(self.releases, (at_ns, rank, message))
        if not self._running:
            self.clock.set(at_ns)

    def plan_limit(self, at_ns: int, rank: str, watches: object) -> None:
        """Enter a check of watches."""
        heappush(self.limits, (at_ns, rank, watches))
        if not self._running:
            self.clock.set(at_ns)

    def plan_state(self, at_ns: int, about: str, item: object) -> None:
        """Enter an item among the changes of error states, in the order of what they are about."""
        self.plan(at_ns, f"{STATES} {about} {self.next_serial():012d}", item)

    def cross_out(self, gone: object) -> None:
        """Remove every entry of an item, and frames that a gateway has received for it."""
        now_ns = self.now_ns()
        self._keep(
            self.entries,
            lambda at_ns, item: (
                item is not gone
                and not (
                    item.__class__ is GatewayFrame
                    and item.target is gone
                    and at_ns - item.forward.delay_ns < now_ns
                )
            ),
        )
        self._keep(self.releases, lambda _, item: item is not gone)

    def take_back(self, forwards: list[Forward], end_ns: int) -> None:
        """Remove what gateways would make of a frame that ends then."""
        self._keep(
            self.entries,
            lambda at_ns, item: (
                not (
                    item.__class__ is GatewayFrame
                    and item.forward in forwards
                    and at_ns - item.forward.delay_ns == end_ns
                )
            ),
        )

    def _keep(self, heap: list[Entry], stays: Callable[[int, Any], bool]) -> None:
        heap[:] = [entry for entry in heap if stays(entry[0], entry[2])]
        heapify(heap)

    def wake_for_next(self) -> None:
        """Have the clock ring for the first entry."""
        if not self._running and (next_ns := self.next_ns()) < FOREVER_NS:
            self.clock.set(next_ns)

    def _woken(self, now_ns: int) -> None:
        self._running = True
        try:
            self._work(now_ns)
        finally:
            self._running = False
            self.wake_for_next()


class ActionCalendar:
    """Actions at their times, in the order of time, `order` and entry. Each is called with its time in ns.

    One that can wait is called at the latest before the next that cannot, or by `catch_up`. on_rung: called
    when all that was due at a moment is done.
    """

    def __init__(self, env: NanosecondEnvironment, on_rung: Callable[[], None] | None = None) -> None:
        self._env = env
        self._on_rung = on_rung
        self._clock = AlarmClock(env, self._ring)
        self._entries: list[tuple[int, int, int, bool, Callable[[int], None]]] = []
        self._alarms_ns: list[int] = []  # heap: times of those that cannot wait
        self._serial = 0

    def now_ns(self) -> int:
        """Time of the SimPy clock."""
        return self._env.now_ns

    def at(self, at_ns: int, order: int, action: Callable[[int], None], *, can_wait: bool = False) -> None:
        """Enter an action."""
        self._serial += 1
        heappush(self._entries, (at_ns, order, self._serial, can_wait, action))
        if not can_wait:
            self.alarm(at_ns)

    def alarm(self, at_ns: int) -> None:
        """Let nothing wait any longer than this."""
        heappush(self._alarms_ns, at_ns)
        self._clock.set(at_ns)

    def catch_up(self) -> None:
        """Do what should have been done before now."""
        now_ns = self._env.now_ns
        while self._entries and self._entries[0][0] < now_ns:
            at_ns, _, _, _, action = heappop(self._entries)
            action(at_ns)

    def wait_no_more(self) -> None:
        """Whatever was entered is done on time from now on."""
        self._alarms_ns = sorted(entry[0] for entry in self._entries)
        if self._alarms_ns:
            self._clock.set(self._alarms_ns[0])

    def _ring(self, now_ns: int) -> None:
        while self._entries and self._entries[0][0] <= now_ns:
            at_ns, _, _, waited, action = heappop(self._entries)
            action(at_ns if waited else now_ns)
        while self._alarms_ns and self._alarms_ns[0] <= now_ns:
            heappop(self._alarms_ns)
        if self._on_rung:
            self._on_rung()
        if self._alarms_ns:
            self._clock.set(self._alarms_ns[0])
