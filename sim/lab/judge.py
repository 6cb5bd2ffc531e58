"""One search at work: which sets of edits contradict what was seen, with as few runs as possible.

What is known of single edits may decide a pair (`sim.lab.pairs`). Other sets are run, in any process of a
workshop, step by step until the first step that they contradict. Where a set only opens circuits, the wiring
may tell without a run that a module which answered could not have been reached (`sim.lab.reach`).
"""

from __future__ import annotations

import time
from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import astuple, dataclass, field
from functools import partial

from pydantic import TypeAdapter

from sim.lab.case import CaseStep
from sim.lab.compare import misses
from sim.lab.final_state import FinalState, final_state_of
from sim.lab.footprint import Footprint, footprint_key, footprint_text, opened
from sim.lab.pairs import AGREES, Alone, Pairs, Scanned
from sim.lab.reach import reach_of
from sim.lab.run import ImpossibleCar, Trial, bench_of, content_key, sight_of
from sim.lab.search_result import PossibleCause, SearchResult
from sim.lab.sight import Account
from sim.lab.structure import Structure
from sim.lab.workshop import Progress, Stop, Workshop
from sim.vehicle.edit import Theory
from sim.vehicle.edits import apply_all, is_theory, parse_edit
from sim.vehicle.harness_state import HarnessState
from sim.vehicle.problems import Problem


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
    found: list[Ruling] = []
    for one in sets:
        if scanned and one.opens is not None:
            reached = reach_of(one.trial.vehicle, given).reached(one.opens, scanned.state)
            if not scanned.answered <= reached or one.unsilenced & reached:
                found.append((scanned.step, False, None))
                continue
        place, end = first_contradiction(steps, one.trial)
        found.append((place, True, end))
    return _RULINGS.dump_json(found).decode()


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


@dataclass(frozen=True, slots=True)
class Opens:
    """A single edit that only opens circuits: which elements, on which bus lines.

    `helps_nobody`: it cannot bring any module back within reach.
    """

    elements: frozenset[str]
    lines: frozenset[str]
    helps_nobody: bool


@dataclass(frozen=True, slots=True)
class KnownSingles:
    """What is known of single edits: those that were run, and those that need no run since they cut off a
    module that answered.
    """

    pairs: Pairs
    alone: Mapping[tuple[str, ...], Alone]
    cut: Set[tuple[str, ...]]
    opens: Mapping[tuple[str, ...], Opens]
    theories: Mapping[tuple[str, ...], Theory] = field(default_factory=dict)

    def covers(self, parts: Sequence[tuple[str, ...]]) -> bool:
        """Is there anything known of each of these?"""
        return all(part in self.cut or part in self.alone for part in parts)

    def told(self, parts: Sequence[tuple[str, ...]]) -> int | None:
        """The first step that these edits together contradict, `AGREES`, or None: look or run."""
        if len(parts) > 1 and any(part in self.theories for part in parts):
            return self._told_of_theory(parts)
        if any(part in self.cut for part in parts):
            return self._told_of_cut(parts)
        alone = [self.alone[part] for part in parts]
        if len(alone) > 1:
            return self.pairs.first_contradiction(alone[0], alone[1])
        return alone[0].first_contradiction if alone[0].mark.account.sights else 1

    def final_state(self, parts: Sequence[tuple[str, ...]]) -> FinalState | None:
        """The final state of the car, if these edits together do what one of them does alone."""
        if len(parts) > 1 and any(part in self.theories for part in parts):
            return None
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

    def _told_of_theory(self, parts: Sequence[tuple[str, ...]]) -> int | None:
        """Who is cut off stays so unless something else feeds it; two that do not meet do what each does."""
        theories = [part for part in parts if part in self.theories]
        faults = [part for part in parts if part not in self.theories]
        if len(theories) > 1 or not faults:
            return None
        theory = self.theories[theories[0]]
        if faults[0] in self.cut:
            step = self.pairs.scanned.step if self.pairs.scanned else None
            return None if theory.relation == "feeds" else step
        return self.pairs.with_theory(self.alone[faults[0]], theory, self.alone[theories[0]])

    def open(self, parts: Sequence[tuple[str, ...]], trial: Trial) -> Undecided:
        """What is to be looked at, or run."""
        elements = [self.opens[part].elements for part in parts if part in self.opens]
        if len(elements) < len(parts):
            return Undecided(trial)
        alone = [self.alone[part] for part in parts if part in self.alone]
        unsilenced = self.pairs.unsilenced(*alone) if len(alone) == len(parts) else frozenset()
        return Undecided(trial, frozenset().union(*elements), unsilenced)


CHUNK = 8  # sets that one process takes at a time
LOOKS = 32  # the same of sets that are only looked at
EditClass = list[tuple[str, ...]]  # sets of edits that make the same car, the likeliest first
Ruling = tuple[int, bool, FinalState | None]  # contradicted step or `AGREES`, was it run, the car in the end
_RULINGS = TypeAdapter(list[Ruling])
Contradicted = dict[int, int]  # by number of the class, the first step that it contradicts, or `AGREES`


class Deadline:
    """How much time there is."""

    def __init__(self, within_s: float | None) -> None:
        self._end_s = None if within_s is None else time.monotonic() + within_s

    @property
    def left_s(self) -> float | None:
        """How many seconds are left; None without a limit."""
        return None if self._end_s is None else max(0.0, self._end_s - time.monotonic())

    @property
    def over(self) -> bool:
        return self._end_s is not None and time.monotonic() >= self._end_s


class Judge:
    """One search: single edits are run unless they cut off who answered; pairs follow or are run."""

    def __init__(
        self,
        search: SearchResult,
        structure: Structure,
        workshop: Workshop,
        clock: Deadline,
        progress: Progress,
        stop: Stop,
    ) -> None:
        self._search, self._structure, self._workshop = search, structure, workshop
        self._clock, self._progress, self._stop = clock, progress, stop
        self._car = apply_all(structure.car, search.given)
        self._watched: frozenset[str] = frozenset()
        self.runs = 0
        self.final_state: dict[int, FinalState | None] = {}  # by number of the class, where it is known

    def judged(self, classes: Sequence[EditClass]) -> Contradicted:
        """The first step that each class contradicts, of as many as there is time for."""
        singles = self._singles(classes)
        marks = self._marks([()])
        if () not in marks:
            return {}
        pairs = Pairs(self._car, self._search.steps, marks[()])
        if any(len(edits) > 2 for edits, *_ in classes):  # what two do together says nothing of three
            return self._run(pairs, {k: self._to_run(edits) for k, (edits, *_) in enumerate(classes)})
        opens = {edits: one for edits in dict.fromkeys(singles.values()) if (one := self._pure(edits))}
        cut = self._cut_off(opens, pairs.scanned)
        if all(len(edits) < 2 for edits, *_ in classes):
            return self._judged_alone(classes, singles, cut, pairs, marks[()])
        marks |= self._marks([edits for edits in dict.fromkeys(singles.values()) if edits not in cut])
        alone = {edits: self._alone(pairs, edits, mark) for edits, mark in marks.items()}
        known = KnownSingles(pairs, alone, cut, opens, self._theories(singles.values()))
        found: Contradicted = {}
        open_ones: dict[int, Undecided] = {}
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

    def _judged_alone(
        self,
        classes: Sequence[EditClass],
        singles: Mapping[str, tuple[str, ...]],
        cut: Set[tuple[str, ...]],
        pairs: Pairs,
        usual: Footprint,
    ) -> Contradicted:
        """Without pairs it does not matter what an edit does inside: runs end at a contradiction."""
        found: Contradicted = {}
        open_ones: dict[int, Undecided] = {}
        for k, (edits, *_) in enumerate(classes):
            if not edits:
                found[k] = self._alone(pairs, (), usual).first_contradiction if usual.account.sights else 1
                self.final_state[k] = usual.final_state
            elif pairs.scanned and singles[edits[0]] in cut:
                found[k] = pairs.scanned.step
            else:
                open_ones[k] = self._to_run(edits)
        return found | self._run(pairs, open_ones)

    def shown_alone(self, edits: Sequence[str]) -> dict[str, Account]:
        """What the car shows through all steps with each of these edits alone, and with none (""). Left out:
        what cuts off a module that answered, and what there is no time for.
        """
        singles = self._singles([[(edit,)] for edit in edits])
        usual = self._marks([()])
        if () not in usual:
            return {}
        opens = {one: pure for one in dict.fromkeys(singles.values()) if (pure := self._pure(one))}
        cut = self._cut_off(opens, Pairs(self._car, self._search.steps, usual[()]).scanned)
        marks = self._marks([one for one in dict.fromkeys(singles.values()) if one not in cut])
        shown = {edit: marks[one].account for edit, one in singles.items() if one in marks}
        return {"": usual[()].account, **shown}

    def _to_run(self, edits: tuple[str, ...]) -> Undecided:
        return Undecided(self._search.trial(PossibleCause(edits, (), 0.0)))

    def _singles(self, classes: Sequence[EditClass]) -> dict[str, tuple[str, ...]]:
        """Every edit, and the one that is run for all that make the same car as it; likeliest first."""
        firsts: dict[Hashable, tuple[str, ...]] = {}
        edits = dict.fromkeys(edit for one in classes for edits in one for edit in edits)
        opens = [self._opens(edit) for edit in edits]
        self._watched = frozenset().union(*(one for one in opens if one is not None))
        return {edit: firsts.setdefault(self._structure.key((edit,)), (edit,)) for edit in edits}

    def _theories(self, singles: Iterable[tuple[str, ...]]) -> dict[tuple[str, ...], Theory]:
        parsed = {edits: parse_edit(edits[0], self._car) for edits in singles if is_theory(edits[0])}
        return {edits: edit.theory for edits, edit in parsed.items() if edit.theory}

    def _pure(self, edits: tuple[str, ...]) -> Opens | None:
        elements = self._opens(edits[0])
        if elements is None:
            return None
        lines = self._structure.lines(elements)
        plain = self._car.harness == HarnessState() and self._structure.keeps_terminators(elements)
        return Opens(elements, lines, not lines or plain)

    def _cut_off(
        self, opens: Mapping[tuple[str, ...], Opens], scanned: Scanned | None
    ) -> set[tuple[str, ...]]:
        """The edits with which a module that answered could not have been reached."""
        if scanned is None:
            return set()
        elements = list(dict.fromkeys(one.elements for one in opens.values()))
        chunks = {at: tuple(elements[at : at + LOOKS]) for at in range(0, len(elements), LOOKS)}
        work = partial(which_cut_off, self._search.vehicle, self._search.given, scanned)
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
        lines = self._structure.lines(self._car.elements if opens is None else opens)
        return pairs.alone(mark, opens, lines, self._parts(edits))

    def _parts(self, edits: tuple[str, ...]) -> frozenset[str]:
        """The parts that edits are at, and the connectors of pins."""
        targets = [name for text in edits for name in parse_edit(text, self._car).targets]
        pins = [self._car.pins[name].connector for name in targets if name in self._car.pins]
        return frozenset((*targets, *pins))

    def _opens(self, edit: str) -> frozenset[str] | None:
        try:
            return opened(edit, self._car)
        except Problem:
            return None

    def _run(self, pairs: Pairs, items: Mapping[int, Undecided]) -> Contradicted:
        """Run the sets of edits about which nothing follows."""
        steps, given = self._search.steps, self._search.given
        chunks = {}
        for numbers in _chunks(list(items)):
            sets = tuple(items[k] for k in numbers)
            chunks[contradictions_key(steps, given, sets)] = numbers, sets
        found: Contradicted = {}
        before = self.runs
        work = partial(contradictions_text, steps, given, pairs.scanned)
        todo = {} if self._clock.over else {key: sets for key, (_, sets) in chunks.items()}
        for key, text in self._workshop.recalled(work, todo, stop=self._stop):
            for k, (place, run, end) in zip(chunks[key][0], _RULINGS.validate_json(text), strict=True):
                found[k], self.final_state[k] = place, end
                self.runs += run
            self._progress(before + len(found), before + len(items))
            if self._clock.over:
                break
        return found


def _chunks(numbers: Sequence[int]) -> Iterator[Sequence[int]]:
    return (numbers[at : at + CHUNK] for at in range(0, len(numbers), CHUNK))
