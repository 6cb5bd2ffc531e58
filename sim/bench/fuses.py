"""Fuses that open in simulated time.

Every fuse above 1.1 times its rating heats up; at a constant current it opens after the time of its
curve (`sim.wiring.fuse`). While the current changes, the shares of the opening times add up.

Not modeled: cooling in steps (below 1.1 times its rating a fuse is cold again at once), a fuse weakened by
an earlier overload.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from sim.modules.world import Timer, World
from sim.network.frames import NS_PER_S
from sim.vehicle.car import Car
from sim.vehicle.elements import FuseLink
from sim.wiring.fuse import opening_s
from sim.wiring.wiring import Reading

SHORT_A = 1.0  # a short that takes more than this from a fuse is worth naming; common practice


@dataclass(slots=True)
class _Hot:
    since_ns: int
    used: float  # share of its life that had passed then
    opens_s: float
    timer: Timer

    def used_at(self, now_ns: int) -> float:
        return self.used + (now_ns - self.since_ns) / NS_PER_S / self.opens_s


class Fuses:
    """The fuses of one car on its clock. `blow(name, words)` is called when one opens."""

    def __init__(self, world: World, blow: Callable[[str, str], None]) -> None:
        self._world, self._blow = world, blow
        self._hot: dict[str, _Hot] = {}

    def update(self, reading: Reading, car: Car) -> None:
        """Start, change or stop the timers after the network has been solved anew."""
        for name, amp in reading.fuse_currents().items():
            rating_a = fitted_a(name, car)
            opens_s = opening_s(amp, rating_a)
            hot = self._hot.get(name)
            if hot is not None and hot.opens_s != opens_s:
                hot.timer.cancel()
                del self._hot[name]
            if opens_s is not None and name not in self._hot:
                now_ns = self._world.now_ns
                used = hot.used_at(now_ns) if hot else 0.0
                left_s = max(0.0, 1.0 - used) * opens_s
                words = f"fuse {name} blows: {amp:.0f} A through {rating_a:g} A"
                timer = self._world.after(left_s, partial(self._open, name, words))
                self._hot[name] = _Hot(now_ns, used, opens_s, timer)

    def _open(self, name: str, words: str) -> None:
        del self._hot[name]
        self._blow(name, words)


def fitted_a(name: str, car: Car) -> float:
    """The rating of the fuse that sits in a holder."""
    element = car.elements[name]
    assert isinstance(element, FuseLink)
    return car.harness.fitted_a.get(name, element.rating_a)


def shorts_behind(name: str, reading: Reading) -> list[str]:
    """Shorts and leads whose current comes through a fuse."""
    leads = [part.id for part in reading.car.harness.joined_parts()]
    apart = reading.without(name)
    fed = {id: abs(reading.current(id)) for id in leads}
    return [id for id in leads if fed[id] > SHORT_A and abs(apart.current(id)) < fed[id] / 2]
