"""What the parts of a live car ask of each other, and its latest events, by which they explain its state."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

from sim.modules.module import ControlModule
from sim.modules.world import World
from sim.network.clock import NanosecondEnvironment
from sim.network.interface import Network
from sim.network.lin import LinNetwork
from sim.vehicle.car import Car
from sim.vehicle.edit import Theory
from sim.vehicle.harness_state import HarnessState, alterations
from sim.wiring.conduction import SwitchState
from sim.wiring.wiring import Reading, Wiring


@dataclass
class LatestEvents:
    """Event numbers. edits: by part or channel; switches: by hand switch or relay.

    trigger: what was done or switched last.
    """

    edits: dict[str, int] = field(default_factory=dict)
    theories: dict[Theory, int] = field(default_factory=dict)
    switches: dict[str, int] = field(default_factory=dict)
    trigger: int | None = None

    def note_edit(self, old: HarnessState, new: HarnessState, event: int) -> None:
        """Note the event for every part that an edit has changed."""
        for one in alterations(old, new):
            self.edits.update(dict.fromkeys(one.names(), event))


class LinkExplainer(Protocol):
    """Says why one channel does not hear another."""

    def link(self, sender: str, receiver: str) -> tuple[int, ...]:
        """The events that keep them apart."""


class RunningCar(Protocol):
    """A car on its clock, as its relays, engine, buses and explainer see it.

    world: what the modules share. reading: the solution of the electrical network now. tester_active: does a
    tester talk?
    """

    latest: LatestEvents
    car: Car
    world: World
    modules: dict[str, ControlModule]
    lin: LinNetwork
    reading: Reading
    tester_active: bool
    env: NanosecondEnvironment

    @property
    def causes(self) -> LinkExplainer:
        """What explains the car's state."""

    @property
    def pulled_in(self) -> frozenset[str]:
        """The relays and contactors whose coils have pulled in."""

    @property
    def network(self) -> Network:
        """The CAN buses."""

    @property
    def wiring(self) -> Wiring:
        """The electrical network."""

    @property
    def reading_with_tester(self) -> Reading:
        """The solution with a tester at the diagnostic connector."""

    @property
    def tester_plugged(self) -> bool:
        """Does a tester talk, or is an adapter plugged in?"""

    @property
    def tester_has_power(self) -> bool:
        """Does pin 16 of the diagnostic connector feed a tester?"""

    def switch_state(self) -> SwitchState:
        """Return everything that is switched, as it is now."""

    def invalidate(self, module: str | None = None) -> None:
        """Ask for an update at this instant: of one module, or of all of them and the wiring."""

    def write(self, field: str, module: str, value: object, words: str) -> None:
        """A tester has written into a module, as `HarnessState` has it; None: as this car needs it."""

    def electrical(self, event: int) -> None:
        """Note that something has switched, and that this event is why."""
