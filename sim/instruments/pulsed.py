"""What signals of sensors do to the voltage between two points, at which an instrument probes.

A change at one place of the network shows at another by the impedance between both, which the network as it
is solved gives (superposition).

Not modelled: voltages so far from rest that one-way elements begin or cease to conduct.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from sim.bench.pulses import PulseTrain
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
        Pulsed(train, step_v)
        for train in trains
        if abs(step_v := _step_v(found, train, a, b)) >= LEAST_STEP_V
    ]
    return tuple(sorted(seen, key=lambda one: -abs(one.step_v)))


def _step_v(found: Reading, train: PulseTrain, a: str, b: str) -> float:
    """What a signal adds to the voltage of a against b while it is active."""
    ports = found.ports([(a, b), train.ends])
    here_v, at_v = ports.voltage_v
    if here_v is None or at_v is None:
        return 0.0
    across_ohm, own_ohm = float(ports.impedance_ohm[0, 1]), float(ports.impedance_ohm[1, 1])
    drawn_a = train.more_a if train.more_a else at_v / (own_ohm + train.ohm)
    step_v = -across_ohm * drawn_a
    return step_v if math.isfinite(step_v) else 0.0


def edges(seen: Iterable[Pulsed], start_s: float, end_s: float) -> Iterator[tuple[float, float]]:
    """When the voltage changes in a stretch of time, from a period before it on, and by how much."""
    for one in seen:
        for time_s, on in one.train.changes(start_s, end_s):
            yield time_s, one.step_v if on else -one.step_v
