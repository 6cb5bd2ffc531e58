"""The search for possible causes: every single and double fault that agrees with all that was seen.

    with Workshop() as workshop:
        found = find_causes(vehicle_text("six-modules"), case.steps, workshop=workshop)
    for cause in found.causes[:5]:
        print(f"{cause.share:.0%}", cause.title)

Every single edit and every pair is judged; none is left out because it contains a set that was rejected, or
one that was kept: one fault can hide another. Three things save runs. Sets that make the same car by
structure share one (`sim.lab.structure`). Where edits only open circuits, the wiring may tell that a module
that answered could not have (`sim.lab.reach`), and nothing that opens more makes it answer again, except what
takes a terminator from a bus line. What two other edits do together often follows from what each does alone
(`sim.lab.pairs`). All other sets are run, observation by observation, until the first that they contradict,
the likeliest first. `wrongly_judged` puts the savings to the test.

Three faults at once: `sim.lab.three_faults`.

Not modeled: faults that come and go, which one run tells by chance (what was not seen in it rules no such
fault out): say one as a story of the case, `interrupt X4.2 when shaken`; wrong observations.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from itertools import combinations

from sim.lab.case import CaseStep, actions_of
from sim.lab.judge import Deadline, EditClass, Judge, first_contradiction
from sim.lab.odds import odds
from sim.lab.pairs import AGREES
from sim.lab.run import sentences
from sim.lab.search_result import PossibleCause, SearchResult
from sim.lab.structure import Structure
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet
from sim.vehicle.edits import catalogue
from sim.vehicle.problems import Problem
from sim.vehicle.reading import car_from_text


def find_causes(
    vehicle: str,
    steps: Sequence[CaseStep],
    *,
    given: Sequence[str] = (),
    edits: Sequence[str] | None = None,
    most: int = 2,
    seed: int = 0,
    workshop: Workshop,
    within_s: float | None = None,
    progress: Progress = quiet,
    stop: Stop = never,
) -> SearchResult:
    """All sets of up to `most` (1 or 2) edits that agree with what was seen in every step.

    `vehicle`: text of a vehicle file. `given`: edits that the car is known to have. `edits`: sentences to
    choose from; by default the car's whole catalogue. The empty set, nothing wrong, is a candidate as well.
    After `within_s` seconds of the wall clock the rest is left `waiting`; raises `Stopped` when stopped.
    """
    if most not in (1, 2):
        raise Problem(f"possible causes are sets of one or two edits (here: {most})")
    car = car_from_text(vehicle)
    chosen = sentences(catalogue(car) if edits is None else edits, car)
    sets = [some for size in range(most + 1) for some in combinations(chosen, size)]
    search = SearchResult(vehicle, tuple(given), seed, tuple(steps), candidates=len(sets))
    return judge_sets(search, sets, workshop, within_s, progress, stop)


def narrow_down(
    found: SearchResult,
    more: Sequence[CaseStep],
    *,
    workshop: Workshop,
    within_s: float | None = None,
    progress: Progress = quiet,
    stop: Stop = never,
) -> SearchResult:
    """The causes that agree with these further steps, too; sets that were waiting get their turn.

    A step that works on a part or measures at a terminal tells apart what was equal by structure before.
    """
    sets = [edits for one in found.causes for edits in (one.edits, *one.alike)]
    search = replace(found, steps=(*found.steps, *more))
    return judge_sets(search, [*sets, *found.waiting], workshop, within_s, progress, stop)


def judge_sets(
    search: SearchResult,
    sets: Sequence[tuple[str, ...]],
    workshop: Workshop,
    within_s: float | None,
    progress: Progress,
    stop: Stop,
) -> SearchResult:
    """The search with these sets of edits judged, the likeliest first: the causes, and what is `waiting`."""
    car = car_from_text(search.vehicle)
    weight = {edits: odds(edits, car) for edits in sets}
    structure = Structure(car, [*actions_of(search.steps), *search.given])
    classes = _classes(structure, weight)
    work = Judge(search, structure, workshop, Deadline(within_s), progress, stop)
    failed_at = work.judged(classes)
    survivors = [
        PossibleCause(
            one[0], tuple(one[1:]), sum(weight[edits] for edits in one), 0.0, work.final_state.get(k)
        )
        for k, one in enumerate(classes)
        if failed_at.get(k) == AGREES
    ]
    total = sum(one.odds for one in survivors) or 1.0
    waiting = [edits for k, one in enumerate(classes) if k not in failed_at for edits in one]
    left = [
        sum(len(one) for k, one in enumerate(classes) if not 0 < failed_at.get(k, AGREES) <= number)
        for number in range(len(search.remaining) + 1, len(search.steps) + 1)
    ]
    return replace(
        search,
        causes=tuple(replace(one, share=one.odds / total) for one in sorted(survivors, key=_by_odds)),
        remaining=(*search.remaining, *left),
        runs=search.runs + work.runs,
        waiting=tuple(waiting),
        covered=1 - sum(weight[edits] for edits in waiting) / (sum(weight.values()) or 1.0),
    )


def _classes(structure: Structure, weight: Mapping[tuple[str, ...], float]) -> list[EditClass]:
    """The sets of edits by the car that they make, likeliest first; those that cannot be are left out."""
    classes: dict[Hashable, EditClass] = {}
    for edits in sorted(weight, key=lambda edits: (-weight[edits], edits)):
        key = structure.key(edits)
        if key is not None:
            classes.setdefault(key, []).append(edits)
    return sorted(classes.values(), key=lambda one: -sum(weight[edits] for edits in one))


def _by_odds(one: PossibleCause) -> tuple[float, tuple[str, ...]]:
    return -one.odds, one.edits


def wrongly_judged(
    found: SearchResult, sample: Sequence[tuple[str, ...]], *, workshop: Workshop
) -> tuple[tuple[str, ...], ...]:
    """Sets of this sample for which a run of its own says otherwise than the search: there must be none."""
    trials = {k: found.trial(PossibleCause(edits, (), 0.0)) for k, edits in enumerate(sample)}
    judged = dict(workshop.spread(partial(first_contradiction, found.steps), trials))
    return tuple(edits for k, edits in enumerate(sample) if (judged[k][0] == AGREES) != found.holds(edits))
