"""What the instruments have shown on a bench: one reading for each observation of its log.

A reading belongs to a place in the log. Where the bench is another one (rewound, taken up again, restored),
readings of what the two logs have in common stay, and the rest is read again by a replay of the log.
"""

from __future__ import annotations

from dataclasses import dataclass

from sim.bench.bench import Bench
from sim.bench.observations import is_observation
from sim.instruments.read import shown
from sim.instruments.result import Result


@dataclass(frozen=True, slots=True)
class NotedReading:
    """One reading: its place in the log (1 is the first action), the time in s, and what was shown."""

    place: int
    time_s: float
    result: Result


class Notebook:
    """The readings of the bench that a session works on."""

    def __init__(self) -> None:
        self._bench: Bench | None = None
        self._log: list[str] = []
        self._readings: list[NotedReading] = []

    def note(self, bench: Bench) -> NotedReading:
        """Write down what the bench's last action, an observation, has shown."""
        self._turn_to(bench, len(bench.log) - 1)
        reading = NotedReading(len(bench.log), bench.now_s, shown(bench))
        self._readings.append(reading)
        self._log = list(bench.log)
        return reading

    def of(self, bench: Bench) -> list[NotedReading]:
        """All readings of a bench, in the order of its log."""
        self._turn_to(bench, len(bench.log))
        return self._readings

    def _turn_to(self, bench: Bench, places: int) -> None:
        """Readings of the first `places` actions."""
        log = bench.log[:places]
        known = 0
        if self._bench is not None and _same_car(self._bench, bench):
            while known < min(len(log), len(self._log)) and log[known] == self._log[known]:
                known += 1
        self._readings = [one for one in self._readings if one.place <= known]
        if any(_is_observation(text) for text in log[known:]):
            self._readings = _read_again(bench, log)
        self._bench, self._log = bench, log


def _same_car(one: Bench, other: Bench) -> bool:
    return one is other or (one.base is other.base and (one.given, one.seed) == (other.given, other.seed))


def _is_observation(text: str) -> bool:
    return is_observation(text)


def _read_again(bench: Bench, log: list[str]) -> list[NotedReading]:
    again = Bench(bench.base, bench.given, bench.seed)
    readings = []
    for place, text in enumerate(log, start=1):
        again.do(text)
        if _is_observation(text):
            readings.append(NotedReading(place, again.now_s, shown(again)))
    return readings
