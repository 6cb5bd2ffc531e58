"""Jobs at the car: with which tool of an exercise an action is done, and which edits are repairs."""

from __future__ import annotations

from sim.bench.actions import Action
from sim.bench.observations import Kind
from sim.training.exercise import Tool
from sim.vehicle.edits import EDIT_KINDS, NEGATIVE_CLAMP

POSITIVE_CLAMP = "BAT.POS"
CLAMPS = (NEGATIVE_CLAMP, POSITIVE_CLAMP)
TOOL_OF: dict[str, Tool] = {
    "press": "seat", "brake": "seat", "key": "seat", "fob": "seat", "switch": "seat", "wait": "seat",
    "scan": "scan", "save": "scan", "clear": "clear", "unlock": "clear",
}  # fmt: skip
# what is not measured with the meter
INSTRUMENT_OF: dict[Kind, Tool] = {Kind.LOOK: "eye", Kind.LOAD: "lamp", Kind.SCOPE: "scope"}
REPAIRS = tuple(verb for verb, kind in EDIT_KINDS.items() if kind.sort == "repair")
# taken apart and put together again in any search for a fault; other edits would damage the car
HANDS_ON = tuple(verb for verb, kind in EDIT_KINDS.items() if kind.hands_on)


def tool_for(action: Action) -> Tool:
    """The tool that an action takes."""
    if action.observation is not None:
        return INSTRUMENT_OF.get(action.observation.kind, "meter")
    if action.edit is None:
        return TOOL_OF[action.verb]
    if action.edit.verb in ("plug", "unplug") and action.edit.part in CLAMPS:
        return "battery"
    return EDIT_KINDS[action.edit.verb].tool
