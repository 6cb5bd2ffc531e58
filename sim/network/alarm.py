"""An alarm clock on the SimPy clock, for whole nanoseconds.

SimPy keeps time as a floating-point number and adds delays to it, which rounds. The alarm rings with the
clock at exactly the number that the nanoseconds divide to, and behind all other events of that instant.
"""

from __future__ import annotations

from collections.abc import Callable

from simpy import Environment, Event
from simpy.events import EventPriority

from sim.network.frames import NS_PER_S

# SimPy knows 0 (urgent) and 1 (normal).
_LAST = EventPriority(2)
_FOR_EVER = 1 << 62  # ns: 146 years


def to_ns(time_s: float) -> int:
    """The nearest whole nanosecond."""
    return round(time_s * NS_PER_S)


class AlarmClock:
    """Calls on_alarm(time in ns) at the earliest time that was asked for, then forgets all of them."""

    def __init__(self, env: Environment, on_alarm: Callable[[int], None]) -> None:
        self._env = env
        self._on_alarm = on_alarm
        self._next_ns = _FOR_EVER
        self._set_ns: set[int] = set()  # times with an event in SimPy's queue, one each at most

    def now_ns(self) -> int:
        return to_ns(self._env.now)

    def set(self, at_ns: int) -> None:
        """Ring at this time at the latest."""
        if at_ns < self._next_ns:
            self._next_ns = at_ns
            if at_ns not in self._set_ns:
                self._set_ns.add(at_ns)
                _Ring(self._env, at_ns, self._ring)

    def quiet_before_ns(self, look_ahead_s: float) -> int:
        """The first nanosecond that must wait for somebody else's next event, or for the look-ahead's end."""
        until_s = min(self._env.peek(), self._env.now + look_ahead_s)
        until_ns = to_ns(until_s)
        return until_ns if until_ns / NS_PER_S >= until_s else until_ns + 1

    def _ring(self, ring: Event) -> None:
        assert isinstance(ring, _Ring)
        self._set_ns.discard(ring.at_ns)
        if ring.at_ns != self._next_ns:
            return  # an earlier alarm has done the work of this one
        self._next_ns = _FOR_EVER
        if self._env.now < ring.at_ns / NS_PER_S:
            self.set(ring.at_ns)
        else:
            self._on_alarm(ring.at_ns)


class _Ring(Event):
    """One alarm in SimPy's queue. It may ring early, never late."""

    def __init__(self, env: Environment, at_ns: int, callback: Callable[[Event], None]) -> None:
        super().__init__(env)
        self._ok = True
        self._value = None
        self.at_ns = at_ns
        self.callbacks.append(callback)
        at_s, now_s = at_ns / NS_PER_S, env.now
        delay_s = max(0.0, at_s - now_s)
        if delay_s and now_s + delay_s != at_s:
            delay_s /= 2  # the sum would be rounded; from half the way on it is exact
        env.schedule(self, _LAST, delay_s)
