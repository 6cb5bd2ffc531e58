"""Suspects: every single and double fault of a car's catalogue that agrees with all that was seen so far.

    with Workshop() as workshop:
        found = find_suspects(vehicle_text("six-modules"), case.steps, workshop=workshop)
    for suspect in found.suspects[:5]:
        print(f"{suspect.share:.0%}", suspect.title)

Every set of edits is run, observation by observation, until the first that it contradicts. None is left out
because it contains another that was rejected, or one that was kept: one fault can hide another. Only sets
that make the same car by structure (`sim.lab.structure`) share a run.

Not modelled: three faults at once; faults that come and go; wrong observations.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import combinations
from math import prod

from sim.bench.bench import Bench
from sim.bench.why import Because, why_code, why_silent
from sim.lab.case import Step, misses
from sim.lab.run import ImpossibleCar, Trial, follow, sentences
from sim.lab.structure import Structure
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet
from sim.vehicle.car import Car
from sim.vehicle.edits import catalogue
from sim.vehicle.problems import Problem
from sim.vehicle.reading import car_from_text

# How likely a car in the bay has each fault, as odds against its not having it. Round numbers of common
# practice, no statistics stand behind them: a fuse is missing more often than a pin is open.
ODDS = {"fuse": 0.004, "relay": 0.001, "connector": 0.002, "ground": 0.002, "pin": 0.0005, "other": 0.0005}
CHUNK = 8  # candidates that one process takes at a time
SURVIVES = -1


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

    `remaining`: sets of edits left after each step, structurally equal ones counted each. `candidates`: how
    many there were. `runs`: how many cars were run.
    """

    vehicle: str
    given: tuple[str, ...]
    seed: int
    steps: tuple[Step, ...]
    suspects: tuple[Suspect, ...]
    remaining: tuple[int, ...]
    candidates: int
    runs: int

    def trial(self, suspect: Suspect, more: Sequence[str] = ()) -> Trial:
        """The run of one suspect through all steps, and these actions after them."""
        car = car_from_text(self.vehicle)
        actions = tuple(action for step in self.steps for action in step.do)
        return Trial(
            self.vehicle, sentences([*self.given, *suspect.edits], car), (*actions, *more), self.seed
        )

    def holds(self, edits: Iterable[str]) -> bool:
        """Is this set of edits among the suspects?"""
        wanted = frozenset(edits)
        return any(wanted in map(frozenset, (one.edits, *one.alike)) for one in self.suspects)

    def narrowed(
        self, more: Sequence[Step], *, workshop: Workshop, progress: Progress = quiet, stop: Stop = never
    ) -> Suspects:
        """The suspects that agree with these further steps, too.

        A step that works on a part or measures at a terminal tells apart what was equal by structure before.
        """
        sets = [edits for one in self.suspects for edits in (one.edits, *one.alike)]
        return _search(
            replace(self, steps=(*self.steps, *more)), sets, len(self.steps), workshop, progress, stop
        )


def find_suspects(
    vehicle: str,
    steps: Sequence[Step],
    *,
    given: Sequence[str] = (),
    edits: Sequence[str] | None = None,
    most: int = 2,
    seed: int = 0,
    workshop: Workshop,
    progress: Progress = quiet,
    stop: Stop = never,
) -> Suspects:
    """All sets of up to `most` (1 or 2) edits that agree with what was seen in every step.

    `vehicle`: text of a vehicle file. `given`: edits that the car is known to have. `edits`: sentences to
    choose from; by default the car's whole catalogue. The empty set, nothing wrong, is a candidate as well.
    """
    if most not in (1, 2):
        raise Problem(f"suspects are sets of one or two edits (here: {most})")
    car = car_from_text(vehicle)
    chosen = sentences(catalogue(car) if edits is None else edits, car)
    sets = [some for size in range(most + 1) for some in combinations(chosen, size)]
    start = Suspects(vehicle, tuple(given), seed, tuple(steps), (), (), len(sets), 0)
    return _search(start, sets, 0, workshop, progress, stop)


def _search(
    search: Suspects,
    sets: Sequence[tuple[str, ...]],
    known_steps: int,
    workshop: Workshop,
    progress: Progress,
    stop: Stop,
) -> Suspects:
    car = car_from_text(search.vehicle)
    classes = _classes(car, search, sets)
    trials = [search.trial(Suspect(members[0], (), 0.0)) for members in classes]
    failed_at = _judge(trials, search.steps, workshop, progress, stop)
    survivors = [
        _suspect(members, car) for members, at in zip(classes, failed_at, strict=True) if at == SURVIVES
    ]
    total = sum(one.odds for one in survivors) or 1.0
    ranked = sorted(survivors, key=lambda one: (-one.odds, one.edits))
    sizes = [len(members) for members in classes]
    remaining = tuple(
        sum(size for size, at in zip(sizes, failed_at, strict=True) if at == SURVIVES or at > number)
        for number in range(known_steps, len(search.steps))
    )
    return replace(
        search,
        suspects=tuple(replace(one, share=one.odds / total) for one in ranked),
        remaining=(*search.remaining, *remaining),
        runs=search.runs + len(trials),
    )


def _classes(car: Car, search: Suspects, sets: Sequence[tuple[str, ...]]) -> list[list[tuple[str, ...]]]:
    """Sets of edits that make the same car, together; sets that cannot be are left out."""
    actions = [action for step in search.steps for action in step.do]
    structure = Structure(car, [*actions, *search.given])
    classes: dict[object, list[tuple[str, ...]]] = {}
    for edits in sets:
        key = structure.key(edits)
        if key is not None:
            classes.setdefault(key, []).append(edits)
    return list(classes.values())


def _judge(
    trials: Sequence[Trial], steps: tuple[Step, ...], workshop: Workshop, progress: Progress, stop: Stop
) -> list[int]:
    """The place of the first step that each trial contradicts."""
    chunks = {at: tuple(trials[at : at + CHUNK]) for at in range(0, len(trials), CHUNK)}
    found = {}
    done = 0
    progress(0, len(trials))
    for at, places in workshop.spread(partial(_first_contradictions, steps), chunks, stop=stop):
        found[at] = places
        done += len(places)
        progress(done, len(trials))
    return [place for at in chunks for place in found[at]]


def _first_contradictions(steps: tuple[Step, ...], trials: tuple[Trial, ...]) -> tuple[int, ...]:
    return tuple(_first_contradiction(steps, trial) for trial in trials)


def _first_contradiction(steps: tuple[Step, ...], trial: Trial) -> int:
    sights = follow(trial)
    try:
        for place, step in enumerate(steps):
            if misses(step, [next(sights) for _ in step.do]):
                return place
    except ImpossibleCar:
        return 0
    return SURVIVES


def _suspect(members: Sequence[tuple[str, ...]], car: Car) -> Suspect:
    likely = sorted(members, key=lambda edits: (-odds(edits, car), edits))
    return Suspect(likely[0], tuple(likely[1:]), sum(odds(edits, car) for edits in members))


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
