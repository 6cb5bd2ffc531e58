"""Shop time and parts: what an action costs in a workshop.

All figures are common practice, round numbers of the trade; no flat-rate book stands behind them.
"""

from __future__ import annotations

from collections.abc import Mapping

# minutes of hands-on time by the first word of an action
MINUTES: Mapping[str, float] = {
    "press": 0.2, "brake": 0.1, "key": 0.1, "fob": 0.2, "switch": 0.1, "wait": 0.0,
    "scan": 3.0, "save": 0.5, "clear": 1.0, "unlock": 2.0,
    "unplug": 4.0, "plug": 2.0, "pull": 1.0, "fit": 1.0, "blow": 0.0,
    "open": 5.0, "mend": 15.0, "corrode": 0.0, "short": 1.0, "unshort": 15.0,
    "bypass": 5.0, "unbypass": 3.0, "charge": 45.0,
    "measure": 3.0, "look": 2.0, "load": 4.0, "scope": 6.0,
}  # fmt: skip
PART_COST: Mapping[str, float] = {"fit": 1.0}  # a fuse; in the shop's own money
BATTERY_MINUTES = 5.0


def minutes_of(action: str, waited_s: float = 0.0) -> float:
    """Minutes that an action takes, waiting included."""
    words = action.split()
    if words[:2] in (["unplug", "BAT.NEG"], ["plug", "BAT.NEG"]):
        return BATTERY_MINUTES
    return MINUTES.get(words[0], 2.0) + waited_s / 60


def cost_of(action: str) -> float:
    """Parts used up by an action."""
    return PART_COST.get(action.split()[0], 0.0)
