"""What signals of sensors do to the voltage between two points, at which an instrument probes.

A change at one place of the network shows at another by the impedance between both, which the network as it
is solved gives (superposition).

Not modeled: voltages so far from rest that one-way elements begin or cease to conduct.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from sim.bench.pulses import PulseTrain, step_v
from sim.wiring.wiring import Reading

LEAST_STEP_V = 0.02  # less than the thickness of a trace


@dataclass(frozen=True, slots=True)
class Pulsed:
    """A signal as it shows between two points: it moves the voltage by `step_v` while it is active."""

    train: PulseTrain
    step_v: float

    @property
    def high_share(self) -> float:
        """The share of time at the higher of both levels, 0 to 1."""
        return self.train.share if self.step_v > 0 else 1 - self.train.share


def pulsed(found: Reading, trains: Iterable[PulseTrain], a: str, b: str) -> tuple[Pulsed, ...]:
    """The signals that show between two points, the greatest first."""
    seen = [
        Pulsed(train, moved_v)
        for train in trains
        if abs(moved_v := step_v(found, train, a, b)) >= LEAST_STEP_V
    ]
    return tuple(sorted(seen, key=lambda one: -abs(one.step_v)))


def edges(seen: Iterable[Pulsed], start_s: float, end_s: float) -> Iterator[tuple[float, float]]:
    """When the voltage changes in a stretch of time, from a period before it on, and by how much."""
    for one in seen:
        for time_s, on in one.train.changes(start_s, end_s):
            yield time_s, one.step_v if on else -one.step_v
