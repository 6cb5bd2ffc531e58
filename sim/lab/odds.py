"""Prior odds: how likely a car in the bay has a fault, before anything is seen.

Not modeled: the age of the car; faults that cause each other.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import prod

from sim.vehicle.car import Car
from sim.vehicle.edit_words import part_kind
from sim.vehicle.edits import EDIT_KINDS, is_theory, parse_edit, verb_of

# How likely a car in the bay has each fault, as odds against its not having it. Round numbers of common
# practice, not from statistics: a fuse is missing more often than a pin is open.
ODDS = {"fuse": 0.004, "relay": 0.001, "connector": 0.002, "ground": 0.002, "pin": 0.0005, "other": 0.0005}

# Of what has odds of its own: a module dies more often than one of its pins breaks, and far less often than
# it is said to.
ODDS_BY_VERB = {
    "fail": 0.001, "halfflash": 0.0002, "misflash": 0.0002,
    "leak": 0.001, "weld": 0.0002, "jam": 0.0002, "burn": 0.0002,  # of a high-voltage system
}  # fmt: skip

# That the car is built otherwise than its diagram says, each theory by its sort: rarer than any fault of a
# part, since diagrams are mostly right. Upfitters change feeds and splice into buses sooner than start-up.
THEORY_ODDS = {"feeds": 0.0003, "runs through": 0.0002, "waits for": 0.0001, "shuts down when": 0.00005}


def odds(edits: Iterable[str], car: Car) -> float:
    """Prior odds of a set of edits: each by its kind (`ODDS`), independent of each other."""
    return prod(_odds(edit, car) for edit in edits)


def _odds(text: str, car: Car) -> float:
    if is_theory(text):
        theory = parse_edit(text, car).theory
        return THEORY_ODDS.get(theory.relation, ODDS["other"]) if theory else ODDS["other"]
    return ODDS_BY_VERB.get(verb_of(text), ODDS[_kind(text, car)])


def _kind(edit: str, car: Car) -> str:
    """The key of `ODDS`: the kind of part that is taken away, or `other`."""
    kind = EDIT_KINDS[verb_of(edit)]
    return part_kind(parse_edit(edit, car).targets[0], car) if kind.takes_part_away else "other"
