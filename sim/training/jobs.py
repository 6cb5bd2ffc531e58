"""Work at the car: the tool that it takes, what it costs in parts, and the log's line about it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sim.bench.actions import Action
from sim.bench.observations import Kind
from sim.bench.tester import Report
from sim.lab.sight import Sight
from sim.training.exercise import Tool
from sim.vehicle.answer_parts import signal_sensors
from sim.vehicle.car import Car
from sim.vehicle.edits import EDIT_KINDS, NEGATIVE_CLAMP

POSITIVE_CLAMP = "BAT.POS"
CLAMPS = (NEGATIVE_CLAMP, POSITIVE_CLAMP)
TOOL_OF: dict[str, Tool] = {
    "press": "seat", "brake": "seat", "key": "seat", "fob": "seat", "switch": "seat", "wait": "seat",
    "ask": "seat",
    "cable": "seat", "drive": "seat", "wiggle": "eye", "heat": "eye", "freeze": "eye",
    "faults": "scan",
    "scan": "scan", "save": "scan", "clear": "clear", "unlock": "clear", "identify": "scan",
    "read": "scan", "details": "scan", "readiness": "scan", "actuate": "scan", "release": "scan",
    "selftest": "scan",
}  # fmt: skip
# what is not measured with the meter
INSTRUMENT_OF: dict[Kind, Tool] = {Kind.LOOK: "eye", Kind.LOAD: "lamp", Kind.SCOPE: "scope"}
REPAIRS = tuple(verb for verb, kind in EDIT_KINDS.items() if kind.sort == "repair")
# taken apart and put together again in any search for a fault; other edits would damage the car
HANDS_ON = tuple(verb for verb, kind in EDIT_KINDS.items() if kind.hands_on)
# parts used up by each repair, in the shop's own money; `replace` is a module's, a sensor's is below
PART_COST: Mapping[str, float] = {
    "plug": 0.0, "fit": 1.0, "repair": 4.0, "remove": 2.0, "unswap": 2.0, "unterminate": 2.0, "unbypass": 0.0,
    "charge": 0.0, "replace": 300.0, "refer": 120.0,
    "code": 0.0, "calibrate": 0.0, "match": 0.0, "flash": 0.0,
}  # fmt: skip
SENSOR_COST = 40.0


def tool_for(action: Action) -> Tool:
    """The tool that an action takes."""
    if action.observation is not None:
        return instrument_for(action.observation.kind)
    if action.edit is None:
        return TOOL_OF[action.verb]
    if action.edit.verb in ("plug", "unplug") and action.edit.part in CLAMPS:
        return "battery"
    return EDIT_KINDS[action.edit.verb].tool


def instrument_for(kind: Kind) -> Tool:
    """The tool that shows this kind of reading."""
    return INSTRUMENT_OF.get(kind, "meter")


def cost_of(action: Action, car: Car) -> float:
    """Price of the parts used up by an action, in the shop's own money; common practice, round figures."""
    if action.edit is None:
        return 0.0
    if action.edit.verb == "replace" and action.edit.part in (*car.built.sensors, *signal_sensors(car)):
        return SENSOR_COST
    return PART_COST.get(action.edit.verb, 0.0)


@dataclass(frozen=True, slots=True)
class WorkStep:
    """One line of the log: the action, what could be seen after it, what it cost.

    `vain`: why it could not be done, in words; the car is as before. `report`: what a scan found.
    `minutes`: labor time of this step; `labor_min`: up to its end, hints not counted. `cost`: of parts.
    `verb`: the first word of the action. `part`: what an edit is done to.
    """

    action: str
    verb: str
    part: str
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
