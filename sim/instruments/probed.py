"""What instruments need of a car: what can be probed, and what was done last."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

from sim.bench.observing import Observed
from sim.bench.pulses import PulseTrain
from sim.network.streams import Stream
from sim.vehicle.car import Car
from sim.wiring.conduction import SwitchState
from sim.wiring.wiring import Wiring


class ProbedCar(Protocol):
    """A car whose terminals can be probed at this instant. tester_active: does a tester talk?"""

    tester_active: bool

    @property
    def wiring(self) -> Wiring:
        """The electrical network."""

    def switch_state(self) -> SwitchState:
        """Return everything that is switched, as it is now."""

    def streams_running(self) -> Iterable[Stream]:
        """Return the messages that are being sent."""

    def pulse_trains(self) -> Iterable[PulseTrain]:
        """Return the signals that sensors give on their wires now."""

    def lone_senders(self) -> Iterable[str]:
        """Return the channels that work and share their bus with no other."""


class Probed(Protocol):
    """A car at which an observation was done. observed: the last one. seed: what random draws begin from."""

    observed: Observed | None
    seed: int

    @property
    def car(self) -> Car:
        """The car as it is now."""

    @property
    def live(self) -> ProbedCar:
        """The same, at work."""

    @property
    def now_s(self) -> float:
        """Simulated time."""


class ProbedBench(Probed, Protocol):
    """A car at which an instrument can do an observation."""

    def do(self, text: str) -> object:
        """Do an action; raises `EditProblem`, with nothing changed, where it makes no sense now."""
