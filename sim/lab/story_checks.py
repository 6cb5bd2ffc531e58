"""Experiments that would tell the rival stories of a case apart, now or before one of its steps.

    found = rivals(case, workshop=workshop)            # what the tied stories leave to be told
    advice = next_check(found, every_kind=True, workshop=workshop)
    earlier = rivals(case, before=3, workshop=workshop)  # as it was before the third step

The stories that give everything seen so far stand for the possible causes; a search is not needed.
`minutes_before` says at which minute of labor a step began: "at minute 12 you could have known".

Not modeled: stories that a person had not thought of yet; what waiting for a part costs.
"""

from __future__ import annotations

from sim.bench.actions import parse_action
from sim.lab.case import Case
from sim.lab.labor import minutes_of
from sim.lab.odds import odds
from sim.lab.search_result import PossibleCause, SearchResult
from sim.lab.stories import try_stories
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet
from sim.vehicle.problems import Problem


def rivals(
    case: Case,
    *,
    before: int | None = None,
    workshop: Workshop,
    progress: Progress = quiet,
    stop: Stop = never,
) -> SearchResult:
    """The stories that give everything seen, or all that was seen before a step (from 1), as possible causes.

    Raises `Problem` where there is no such step.
    """
    asked = case if before is None else as_it_was(case, before)
    table = try_stories(
        asked.model_copy(update={"experiments": ()}), workshop=workshop, progress=progress, stop=stop
    )
    car = asked.whole_car
    tied = [asked.stories[name].edits for name in table.tied]
    weights = [odds(edits, car) for edits in tied]
    whole = sum(weights) or 1.0
    causes = [
        PossibleCause(edits, (), weight, weight / whole) for edits, weight in zip(tied, weights, strict=True)
    ]
    causes.sort(key=lambda one: -one.share)
    return SearchResult(
        asked.vehicle, asked.given, asked.seed, asked.steps, tuple(causes), candidates=len(asked.stories)
    )


def as_it_was(case: Case, before: int) -> Case:
    """The case before a step (from 1); before the first nothing was done."""
    if not 2 <= before <= len(case.steps):
        raise Problem(f"a step to be before is one of 2 to {len(case.steps)} (here: {before})")
    return case.model_copy(update={"steps": case.steps[: before - 1]})


def minutes_before(case: Case) -> tuple[float, ...]:
    """At which minute of labor each step began: all that was done before it, to the tenth."""
    car, minutes, found = case.whole_car, 0.0, []
    for step in case.steps:
        found.append(round(minutes, 1))
        for text in step.do:
            action = parse_action(text, car)
            minutes += minutes_of(action, car, action.number)
    return tuple(found)
