"""What a search for possible causes has found, and how it went."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial

from sim.bench.bench import Bench
from sim.bench.explain import Because, why_code, why_silent
from sim.lab.case import CaseStep, actions_of
from sim.lab.final_state import FinalState
from sim.lab.run import Trial, sentences
from sim.vehicle.car import Car
from sim.vehicle.fault_words import NOTHING_WRONG, fault_set_words
from sim.vehicle.reading import car_from_text


def title_of(edits: Sequence[str]) -> str:
    """A set of edits by its sentences."""
    return " + ".join(edits) or NOTHING_WRONG


@dataclass(frozen=True, slots=True)
class PossibleCause:
    """A set of edits that agrees with everything seen; `alike` are sets that make the same car by structure.

    `odds`: prior odds, summed over all alike. `share`: of the odds of all causes left. `final_state`:
    of the car after the last step, where the search knows it.
    """

    edits: tuple[str, ...]
    alike: tuple[tuple[str, ...], ...]
    odds: float
    share: float = 0.0
    final_state: FinalState | None = None

    @property
    def title(self) -> str:
        """The cause by its sentences, as commands take them."""
        return title_of(self.edits)

    def words(self, car: Car) -> str:
        """The cause as a technician names it."""
        return fault_set_words(self.edits, car)


@dataclass(frozen=True)
class SearchResult:
    """The possible causes by falling share, and how the search went.

    `remaining`: sets of edits left after each step, structurally equal ones counted each (a set that was
    rejected without a run may have gone wrong sooner). `candidates`: how many there were. `runs`: how many
    cars were run. `waiting`: sets for which there was no time, the likeliest first; `covered`: the share of
    prior odds of all that were judged.
    """

    vehicle: str
    given: tuple[str, ...]
    seed: int
    steps: tuple[CaseStep, ...]
    causes: tuple[PossibleCause, ...] = ()
    remaining: tuple[int, ...] = ()
    candidates: int = 0
    runs: int = 0
    waiting: tuple[tuple[str, ...], ...] = ()
    covered: float = 1.0

    @property
    def car(self) -> Car:
        """The car that was searched, as its file describes it."""
        return car_from_text(self.vehicle)

    def named(self) -> dict[str, tuple[str, ...]]:
        """The edits of every cause that is left, and of those alike, by its title."""
        sets = (edits for one in self.causes for edits in (one.edits, *one.alike))
        return {title_of(edits): edits for edits in sets}

    def trial(self, cause: PossibleCause, more: Sequence[str] = ()) -> Trial:
        """The run of one cause through all steps, and these actions after them."""
        given = sentences([*self.given, *cause.edits], self.car)
        return Trial(self.vehicle, given, (*actions_of(self.steps), *more), self.seed)

    def holds(self, edits: Iterable[str]) -> bool:
        """Is this set of edits among the causes?"""
        wanted = frozenset(edits)
        return any(wanted in map(frozenset, (one.edits, *one.alike)) for one in self.causes)


def explained(found: SearchResult, cause: PossibleCause) -> tuple[Because, ...]:
    """For each silent module and each code that was seen: how it follows from the edits of the cause."""
    trial = found.trial(cause)
    bench = Bench(car_from_text(trial.vehicle), trial.given, trial.seed)
    reasons: list[Because] = []
    for step in found.steps:
        bench.do_all(step.do)
        asked: list[Callable[[], Because]] = [partial(why_silent, bench, name) for name in step.seen.silent]
        asked += [partial(why_code, bench, one.module, one.code) for one in step.seen.codes]
        reasons += [ask().to_edits().in_words(bench.base) for ask in asked]
    return tuple(reasons)
