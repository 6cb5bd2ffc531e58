"""Where sets of edits contradict what was seen: work for any process of a workshop.

A set is run step by step until the first step that it contradicts. Where it only opens circuits, the wiring
may tell without a run that a module which answered could not have been reached (`sim.lab.reach`).
"""

from __future__ import annotations

import json
from dataclasses import astuple, dataclass
from typing import Any

from sim.lab.case import CaseStep
from sim.lab.compare import misses
from sim.lab.final_state import FinalState, final_state_of
from sim.lab.pairs import AGREES, Scanned
from sim.lab.reach import reach_of
from sim.lab.run import ImpossibleCar, Trial, bench_of, content_key, sight_of


@dataclass(frozen=True, slots=True)
class Undecided:
    """A set of edits to be run; if it only opens circuits, a look at the wiring may do instead.

    unsilenced: modules that were silent; if they are within reach, only the two edits together could be why.
    """

    trial: Trial
    opens: frozenset[str] | None = None
    unsilenced: frozenset[str] = frozenset()


def contradictions_key(
    steps: tuple[CaseStep, ...], given: tuple[str, ...], sets: tuple[Undecided, ...]
) -> str:
    """A name for everything that the first contradictions depend on."""
    return content_key("contradictions", repr(steps), given, [astuple(one.trial) for one in sets])


def contradictions_text(
    steps: tuple[CaseStep, ...], given: tuple[str, ...], scanned: Scanned | None, sets: tuple[Undecided, ...]
) -> str:
    """Per set, the first step that it contradicts, whether a run was needed to know, and its final state."""
    found: list[tuple[int, bool, list[Any] | None]] = []
    for one in sets:
        if scanned and one.opens is not None:
            reached = reach_of(one.trial.vehicle, given).reached(one.opens, scanned.state)
            if not scanned.answered <= reached or one.unsilenced & reached:
                found.append((scanned.step, False, None))
                continue
        place, end = first_contradiction(steps, one.trial)
        found.append((place, True, end.plain() if end else None))
    return json.dumps(found)


def which_cut_off(
    vehicle: str, given: tuple[str, ...], scanned: Scanned, openings: tuple[frozenset[str], ...]
) -> tuple[frozenset[str], ...]:
    """The openings with which a module that answered could not have been reached."""
    reach = reach_of(vehicle, given)
    wanted = scanned.answered & reach.reached(frozenset(), scanned.state)
    return tuple(one for one in openings if not wanted <= reach.reached(one, scanned.state))


def first_contradiction(steps: tuple[CaseStep, ...], trial: Trial) -> tuple[int, FinalState | None]:
    """The first step that a run contradicts; and the car's final state if there is none."""
    try:
        bench = bench_of(trial)
    except ImpossibleCar:
        return 1, None
    for number, step in enumerate(steps, start=1):
        if misses(step, [sight_of(bench, action) for action in step.do]):
            return number, None
    return AGREES, final_state_of(bench.live, trial)
