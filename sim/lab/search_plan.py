"""A search for possible causes that a person waits for: what is asked, and how it goes on from what is known.

    found = search_on(question, edits, 2, before, limit_s=300.0, workshop=workshop)
    found.result.causes

Single faults come first, so that there is something to show soon. Pairs follow in slices of time: a search
that is stopped gives what was found until its last slice. Three at once come last, in what is left of the
time, where no pair agrees (`sim.lab.three_faults`).
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from itertools import combinations

from sim.lab.case import CaseStep
from sim.lab.observed import observed
from sim.lab.odds import odds
from sim.lab.search import find_causes, narrow_down
from sim.lab.search_result import SearchResult
from sim.lab.theories import plausible_theories
from sim.lab.three_faults import THREE, find_three
from sim.lab.workshop import Progress, Stop, Stopped, Workshop, never, quiet
from sim.vehicle.edits import EDIT_VERBS, verb_of
from sim.vehicle.reading import car_from_text

FIRST_SLICE_S = 20.0
LAST_SLICE_S = 1.0  # however little time is left
PAIRS_SHARE = 0.5  # of the time, where three at once may follow


@dataclass(frozen=True, slots=True)
class Question:
    """What is to be explained: a car, what is known of it, and how its observations come about.

    `steps`: of a case. Without them they come from a bench's `log` on the car with the `hidden` edits, which
    the search does not know.
    """

    vehicle: str
    known: tuple[str, ...] = ()
    seed: int = 0
    steps: tuple[CaseStep, ...] = ()
    log: tuple[str, ...] = ()
    hidden: tuple[str, ...] = ()

    def observations(self, workshop: Workshop, stop: Stop = never) -> tuple[CaseStep, ...]:
        """The steps to be explained; a bench lives its log where the runs are made."""
        if self.steps:
            return self.steps
        return dict(workshop.spread(_observed, {0: self}, stop=stop))[0]


def _observed(question: Question) -> tuple[CaseStep, ...]:
    given = (*question.known, *question.hidden)
    return observed(question.vehicle, question.log, given=given, seed=question.seed)


@dataclass(frozen=True, slots=True)
class SearchAnswer:
    """What was found, for which question, among sets of up to `most` of these edits."""

    question: Question
    edits: tuple[str, ...]
    most: int
    result: SearchResult

    @property
    def share_left(self) -> float:
        """The share of prior odds of the sets for which there was no time."""
        if self.most == THREE:
            return 1 - self.result.covered
        car = car_from_text(self.result.vehicle)
        sets = (some for size in range(self.most + 1) for some in combinations(self.edits, size))
        return sum(odds(one, car) for one in self.result.waiting) / sum(odds(one, car) for one in sets)

    def answers(self, question: Question, edits: Sequence[str], most: int, steps: Sequence[CaseStep]) -> bool:
        """Does this question only go on from the one that was answered here?"""
        old = self.result
        same = (old.vehicle, old.given, old.seed) == (question.vehicle, question.known, question.seed)
        chosen = (self.most, self.edits) == (most, tuple(edits))
        return chosen and same and old.steps == tuple(steps[: len(old.steps)])


def search_on(
    question: Question,
    edits: tuple[str, ...],
    most: int,
    before: SearchAnswer | None = None,
    *,
    theories: bool = False,
    limit_s: float,
    workshop: Workshop,
    progress: Progress = quiet,
    stop: Stop = never,
) -> SearchAnswer:
    """Search for at most so many seconds; only what is new is run where `before` answers the beginning.

    `theories`: among those about the car's design, too, that could have to do with what was seen.
    Raises `Stopped` when stopped before there is anything new to show.
    """
    end_s = time.monotonic() + limit_s
    steps = question.observations(workshop, stop)
    if theories:
        edits = (*edits, *plausible_theories(car_from_text(question.vehicle), steps))

    def searched(most: int, within_s: float) -> SearchAnswer:
        search = find_three if most == THREE else partial(find_causes, most=most)
        result = search(
            question.vehicle, steps, given=question.known, edits=edits, seed=question.seed,
            workshop=workshop, within_s=within_s, progress=progress, stop=stop,
        )  # fmt: skip
        return SearchAnswer(question, edits, most, result)

    pairs_end_s = end_s - (1 - PAIRS_SHARE) * limit_s if most == THREE else end_s
    goes_on = before is not None and any(
        before.answers(question, edits, size, steps) for size in {most, min(most, 2)}
    )
    found = before if before is not None and goes_on else searched(1, limit_s)
    more = steps[len(found.result.steps) :]
    slice_s = FIRST_SLICE_S
    try:
        if found.most < min(most, 2):
            found = searched(2, slice_s)
        while more or found.result.waiting:
            left_s = (end_s if found.most == THREE else pairs_end_s) - time.monotonic()
            if not more and left_s <= 0:
                break
            within_s = max(min(slice_s, left_s), LAST_SLICE_S)
            result = narrow_down(
                found.result, more, workshop=workshop, within_s=within_s, progress=progress, stop=stop
            )
            found, more, slice_s = SearchAnswer(question, edits, found.most, result), (), 2 * slice_s
        if found.most < most and not found.result.causes:
            found = searched(most, max(end_s - time.monotonic(), LAST_SLICE_S))
    except Stopped:
        if more:
            raise
    return found


def changes_at_first(log: Sequence[str]) -> list[str]:
    """The edits in a log before anything but waiting was done."""
    found = []
    for text in log:
        verb = verb_of(text)
        if verb in EDIT_VERBS:
            found.append(text)
        elif verb != "wait":
            break
    return found
