"""Theories as possible causes: the car is built otherwise than its diagram says.

    edits = (*catalogue(car), *plausible_theories(car, steps))
    found = find_causes(vehicle, steps, edits=edits, workshop=workshop)

A car has thousands of imaginable theories, and nearly all of them leave no trace in what was seen: a module
that waits for one that answers starts a moment later, a bus that runs through a connector which is on is a
bus. Listed are those about modules that were silent, or were never asked (`EditKind.theories`), a share of
each sort, no more than `MOST_THEORIES`.

Not modeled: theories about modules that answered each time they were asked, and that were silent between.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import chain, zip_longest

from sim.lab.case import CaseStep
from sim.lab.pairs import answered
from sim.vehicle.car import Car
from sim.vehicle.edit import Sightings
from sim.vehicle.edits import possible_theories
from sim.vehicle.own_codes import base_code

MOST_THEORIES = 60


def plausible_theories(car: Car, steps: Sequence[CaseStep], most: int = MOST_THEORIES) -> tuple[str, ...]:
    """Theories that could have to do with what was seen in these steps, the nearest of each sort first."""
    sorts = possible_theories(car, sightings_in(steps)).values()
    dealt = chain.from_iterable(zip_longest(*sorts))
    return tuple(dict.fromkeys(one for one in dealt if one is not None))[:most]


def sightings_in(steps: Iterable[CaseStep]) -> Sightings:
    """What the steps of a case say of modules and parts."""
    steps = tuple(steps)
    silent = frozenset(name for step in steps for name in (*step.seen.silent, *step.seen.no_answer))
    spoke = frozenset(name for step in steps for name in answered(step))
    named = frozenset(word for step in steps for action in step.do for word in action.split())
    told = {(one.module, base_code(one.code)): None for step in steps for one in step.seen.codes}
    return Sightings(silent, spoke - silent, named, tuple(told))
