"""One clock for the whole car, in whole nanoseconds.

SimPy keeps time as whatever number it is given. With seconds in floating point a sum of delays rounds, and
two events of one instant end up a rounding error apart, in another order on another day.
`NanosecondEnvironment` counts whole nanoseconds; seconds are converted at its edge.

Not modeled: a module's own oscillator, which is a few tens of parts per million off.
"""

from __future__ import annotations

from collections.abc import Callable
from heapq import heappush

from simpy import Environment, Event
from simpy.core import Infinity
from simpy.events import NORMAL, EventPriority

from sim.network.frames import NS_PER_S

CLOCK_S = 0.5 / NS_PER_S  # times closer than this are equal: sums of seconds are rounded
# SimPy knows 0 (urgent) and 1 (normal).
_LAST = EventPriority(2)
FOREVER_NS = 1 << 62  # 146 years: a time after all others


def to_ns(time_s: float) -> int:
    """Return the nearest whole nanosecond."""
    return round(time_s * NS_PER_S)


class NanosecondEnvironment(Environment):
    """A SimPy environment whose clock counts whole nanoseconds; its methods take and return seconds.

    start_ns: the time at which it begins. A day is the same whenever it begins.
    """

    def __init__(self, start_ns: int = 0) -> None:
        super().__init__(start_ns)

    @property
    def now(self) -> float:
        """Simulated time in seconds."""
        return self._now / NS_PER_S

    @property
    def now_ns(self) -> int:
        """Simulated time in nanoseconds."""
        return int(self._now)

    def schedule(self, event: Event, priority: EventPriority = NORMAL, delay: float = 0) -> None:
        """Schedule an event after a delay in seconds, at the nearest nanosecond."""
        self.schedule_at_ns(event, priority, self.now_ns + (to_ns(delay) if delay else 0))

    def schedule_at_ns(self, event: Event, priority: EventPriority, at_ns: int) -> None:
        """Schedule an event at a time in nanoseconds."""
        heappush(self._queue, (at_ns, priority, next(self._eid), event))

    def peek(self) -> float:
        """Return the time of the next event in seconds; infinity if there is none."""
        return self._queue[0][0] / NS_PER_S if self._queue else Infinity

    def peek_ns(self) -> int:
        """Return the time of the next event in nanoseconds; 146 years if there is none."""
        return int(self._queue[0][0]) if self._queue else FOREVER_NS


class AlarmClock:
    """Calls `on_alarm(time in ns)` at the earliest time that was asked for, then forgets all of them.

    It rings after all other events of that instant.
    """

    def __init__(self, env: NanosecondEnvironment, on_alarm: Callable[[int], None]) -> None:
        self._env = env
        self._on_alarm = on_alarm
        self._next_ns = FOREVER_NS
        self._set_ns: set[int] = set()  # times with an event in SimPy's queue, one each at most

    def set(self, at_ns: int) -> None:
        """Ring at this time at the latest; at once if it has passed."""
        at_ns = max(at_ns, self._env.now_ns)
        if at_ns < self._next_ns:
            self._next_ns = at_ns
            if at_ns not in self._set_ns:
                self._set_ns.add(at_ns)
                _Ring(self._env, at_ns, self._ring)

    def quiet_before_ns(self, look_ahead_ns: int) -> int:
        """Return the nanosecond of the next event of others, or the end of the look-ahead."""
        return min(self._env.peek_ns(), self._env.now_ns + look_ahead_ns)

    def _ring(self, ring: Event) -> None:
        at_ns = self._env.now_ns
        self._set_ns.discard(at_ns)
        if at_ns != self._next_ns:
            return  # an earlier alarm has done the work of this one
        self._next_ns = FOREVER_NS
        self._on_alarm(at_ns)


class _Ring(Event):
    """One alarm in SimPy's queue."""

    def __init__(self, env: NanosecondEnvironment, at_ns: int, callback: Callable[[Event], None]) -> None:
        super().__init__(env)
        self._ok = True
        self._value = None
        self.callbacks.append(callback)
        env.schedule_at_ns(self, _LAST, at_ns)
