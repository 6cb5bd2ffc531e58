"""Cause sets: which edits, present or absent, bring a symptom about.

A truth table over n edits says for each of the 2^n combinations whether the symptom showed. Its prime
implicants are the minimal cause sets: no edit of one can be left out. They keep their negative literals
("A and not B"), because a bypass or a second fault can hide what the first one does. All 3^n cubes are
tested, since minimizing libraries return a cover, which loses causes.

Bit k of a combination's number stands for edit k: 0 is the car without any of them.

Not modeled: degrees of a symptom (see `sim.lab.factorial` for numbers).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

MOST_EDITS = 12  # 3^12 cubes are half a million; a grid of 4,096 runs is the most that anyone waits for
FREE = 2  # third value of a place in a cube: either


@dataclass(frozen=True, slots=True)
class CauseSet:
    """A minimal cause: the symptom shows whenever all of `present` are there and none of `absent` is."""

    present: tuple[str, ...] = ()
    absent: tuple[str, ...] = ()

    def __str__(self) -> str:
        return " and ".join((*self.present, *(f"not {name}" for name in self.absent))) or "always"

    def holds(self, there: Iterable[str]) -> bool:
        """Does this cause hold where exactly these edits are there?"""
        there = set(there)
        return there.issuperset(self.present) and there.isdisjoint(self.absent)


@dataclass(frozen=True, slots=True)
class SymptomCauses:
    """What brings one symptom about, among the combinations that could be run.

    `sets` are the minimal cause sets, smallest first. `sufficient` edits bring it alone, whatever else is
    there; without a `necessary` edit it never shows. `hiders` can take it away again, so with them it is not
    monotone. `without_part` never matter.
    """

    names: tuple[str, ...]
    sets: tuple[CauseSet, ...]
    always: bool
    never: bool
    sufficient: tuple[str, ...]
    necessary: tuple[str, ...]
    hiders: tuple[str, ...]
    without_part: tuple[str, ...]

    def __str__(self) -> str:
        if self.never:
            return "never"
        if len(self.sets) == 1:
            return str(self.sets[0])
        return " or ".join(f"({one})" if len(one.present + one.absent) > 1 else str(one) for one in self.sets)


def causes(names: Sequence[str], shows: Sequence[bool | None]) -> SymptomCauses:
    """The causes of a symptom from its truth table.

    `names`: n different edits. `shows`: 2^n values; None where the combination cannot be (an edit that
    another one makes impossible): such a combination neither speaks for nor against a cause. Raises
    `ValueError` for a table of another length or more than 12 edits.
    """
    table, possible = _tables(names, shows)
    sets = tuple(_cause_set(names, cube) for cube in prime_implicants(table | ~possible, table))
    places = range(len(names))
    return SymptomCauses(
        tuple(names),
        sets,
        always=bool(table[possible].all()) and bool(possible.any()),
        never=not table.any(),
        sufficient=tuple(one.present[0] for one in sets if len(one.present) == 1 and not one.absent),
        necessary=tuple(names[k] for k in places if table.any() and not table.take(0, axis=k).any()),
        hiders=tuple(names[k] for k in places if _steps(table, possible, k, up=False)),
        without_part=tuple(
            names[k]
            for k in places
            if not _steps(table, possible, k, up=False) and not _steps(table, possible, k, up=True)
        ),
    )


def prime_implicants(
    table: NDArray[np.bool_], needed: NDArray[np.bool_] | None = None
) -> list[tuple[int, ...]]:
    """All prime implicants of a truth table of shape (2,) * n, in order of size.

    One is a tuple of n places: 0 absent, 1 present, 2 either. With `needed` (the same shape) only those that
    cover a true place of it.
    """
    implicant = _over_cubes(table, np.logical_and)
    prime = implicant.copy()
    for axis in range(table.ndim):
        wider = implicant.take([FREE], axis=axis)
        literal = np.arange(3).reshape([3 if k == axis else 1 for k in range(table.ndim)]) != FREE
        prime &= ~(wider & literal)
    if needed is not None:
        prime &= _over_cubes(needed, np.logical_or)
    cubes = [tuple(int(place) for place in cube) for cube in np.argwhere(prime)]
    return sorted(cubes, key=_size)


def _tables(
    names: Sequence[str], shows: Sequence[bool | None]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    n = len(names)
    if n > MOST_EDITS:
        raise ValueError(f"at most {MOST_EDITS} edits (here: {n})")
    if len(shows) != 2**n or len(set(names)) != n:
        raise ValueError(f"{n} different edits need {2**n} values (here: {len(shows)})")
    shape = (2,) * n
    table = np.array([one is True for one in shows]).reshape(shape, order="F")
    possible = np.array([one is not None for one in shows]).reshape(shape, order="F")
    return table, possible


def _over_cubes(table: NDArray[np.bool_], join: np.ufunc) -> NDArray[np.bool_]:
    """The join of a table's values over each of the 3^n cubes."""
    for axis in range(table.ndim):
        either = join(table.take([0], axis=axis), table.take([1], axis=axis))
        table = np.concatenate([table, either], axis=axis)
    return table


def _steps(table: NDArray[np.bool_], possible: NDArray[np.bool_], axis: int, up: bool) -> bool:
    """Does adding this edit anywhere bring the symptom (up) or take it away?"""
    without, with_it = table.take(0, axis=axis), table.take(1, axis=axis)
    both = possible.take(0, axis=axis) & possible.take(1, axis=axis)
    return bool((both & (with_it & ~without if up else without & ~with_it)).any())


def _size(cube: tuple[int, ...]) -> tuple[int, list[int]]:
    """Fewest literals first; among equals those with the first edits present."""
    order = {1: 0, 0: 1, FREE: 2}
    return sum(place != FREE for place in cube), [order[place] for place in cube]


def _cause_set(names: Sequence[str], cube: tuple[int, ...]) -> CauseSet:
    return CauseSet(
        tuple(name for name, place in zip(names, cube, strict=True) if place == 1),
        tuple(name for name, place in zip(names, cube, strict=True) if place == 0),
    )
