"""Suspects: every single and double fault of a car's catalogue that agrees with all that was seen.

    with Workshop() as workshop:
        found = find_suspects(vehicle_text("six-modules"), case.steps, workshop=workshop)
    for suspect in found.suspects[:5]:
        print(f"{suspect.share:.0%}", suspect.title)

Every set of edits is run, observation by observation, until the first that it contradicts, the likeliest sets
first. None is left out because it contains another that was rejected, or one that was kept: one fault can
hide another. Two things save runs, and both hold for all larger sets of edits: sets that make the same car by
structure share one, and a module that no switch can feed has not answered (`sim.lab.structure`).

Not modelled: three faults at once; faults that come and go; wrong observations.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import combinations
from math import prod

from sim.bench.bench import Bench
from sim.bench.why import Because, why_code, why_silent
from sim.lab.case import Seen, Step, misses
from sim.lab.run import ImpossibleCar, Trial, follow, sentences
from sim.lab.structure import Structure
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet
from sim.vehicle.car import Car
from sim.vehicle.edits import EDIT_VERBS, catalogue
from sim.vehicle.harness import TESTER
from sim.vehicle.problems import Problem
from sim.vehicle.reading import car_from_text

# How likely a car in the bay has each fault, as odds against its not having it. Round numbers of common
# practice, no statistics stand behind them: a fuse is missing more often than a pin is open.
ODDS = {"fuse": 0.004, "relay": 0.001, "connector": 0.002, "ground": 0.002, "pin": 0.0005, "other": 0.0005}
CHUNK = 8  # candidates that one process takes at a time
SURVIVES = 0  # steps are counted from 1
OPENING = frozenset({"unplug", "pull", "blow", "open"})


@dataclass(frozen=True, slots=True)
class Suspect:
    """A set of edits that agrees with everything seen; `alike` are sets that make the same car by structure.

    `odds`: prior odds, summed over all that are alike. `share`: of the odds of all suspects.
    """

    edits: tuple[str, ...]
    alike: tuple[tuple[str, ...], ...]
    odds: float
    share: float = 0.0

    @property
    def title(self) -> str:
        """The suspect in words."""
        return " + ".join(self.edits) or "nothing wrong"


@dataclass(frozen=True)
class Suspects:
    """The suspects by falling share, and how the search went.

    `remaining`: sets of edits left after each step, structurally equal ones counted each (a set that was
    rejected without a run may have gone wrong sooner). `candidates`: how many there were. `runs`: how many
    cars were run. `waiting`: sets for which there was no time, the likeliest first; `covered`: the share of
    prior odds of all that were judged.
    """

    vehicle: str
    given: tuple[str, ...]
    seed: int
    steps: tuple[Step, ...]
    suspects: tuple[Suspect, ...] = ()
    remaining: tuple[int, ...] = ()
    candidates: int = 0
    runs: int = 0
    waiting: tuple[tuple[str, ...], ...] = ()
    covered: float = 1.0

    def trial(self, suspect: Suspect, more: Sequence[str] = ()) -> Trial:
        """The run of one suspect through all steps, and these actions after them."""
        given = sentences([*self.given, *suspect.edits], car_from_text(self.vehicle))
        return Trial(self.vehicle, given, (*_actions(self.steps), *more), self.seed)

    def holds(self, edits: Iterable[str]) -> bool:
        """Is this set of edits among the suspects?"""
        wanted = frozenset(edits)
        return any(wanted in map(frozenset, (one.edits, *one.alike)) for one in self.suspects)

    def narrowed(
        self,
        more: Sequence[Step],
        *,
        workshop: Workshop,
        within_s: float | None = None,
        progress: Progress = quiet,
        stop: Stop = never,
    ) -> Suspects:
        """The suspects that agree with these further steps, too; sets that were waiting get their turn.

        A step that works on a part or measures at a terminal tells apart what was equal by structure before.
        """
        sets = [edits for one in self.suspects for edits in (one.edits, *one.alike)]
        search = replace(self, steps=(*self.steps, *more))
        return _search(search, [*sets, *self.waiting], workshop, within_s, progress, stop)


def find_suspects(
    vehicle: str,
    steps: Sequence[Step],
    *,
    given: Sequence[str] = (),
    edits: Sequence[str] | None = None,
    most: int = 2,
    seed: int = 0,
    workshop: Workshop,
    within_s: float | None = None,
    progress: Progress = quiet,
    stop: Stop = never,
) -> Suspects:
    """All sets of up to `most` (1 or 2) edits that agree with what was seen in every step.

    `vehicle`: text of a vehicle file. `given`: edits that the car is known to have. `edits`: sentences to
    choose from; by default the car's whole catalogue. The empty set, nothing wrong, is a candidate as well.
    After `within_s` seconds of the wall clock the rest is left `waiting`; raises `Stopped` when stopped.
    """
    if most not in (1, 2):
        raise Problem(f"suspects are sets of one or two edits (here: {most})")
    car = car_from_text(vehicle)
    chosen = sentences(catalogue(car) if edits is None else edits, car)
    sets = [some for size in range(most + 1) for some in combinations(chosen, size)]
    search = Suspects(vehicle, tuple(given), seed, tuple(steps), candidates=len(sets))
    return _search(search, sets, workshop, within_s, progress, stop)


_Class = list[tuple[str, ...]]  # sets of edits that make the same car, the likeliest first


def _search(
    search: Suspects,
    sets: Sequence[tuple[str, ...]],
    workshop: Workshop,
    within_s: float | None,
    progress: Progress,
    stop: Stop,
) -> Suspects:
    car = car_from_text(search.vehicle)
    structure = Structure(car, [*_actions(search.steps), *search.given])
    weight = {edits: odds(edits, car) for edits in sets}
    classes = _classes(structure, weight)
    failed_at = {
        k: place for k, one in enumerate(classes) if (place := _cannot_answer(structure, one[0], search))
    }
    open_ones = {k: one for k, one in enumerate(classes) if k not in failed_at}
    trials = {k: search.trial(Suspect(one[0], (), 0.0)) for k, one in open_ones.items()}
    judged = _judge(trials, search.steps, workshop, within_s, progress, stop)
    failed_at.update(judged)
    survivors = [
        Suspect(one[0], tuple(one[1:]), sum(weight[edits] for edits in one))
        for k, one in enumerate(classes)
        if failed_at.get(k) == SURVIVES
    ]
    total = sum(one.odds for one in survivors) or 1.0
    waiting = [edits for k, one in enumerate(classes) if k not in failed_at for edits in one]
    left = [
        sum(len(one) for k, one in enumerate(classes) if not 0 < failed_at.get(k, SURVIVES) <= number)
        for number in range(len(search.remaining) + 1, len(search.steps) + 1)
    ]
    return replace(
        search,
        suspects=tuple(replace(one, share=one.odds / total) for one in sorted(survivors, key=_by_odds)),
        remaining=(*search.remaining, *left),
        runs=search.runs + len(judged),
        waiting=tuple(waiting),
        covered=1 - sum(weight[edits] for edits in waiting) / (sum(weight.values()) or 1.0),
    )


def _classes(structure: Structure, weight: Mapping[tuple[str, ...], float]) -> list[_Class]:
    """The sets of edits by the car that they make, likeliest first; those that cannot be are left out."""
    classes: dict[Hashable, _Class] = {}
    for edits in sorted(weight, key=lambda edits: (-weight[edits], edits)):
        key = structure.key(edits)
        if key is not None:
            classes.setdefault(key, []).append(edits)
    return sorted(classes.values(), key=lambda one: -sum(weight[edits] for edits in one))


def _cannot_answer(structure: Structure, edits: Sequence[str], search: Suspects) -> int:
    """The first step, from 1, in which a module answered that these edits leave without supply; or 0."""
    if any(text.split()[0] not in OPENING for text in search.given):
        return 0
    unfed = structure.unfed(edits)
    for number, step in enumerate(search.steps, start=1):
        if any(text.split()[0] in EDIT_VERBS - OPENING for text in step.do):
            return 0
        if unfed & _answered(step.seen):
            return number
    return 0


def _answered(seen: Seen) -> frozenset[str]:
    """Modules that must have had supply for this to be seen."""
    spoke = (*seen.answers, *(text.split()[0] for text in (*seen.codes, *seen.no_codes)), *seen.done)
    return frozenset([*spoke, TESTER] if spoke or seen.tester_power else [])


def _judge(
    trials: Mapping[int, Trial],
    steps: tuple[Step, ...],
    workshop: Workshop,
    within_s: float | None,
    progress: Progress,
    stop: Stop,
) -> dict[int, int]:
    """The number of the first step that each trial contradicts, of as many as there is time for."""
    numbers = list(trials)
    chunks = {at: tuple(trials[k] for k in numbers[at : at + CHUNK]) for at in range(0, len(numbers), CHUNK)}
    found: dict[int, int] = {}
    end_s = None if within_s is None else time.monotonic() + within_s
    progress(0, len(trials))
    for at, places in workshop.spread(partial(_first_contradictions, steps), chunks, stop=stop):
        found.update(zip(numbers[at:], places, strict=False))
        progress(len(found), len(trials))
        if end_s is not None and time.monotonic() >= end_s:
            break
    return found


def _first_contradictions(steps: tuple[Step, ...], trials: tuple[Trial, ...]) -> tuple[int, ...]:
    return tuple(_first_contradiction(steps, trial) for trial in trials)


def _first_contradiction(steps: tuple[Step, ...], trial: Trial) -> int:
    sights = follow(trial)
    try:
        for number, step in enumerate(steps, start=1):
            if misses(step, [next(sights) for _ in step.do]):
                return number
    except ImpossibleCar:
        return 1
    return SURVIVES


def _actions(steps: Iterable[Step]) -> tuple[str, ...]:
    return tuple(action for step in steps for action in step.do)


def _by_odds(one: Suspect) -> tuple[float, tuple[str, ...]]:
    return -one.odds, one.edits


def wrongly_judged(
    found: Suspects, sample: Sequence[tuple[str, ...]], *, workshop: Workshop
) -> tuple[tuple[str, ...], ...]:
    """Sets of this sample for which a run of its own says otherwise than the search: there must be none."""
    trials = {k: found.trial(Suspect(edits, (), 0.0)) for k, edits in enumerate(sample)}
    judged = _judge(trials, found.steps, workshop, None, quiet, never)
    return tuple(edits for k, edits in enumerate(sample) if (judged[k] == SURVIVES) != found.holds(edits))


def odds(edits: Iterable[str], car: Car) -> float:
    """Prior odds of a set of edits: each by its kind (`ODDS`), independent of each other."""
    return prod(ODDS[_kind(edit, car)] for edit in edits)


def _kind(edit: str, car: Car) -> str:
    verb, name = edit.split()[:2]
    if verb in ("pull", "blow"):
        return "fuse" if name in car.built.fuses else "relay"
    if verb == "unplug":
        return "connector"
    if verb == "open":
        return "ground" if name in car.built.grounds else "pin"
    return "other"


# -- why a suspect shows what was seen -----------------------------------------------------------------------


def explained(found: Suspects, suspect: Suspect) -> tuple[Because, ...]:
    """For each silent module and each code that was seen: how it follows from the suspect's edits."""
    trial = found.trial(suspect)
    bench = Bench(car_from_text(trial.vehicle), trial.given, trial.seed)
    reasons: list[Because] = []
    for step in found.steps:
        bench.do_all(step.do)
        asked: list[Callable[[], Because]] = [partial(why_silent, bench, name) for name in step.seen.silent]
        asked += [partial(why_code, bench, *text.split()[:2]) for text in step.seen.codes]
        reasons += [ask().to_edits() for ask in asked]
    return tuple(reasons)
