"""What the parts of a module's software see of the module in which they run.

Not modelled: several processors in one module.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal, Protocol

from sim.modules.world import World
from sim.network.frames import Frame
from sim.vehicle.description_software import Module

ModuleState = Literal["unpowered", "starting", "running", "going to sleep", "asleep"]
Causes = Callable[[], tuple[int, ...]]


class Host(Protocol):
    """One module: who it is, its state and supply, and what it does for its parts.

    channels: its CAN channels, by bus. state_event: since when it is in its state.
    """

    name: str
    world: World
    spec: Module
    channels: dict[str, str]
    state: ModuleState
    state_event: int | None
    supply_v: float

    @property
    def sends(self) -> bool:
        """Does it put its messages on the bus?"""

    @property
    def answers(self) -> bool:
        """Does its diagnostic server respond?"""

    @property
    def tests_run(self) -> bool:
        """May its monitors run at all?"""

    def invalidate(self) -> None:
        """Let the module update at this instant."""

    def record(self, kind: str, words: str, causes: tuple[int | None, ...] = ()) -> int:
        """Add an event about the module to the trace."""

    def send(self, frame: Frame) -> None:
        """Send a single frame on every CAN bus of the module."""
