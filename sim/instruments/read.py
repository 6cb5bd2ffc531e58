"""One sentence in, what the instrument shows out: `read(bench, "measure volts ECM.C1.1 to G2")`."""

from __future__ import annotations

from collections.abc import Callable

from sim.bench.observations import ObservationKind, parse_observation
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
        raise EditProblem("nothing has been measured or looked at yet")
    return _SHOWN[bench.observed.what.kind](bench, bench.observed)


_SHOWN: dict[ObservationKind, Callable[[Probed, Observed], Result]] = {
    ObservationKind.VOLTS: measured,
    ObservationKind.MINIMUM: measured,
    ObservationKind.OHMS: measured,
    ObservationKind.CONTINUITY: measured,
    ObservationKind.AMPS: measured,
    ObservationKind.LOAD: loaded,
    ObservationKind.LOOK: inspected,
    ObservationKind.SCOPE: swept,
}
