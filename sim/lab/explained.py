"""Why a possible cause shows what was seen: from the evidence back to its edits."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from sim.bench.bench import Bench
from sim.bench.explain import Because, why_code, why_silent
from sim.lab.search_result import PossibleCause, SearchResult
from sim.vehicle.reading import car_from_text


def explained(found: SearchResult, cause: PossibleCause) -> tuple[Because, ...]:
    """For each silent module and each code that was seen: how it follows from the edits of the cause."""
    trial = found.trial(cause)
    bench = Bench(car_from_text(trial.vehicle), trial.given, trial.seed)
    reasons: list[Because] = []
    for step in found.steps:
        bench.do_all(step.do)
        asked: list[Callable[[], Because]] = [partial(why_silent, bench, name) for name in step.seen.silent]
        asked += [partial(why_code, bench, one.module, one.code) for one in step.seen.codes]
        reasons += [ask().to_edits() for ask in asked]
    return tuple(reasons)
