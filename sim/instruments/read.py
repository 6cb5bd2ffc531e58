"""One sentence in, what the instrument shows out: `read(bench, "measure volts ECM.C1.1 to G2")`.

A `Notebook` keeps what was shown: one reading for each observation of a bench's log. If the bench is another
one (rewound, taken up again, restored), readings of what the two logs have in common stay, and the rest is
read again by a replay of the log.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from sim.bench.bench import Bench
from sim.bench.observations import (
    METER_FUNCTIONS,
    Observation,
    ObservationKind,
    is_observation,
    parse_observation,
)
from sim.bench.observing import Observed
from sim.instruments.inspection import inspected
from sim.instruments.lamp import loaded
from sim.instruments.meter import measured
from sim.instruments.probed import Probed, ProbedBench
from sim.instruments.result import Result
from sim.instruments.scope import swept
from sim.vehicle.problems import EditProblem


def read(bench: ProbedBench, sentence: str) -> Result:
    """Do an observation (see `sim.bench.observations`) and give back what it shows.

    Raises `EditProblem`, with nothing changed, where it makes no sense now.
    """
    bench.do(parse_observation(sentence, bench.car).text)
    return shown(bench)


def shown(bench: Probed) -> Result:
    """What the bench's last observation shows, before anything else has been done."""
    if bench.observed is None:
        raise EditProblem("nothing has been measured or inspected yet")
    return _SHOWN[bench.observed.what.kind](bench, bench.observed)


_SHOWN: dict[ObservationKind, Callable[[Probed, Observed], Result]] = {
    **dict.fromkeys(METER_FUNCTIONS, measured),
    ObservationKind.LOAD: loaded,
    ObservationKind.LOOK: inspected,
    ObservationKind.SCOPE: swept,
}


@dataclass(frozen=True, slots=True)
class NotedReading:
    """One reading: its place in the log (1 is the first action), the time in s, what was done and shown."""

    place: int
    time_s: float
    what: Observation
    result: Result


def noted(bench: Bench) -> NotedReading:
    """The reading of the bench's last action; raises `EditProblem` if that was no observation."""
    result = shown(bench)
    assert bench.observed is not None  # something is shown
    return NotedReading(len(bench.log), bench.now_s, bench.observed.what, result)


class Notebook:
    """The readings of the bench that a session works on."""

    def __init__(self) -> None:
        self._bench: Bench | None = None
        self._log: list[str] = []
        self._readings: list[NotedReading] = []

    def note(self, bench: Bench) -> NotedReading:
        """Write down what the bench's last action, an observation, has shown."""
        self._turn_to(bench, len(bench.log) - 1)
        reading = noted(bench)
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
        if any(is_observation(text) for text in log[known:]):
            self._readings = _read_again(bench, log)
        self._bench, self._log = bench, log


def _same_car(one: Bench, other: Bench) -> bool:
    return one is other or (one.base is other.base and (one.given, one.seed) == (other.given, other.seed))


def _read_again(bench: Bench, log: list[str]) -> list[NotedReading]:
    again = Bench(bench.base, bench.given, bench.seed)
    readings = []
    for text in log:
        again.do(text)
        if is_observation(text):
            readings.append(noted(again))
    return readings
