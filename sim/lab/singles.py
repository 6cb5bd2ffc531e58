"""What is known of single edits, and what follows from it for two of them together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass

from sim.lab.contradictions import Undecided
from sim.lab.final_state import FinalState
from sim.lab.pairs import Alone, Pairs
from sim.lab.run import Trial


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
        """The final state of the car, if these edits together do what one of them does alone."""
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

    def open(self, parts: Sequence[tuple[str, ...]], trial: Trial) -> Undecided:
        """What is to be looked at, or run."""
        elements = [self.opens[part].elements for part in parts if part in self.opens]
        if len(elements) < len(parts):
            return Undecided(trial)
        alone = [self.alone[part] for part in parts if part in self.alone]
        unsilenced = self.pairs.unsilenced(*alone) if len(alone) == len(parts) else frozenset()
        return Undecided(trial, frozenset().union(*elements), unsilenced)
