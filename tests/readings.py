"""What an instrument shows, for tests: the sentence of `sim.instruments.read`, and the result's own type."""

from sim.instruments.inspection import Inspection
from sim.instruments.lamp import Loaded
from sim.instruments.levels import Traffic, seen
from sim.instruments.meter import Measured, average_ohm, average_v
from sim.instruments.probed import ProbedBench
from sim.instruments.read import read
from sim.instruments.scope import Picture
from sim.wiring.wiring import Reading


def measure(bench: ProbedBench, sentence: str) -> Measured:
    """The meter's reading: `measure(bench, "volts F1.2 to BODY")`."""
    found = read(bench, f"measure {sentence}")
    assert isinstance(found, Measured)
    return found


def load(bench: ProbedBench, sentence: str) -> Loaded:
    """The loaded test: `load(bench, "F4.1 to G4 with 21 W lamp")`."""
    found = read(bench, f"load {sentence}")
    assert isinstance(found, Loaded)
    return found


def sweep(bench: ProbedBench, sentence: str) -> Picture:
    """The scope's picture: `sweep(bench, "F1.2 to BODY for 2 ms")`."""
    found = read(bench, f"scope {sentence}")
    assert isinstance(found, Picture)
    return found


def finds(bench: ProbedBench, part: str) -> tuple[str, ...]:
    """What an inspection of a part finds."""
    found = read(bench, f"look {part}")
    assert isinstance(found, Inspection)
    return found.finds


def volts_between(found: Reading, traffic: Traffic, a: str, b: str) -> float | None:
    """What a voltmeter shows in one state of the network, in V; None for floating points."""
    return average_v(seen(found, traffic, a, b))


def ohms_between(found: Reading, traffic: Traffic, a: str, b: str) -> float | None:
    """What an ohmmeter shows in one state of the network, in ohm; None out of range."""
    return average_ohm(seen(found, traffic, a, b))
