"""One step of work at the car, as the log of an attempt keeps it."""

from __future__ import annotations

from dataclasses import dataclass

from sim.bench.tester import Report
from sim.lab.sight import Sight
from sim.training.jobs import CLAMPS, HANDS_ON, REPAIRS
from sim.vehicle.edits import verb_of


@dataclass(frozen=True, slots=True)
class WorkStep:
    """One line of the log: the action, what could be seen after it, what it cost.

    `vain`: why it could not be done, in words; the car is as before. `report`: what a scan found.
    `minutes`: labor time of this step; `labor_min`: up to its end, hints not counted. `cost`: of parts.
    """

    action: str
    sight: Sight
    minutes: float
    cost: float
    labor_min: float
    vain: str = ""
    display: str = ""
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    dangers: tuple[str, ...] = ()
    report: Report | None = None

    @property
    def verb(self) -> str:
        """The first word of the action."""
        return verb_of(self.action)

    @property
    def part(self) -> str:
        """The second word of the action: what an edit is done to."""
        return verb_of(self.action[len(self.verb) + 1 :])

    @property
    def moves_clamp(self) -> bool:
        """Whether it takes a battery clamp off, or puts it on."""
        return self.verb in ("plug", "unplug") and self.part in CLAMPS

    @property
    def changes(self) -> bool:
        """Whether it changed the harness; a battery clamp off and on again is no change."""
        return not self.vain and self.verb in (*REPAIRS, *HANDS_ON) and not self.moves_clamp

    @property
    def repairs(self) -> bool:
        """Whether it put something right, or back."""
        return self.changes and self.verb in REPAIRS
