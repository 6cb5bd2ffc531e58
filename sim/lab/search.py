"""The search for possible causes: every single and double fault that agrees with all that was seen.

    with Workshop() as workshop:
        found = find_causes(vehicle_text("six-modules"), case.steps, workshop=workshop)
    for cause in found.causes[:5]:
        print(f"{suspect.share:.0%}", suspect.title)

Every single edit and every pair is judged; none is left out because it contains a set that was rejected, or
one that was kept: one fault can hide another. Three things save runs. Sets that make the same car by
structure share one (`sim.lab.structure`). Where edits only open circuits, the wiring may tell that somebody
who answered could not have (`sim.lab.reach`), and nothing that opens more brings him back, but what takes a
bus line its terminators. What two other edits do together often follows from what each does alone
(`sim.lab.pairs`). All other sets are run, observation by observation, until the first that they contradict,
the likeliest first. `wrongly_judged` puts the savings to the test.

Not modelled: three faults at once; faults that come and go; wrong observations.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import astuple, dataclass, replace
from functools import partial
from itertools import combinations
from math import prod
from typing import Any

from sim.bench.bench import Bench
from sim.bench.explain import Because, why_code, why_silent
from sim.lab.case import CaseStep
from sim.lab.compare import misses
from sim.lab.final_state import FinalState, final_state_of
from sim.lab.footprint import Footprint, footprint_key, footprint_text, opened
from sim.lab.pairs import AGREES, Alone, Pairs, Scanned
from sim.lab.reach import reach_of
from sim.lab.run import ImpossibleCar, Trial, bench_of, content_key, sentences, sight_of
from sim.lab.structure import Structure
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet
from sim.vehicle.car import Car
from sim.vehicle.edits import apply_all, catalogue
from sim.vehicle.harness_state import HarnessState
from sim.vehicle.problems import Problem
from sim.vehicle.reading import car_from_text

# How likely a car in the bay has each fault, as odds against its not having it. Round numbers of common
# practice, no statistics stand behind them: a fuse is missing more often than a pin is open.
ODDS = {"fuse": 0.004, "relay": 0.001, "connector": 0.002, "ground": 0.002, "pin": 0.0005, "other": 0.0005}
CHUNK = 8  # sets that one process takes at a time
LOOKS = 32  # the same of sets that are only looked at


@dataclass(frozen=True, slots=True)
class PossibleCause:
    """A set of edits that agrees with everything seen; `alike` are sets that make the same car by structure.

    `odds`: prior odds, summed over all that are alike. `share`: of the odds of all suspects. `final_state`:
    of the car after the last step, where the search knows it.
    """

    edits: tuple[str, ...]
    alike: tuple[tuple[str, ...], ...]
    odds: float
    share: float = 0.0
    final_state: FinalState | None = None

    @property
    def title(self) -> str:
        """The suspect in words."""
        return " + ".join(self.edits) or "nothing wrong"


@dataclass(frozen=True)
class SearchResult:
    """The suspects by falling share, and how the search went.

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

    def trial(self, cause: PossibleCause, more: Sequence[str] = ()) -> Trial:
        """The run of one suspect through all steps, and these actions after them."""
        given = sentences([*self.given, *cause.edits], car_from_text(self.vehicle))
        return Trial(self.vehicle, given, (*_actions(self.steps), *more), self.seed)

    def holds(self, edits: Iterable[str]) -> bool:
        """Is this set of edits among the suspects?"""
        wanted = frozenset(edits)
        return any(wanted in map(frozenset, (one.edits, *one.alike)) for one in self.causes)

    def narrowed(
        self,
        more: Sequence[CaseStep],
        *,
        workshop: Workshop,
        within_s: float | None = None,
        progress: Progress = quiet,
        stop: Stop = never,
    ) -> SearchResult:
        """The suspects that agree with these further steps, too; sets that were waiting get their turn.

        A step that works on a part or measures at a terminal tells apart what was equal by structure before.
        """
        sets = [edits for one in self.causes for edits in (one.edits, *one.alike)]
        search = replace(self, steps=(*self.steps, *more))
        return _search(search, [*sets, *self.waiting], workshop, within_s, progress, stop)


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
        raise Problem(f"suspects are sets of one or two edits (here: {most})")
    car = car_from_text(vehicle)
    chosen = sentences(catalogue(car) if edits is None else edits, car)
    sets = [some for size in range(most + 1) for some in combinations(chosen, size)]
    search = SearchResult(vehicle, tuple(given), seed, tuple(steps), candidates=len(sets))
    return _search(search, sets, workshop, within_s, progress, stop)


_Class = list[tuple[str, ...]]  # sets of edits that make the same car, the likeliest first
_Found = dict[int, int]  # by number of the class, the first step that it contradicts, or `AGREES`


def _search(
    search: SearchResult,
    sets: Sequence[tuple[str, ...]],
    workshop: Workshop,
    within_s: float | None,
    progress: Progress,
    stop: Stop,
) -> SearchResult:
    car = car_from_text(search.vehicle)
    weight = {edits: odds(edits, car) for edits in sets}
    structure = Structure(car, [*_actions(search.steps), *search.given])
    classes = _classes(structure, weight)
    work = _Work(search, structure, workshop, _Clock(within_s), progress, stop)
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


def _classes(structure: Structure, weight: Mapping[tuple[str, ...], float]) -> list[_Class]:
    """The sets of edits by the car that they make, likeliest first; those that cannot be are left out."""
    classes: dict[Hashable, _Class] = {}
    for edits in sorted(weight, key=lambda edits: (-weight[edits], edits)):
        key = structure.key(edits)
        if key is not None:
            classes.setdefault(key, []).append(edits)
    return sorted(classes.values(), key=lambda one: -sum(weight[edits] for edits in one))


class _Clock:
    """How much time there is."""

    def __init__(self, within_s: float | None) -> None:
        self._end_s = None if within_s is None else time.monotonic() + within_s

    @property
    def over(self) -> bool:
        return self._end_s is not None and time.monotonic() >= self._end_s


class _Work:
    """One search: every edit is run that cuts off nobody; what pairs do follows, or is run as well."""

    def __init__(
        self,
        search: SearchResult,
        structure: Structure,
        workshop: Workshop,
        clock: _Clock,
        progress: Progress,
        stop: Stop,
    ) -> None:
        self._search, self._structure, self._workshop = search, structure, workshop
        self._clock, self._progress, self._stop = clock, progress, stop
        self._car = apply_all(structure.car, search.given)
        self._watched: frozenset[str] = frozenset()
        self.runs = 0
        self.final_state: dict[int, FinalState | None] = {}  # by number of the class, where it is known

    def judged(self, classes: Sequence[_Class]) -> _Found:
        """The first step that each class contradicts, of as many as there is time for."""
        singles = self._singles(classes)
        marks = self._marks([()])
        if () not in marks:
            return {}
        pairs = Pairs(self._car, self._search.steps, marks[()])
        opens = {edits: one for edits in dict.fromkeys(singles.values()) if (one := self._pure(edits))}
        cut = self._cut_off(opens, pairs.scanned)
        marks |= self._marks([edits for edits in dict.fromkeys(singles.values()) if edits not in cut])
        alone = {edits: self._alone(pairs, edits, mark) for edits, mark in marks.items()}
        known = _Known(pairs, alone, cut, opens)
        found: _Found = {}
        open_ones: dict[int, _Undecided] = {}
        for k, (edits, *_) in enumerate(classes):
            parts = [singles[edit] for edit in edits] or [()]
            if known.covers(parts):
                told = known.told(parts)
                if told is None:
                    open_ones[k] = known.open(parts, self._search.trial(PossibleCause(edits, (), 0.0)))
                else:
                    found[k] = told
                    self.final_state[k] = known.final_state(parts)
        return found | self._run(pairs, open_ones)

    def _singles(self, classes: Sequence[_Class]) -> dict[str, tuple[str, ...]]:
        """Every edit, and the one that is run for all that make the same car as it; likeliest first."""
        firsts: dict[Hashable, tuple[str, ...]] = {}
        edits = dict.fromkeys(edit for one in classes for edits in one for edit in edits)
        opens = [self._opens(edit) for edit in edits]
        self._watched = frozenset().union(*(one for one in opens if one is not None))
        return {edit: firsts.setdefault(self._structure.key((edit,)), (edit,)) for edit in edits}

    def _pure(self, edits: tuple[str, ...]) -> _Opens | None:
        elements = self._opens(edits[0])
        if elements is None:
            return None
        lines = self._structure.lines(elements)
        plain = self._car.harness == HarnessState() and self._structure.keeps_terminators(elements)
        return _Opens(elements, lines, not lines or plain)

    def _cut_off(
        self, opens: Mapping[tuple[str, ...], _Opens], scanned: Scanned | None
    ) -> set[tuple[str, ...]]:
        """The edits with which somebody who answered could not have been reached, whatever modules do."""
        if scanned is None:
            return set()
        elements = list(dict.fromkeys(one.elements for one in opens.values()))
        chunks = {at: tuple(elements[at : at + LOOKS]) for at in range(0, len(elements), LOOKS)}
        work = partial(_which_cut_off, self._search.vehicle, self._search.given, scanned)
        cut = {one for _, found in self._workshop.spread(work, chunks, stop=self._stop) for one in found}
        return {edits for edits, one in opens.items() if one.elements in cut}

    def _marks(self, wanted: Sequence[tuple[str, ...]]) -> dict[tuple[str, ...], Footprint]:
        search = self._search
        trials = {edits: search.trial(PossibleCause(edits, (), 0.0)) for edits in wanted}
        given = search.trial(PossibleCause((), (), 0.0)).given
        keys = {footprint_key(given, self._watched, trial): edits for edits, trial in trials.items()}
        items = {key: trials[edits] for key, edits in keys.items()}
        marks: dict[tuple[str, ...], Footprint] = {}
        work = partial(footprint_text, given, self._watched)
        for key, text in self._workshop.recalled(work, items, stop=self._stop):
            marks[keys[key]] = Footprint.from_json(text)
            self._progress(len(marks), len(trials))
            if self._clock.over and len(marks) > CHUNK:  # however short the time, something comes of it
                break
        self.runs += len(marks)
        return marks

    def _alone(self, pairs: Pairs, edits: tuple[str, ...], mark: Footprint) -> Alone:
        opens = self._opens(edits[0]) if edits else frozenset()
        return pairs.alone(mark, opens, self._structure.lines(self._car.elements if opens is None else opens))

    def _opens(self, edit: str) -> frozenset[str] | None:
        try:
            return opened(edit, self._car)
        except Problem:
            return None

    def _run(self, pairs: Pairs, items: Mapping[int, _Undecided]) -> _Found:
        """Run the sets of edits about which nothing follows."""
        steps, given = self._search.steps, self._search.given
        chunks = {}
        for numbers in _chunks(list(items)):
            sets = tuple(items[k] for k in numbers)
            chunks[_contradictions_key(steps, given, sets)] = numbers, sets
        found: _Found = {}
        before = self.runs
        work = partial(_contradictions_text, steps, given, pairs.scanned)
        todo = {} if self._clock.over else {key: sets for key, (_, sets) in chunks.items()}
        for key, text in self._workshop.recalled(work, todo, stop=self._stop):
            places = json.loads(text)
            for k, (place, run, stands) in zip(chunks[key][0], places, strict=True):
                found[k], self.final_state[k] = place, stands and FinalState.of(stands)
                self.runs += run
            self._progress(before + len(found), before + len(items))
            if self._clock.over:
                break
        return found


@dataclass(frozen=True, slots=True)
class _Opens:
    """A single edit that only opens circuits: which elements, on which bus lines.

    `helps_nobody`: nothing that it does can bring anybody within reach.
    """

    elements: frozenset[str]
    lines: frozenset[str]
    helps_nobody: bool


@dataclass(frozen=True, slots=True)
class _Known:
    """What is known of single edits: those that were run, and those that need no run as they cut off somebody
    who answered.
    """

    pairs: Pairs
    alone: Mapping[tuple[str, ...], Alone]
    cut: Set[tuple[str, ...]]
    opens: Mapping[tuple[str, ...], _Opens]

    def covers(self, parts: Sequence[tuple[str, ...]]) -> bool:
        """Is there anything known of each of these?"""
        return all(part in self.cut or part in self.alone for part in parts)

    def told(self, parts: Sequence[tuple[str, ...]]) -> int | None:
        """The first step that these edits together contradict, `AGREES`, or None: look or run."""
        if any(part in self.cut for part in parts):
            return self._told_of_cut(parts)
        alone = [self.alone[part] for part in parts]
        if len(alone) > 1:
            return self.pairs.first_contradiction(alone[0], alone[1])
        return alone[0].first_contradiction if alone[0].mark.account.sights else 1

    def final_state(self, parts: Sequence[tuple[str, ...]]) -> FinalState | None:
        """How a car stands where these edits together do what one of them does alone."""
        marks = [self.alone[part].mark for part in parts if part in self.alone]
        telling = [mark for mark in marks if mark.touched] or marks[:1]
        return telling[0].final_state if len(marks) == len(parts) and len(telling) == 1 else None

    def _told_of_cut(self, parts: Sequence[tuple[str, ...]]) -> int | None:
        """Who is cut off stays so, unless the other edit does more than open, or helps on the same line."""
        step = self.pairs.scanned.step if self.pairs.scanned else None
        for cut, other in (parts, parts[::-1]) if len(parts) > 1 else ():
            by = self.opens.get(other)
            if cut in self.cut and by and (by.helps_nobody or not by.lines & self.opens[cut].lines):
                return step
        return None if len(parts) > 1 else step

    def open(self, parts: Sequence[tuple[str, ...]], trial: Trial) -> _Undecided:
        """What is to be looked at, or run."""
        elements = [self.opens[part].elements for part in parts if part in self.opens]
        if len(elements) < len(parts):
            return _Undecided(trial)
        alone = [self.alone[part] for part in parts if part in self.alone]
        unsilenced = self.pairs.unsilenced(*alone) if len(alone) == len(parts) else frozenset()
        return _Undecided(trial, frozenset().union(*elements), unsilenced)


@dataclass(frozen=True, slots=True)
class _Undecided:
    """A set of edits to be run; where it only opens circuits, a look at the wiring may do instead.

    unsilenced: modules that were silent; if they are within reach, only the two edits together could be why.
    """

    trial: Trial
    opens: frozenset[str] | None = None
    unsilenced: frozenset[str] = frozenset()


def _chunks(numbers: Sequence[int]) -> Iterator[Sequence[int]]:
    return (numbers[at : at + CHUNK] for at in range(0, len(numbers), CHUNK))


def _contradictions_key(
    steps: tuple[CaseStep, ...], given: tuple[str, ...], sets: tuple[_Undecided, ...]
) -> str:
    """A name for everything that the first contradictions depend on."""
    return content_key("contradictions", repr(steps), given, [astuple(one.trial) for one in sets])


def _contradictions_text(
    steps: tuple[CaseStep, ...], given: tuple[str, ...], scanned: Scanned | None, sets: tuple[_Undecided, ...]
) -> str:
    """Per set, the first step that it contradicts, whether a run was needed to know, and how it stands."""
    found: list[tuple[int, bool, list[Any] | None]] = []
    for one in sets:
        if scanned and one.opens is not None:
            reached = reach_of(one.trial.vehicle, given).reached(one.opens, scanned.state)
            if not scanned.answered <= reached or one.unsilenced & reached:
                found.append((scanned.step, False, None))
                continue
        place, stands = _first_contradiction(steps, one.trial)
        found.append((place, True, stands.plain() if stands else None))
    return json.dumps(found)


def _which_cut_off(
    vehicle: str, given: tuple[str, ...], scanned: Scanned, openings: tuple[frozenset[str], ...]
) -> tuple[frozenset[str], ...]:
    """Those with which not everybody who answered could have been reached."""
    reach = reach_of(vehicle, given)
    wanted = scanned.answered & reach.reached(frozenset(), scanned.state)
    return tuple(one for one in openings if not wanted <= reach.reached(one, scanned.state))


def _first_contradiction(steps: tuple[CaseStep, ...], trial: Trial) -> tuple[int, FinalState | None]:
    """The first step that a run contradicts; and how the car stands if there is none."""
    try:
        bench = bench_of(trial)
    except ImpossibleCar:
        return 1, None
    for number, step in enumerate(steps, start=1):
        if misses(step, [sight_of(bench, action) for action in step.do]):
            return number, None
    return AGREES, final_state_of(bench.live, trial)


def _actions(steps: Iterable[CaseStep]) -> tuple[str, ...]:
    return tuple(action for step in steps for action in step.do)


def _by_odds(one: PossibleCause) -> tuple[float, tuple[str, ...]]:
    return -one.odds, one.edits


def wrongly_judged(
    found: SearchResult, sample: Sequence[tuple[str, ...]], *, workshop: Workshop
) -> tuple[tuple[str, ...], ...]:
    """Sets of this sample for which a run of its own says otherwise than the search: there must be none."""
    trials = {k: found.trial(PossibleCause(edits, (), 0.0)) for k, edits in enumerate(sample)}
    judged = dict(workshop.spread(partial(_first_contradiction, found.steps), trials))
    return tuple(edits for k, edits in enumerate(sample) if (judged[k][0] == AGREES) != found.holds(edits))


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


def explained(found: SearchResult, cause: PossibleCause) -> tuple[Because, ...]:
    """For each silent module and each code that was seen: how it follows from the suspect's edits."""
    trial = found.trial(cause)
    bench = Bench(car_from_text(trial.vehicle), trial.given, trial.seed)
    reasons: list[Because] = []
    for step in found.steps:
        bench.do_all(step.do)
        asked: list[Callable[[], Because]] = [partial(why_silent, bench, name) for name in step.seen.silent]
        asked += [partial(why_code, bench, *text.split()[:2]) for text in step.seen.codes]
        reasons += [ask().to_edits() for ask in asked]
    return tuple(reasons)
