"""One search at work: which sets of edits contradict what was seen, with as few runs as possible."""

from __future__ import annotations

import json
import time
from collections.abc import Hashable, Iterator, Mapping, Sequence
from functools import partial

from sim.lab.contradictions import Undecided, contradictions_key, contradictions_text, which_cut_off
from sim.lab.final_state import FinalState
from sim.lab.footprint import Footprint, footprint_key, footprint_text, opened
from sim.lab.pairs import Alone, Pairs, Scanned
from sim.lab.search_result import PossibleCause, SearchResult
from sim.lab.singles import KnownSingles, Opens
from sim.lab.structure import Structure
from sim.lab.workshop import Progress, Stop, Workshop
from sim.vehicle.edits import apply_all
from sim.vehicle.harness_state import HarnessState
from sim.vehicle.problems import Problem

CHUNK = 8  # sets that one process takes at a time
LOOKS = 32  # the same of sets that are only looked at
EditClass = list[tuple[str, ...]]  # sets of edits that make the same car, the likeliest first
Contradicted = dict[int, int]  # by number of the class, the first step that it contradicts, or `AGREES`


class Deadline:
    """How much time there is."""

    def __init__(self, within_s: float | None) -> None:
        self._end_s = None if within_s is None else time.monotonic() + within_s

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
        opens = {edits: one for edits in dict.fromkeys(singles.values()) if (one := self._pure(edits))}
        cut = self._cut_off(opens, pairs.scanned)
        marks |= self._marks([edits for edits in dict.fromkeys(singles.values()) if edits not in cut])
        alone = {edits: self._alone(pairs, edits, mark) for edits, mark in marks.items()}
        known = KnownSingles(pairs, alone, cut, opens)
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

    def _singles(self, classes: Sequence[EditClass]) -> dict[str, tuple[str, ...]]:
        """Every edit, and the one that is run for all that make the same car as it; likeliest first."""
        firsts: dict[Hashable, tuple[str, ...]] = {}
        edits = dict.fromkeys(edit for one in classes for edits in one for edit in edits)
        opens = [self._opens(edit) for edit in edits]
        self._watched = frozenset().union(*(one for one in opens if one is not None))
        return {edit: firsts.setdefault(self._structure.key((edit,)), (edit,)) for edit in edits}

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
        return pairs.alone(mark, opens, self._structure.lines(self._car.elements if opens is None else opens))

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
            places = json.loads(text)
            for k, (place, run, end) in zip(chunks[key][0], places, strict=True):
                found[k], self.final_state[k] = place, end and FinalState.of(end)
                self.runs += run
            self._progress(before + len(found), before + len(items))
            if self._clock.over:
                break
        return found


def _chunks(numbers: Sequence[int]) -> Iterator[Sequence[int]]:
    return (numbers[at : at + CHUNK] for at in range(0, len(numbers), CHUNK))
