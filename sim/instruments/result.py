"""What an instrument gives back: a display, what a trainer would say about it, and the cautions."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypedDict

from sim.bench.observations import Observation
from sim.instruments import cautions
from sim.vehicle.car import Car

COUNTS = 6000  # of a hand-held meter; common practice
PREFIXES = {"V": (("mV", 1e-3), ("V", 1.0)), "Ω": (("Ω", 1.0), ("kΩ", 1e3), ("MΩ", 1e6)), "A": (("A", 1.0),)}
FINEST = {"V": 1e-4, "Ω": 0.1, "A": 1e-3}


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """Common to all instruments.

    action: the sentence in the log. display: what is read or seen, in one line. notes: what a trainer would
    say about it. cautions: what to mind before doing this on a real car. harm: what this has spoiled there.
    labor_s: labor time in seconds.
    """

    action: str
    display: str
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    harm: tuple[str, ...] = ()
    labor_s: float = 0.0


class Common(TypedDict):
    """What follows from the observation alone, for `Result`."""

    action: str
    cautions: tuple[str, ...]
    harm: tuple[str, ...]
    labor_s: float


def common(what: Observation, car: Car) -> Common:
    """Return what follows from an observation, whatever it shows."""
    return Common(
        action=what.text, cautions=cautions.of(what, car), harm=cautions.harm(what, car), labor_s=what.labor_s
    )


def digits(value: float, unit: str) -> str:
    """A value in V, Ω or A as a meter of 6000 counts shows it: `2.750 V`, `359.4 Ω`, `12.54 kΩ`."""
    shown_unit, scale = next(
        ((name, size) for name, size in PREFIXES[unit] if abs(value) < size * COUNTS / 10), PREFIXES[unit][-1]
    )
    scaled = value / scale
    places = next((p for p in (3, 2, 1) if abs(scaled) < COUNTS / 10**p), 0)
    places = min(places, max(0, round(-math.log10(FINEST[unit] / scale))))
    text = f"{scaled:.{places}f}"
    return f"{text.removeprefix('-') if float(text) == 0 else text} {shown_unit}"
