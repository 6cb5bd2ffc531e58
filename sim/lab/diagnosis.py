"""Diagnosis from consistency: which parts cannot all be good, and the smallest sets of parts to blame.

This is the model in which a bad part may do anything (Reiter 1987; de Kleer and Williams 1987). Edits of a
car are not like that: "open" does one thing only, and a bypass hides faults, so a superset of a diagnosis
need not be one (de Kleer, Mackworth and Reiter 1990). `sim.lab.search` therefore runs every set of edits.

Not modelled: how a part fails.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from itertools import combinations
from math import log
from typing import TypeVar

Item = TypeVar("Item", bound=Hashable)
Consistent = Callable[[frozenset[str]], bool]


def minimal_conflicts(parts: Sequence[str], consistent: Consistent) -> list[frozenset[str]]:
    """The minimal sets of parts that cannot all be good, smallest first.

    `consistent` says whether the observations allow that these parts are good, whatever the others do. Tries
    all 2^n sets: for up to some 15 parts.
    """
    return _minimal(parts, lambda good: not consistent(good))


def minimal_diagnoses(parts: Sequence[str], consistent: Consistent) -> list[frozenset[str]]:
    """The minimal sets of parts to blame: with all others good the observations can be, smallest first."""
    return _minimal(parts, lambda bad: consistent(frozenset(parts) - bad))


def minimal_hitting_sets(families: Iterable[Iterable[Item]]) -> list[frozenset[Item]]:
    """The minimal sets that take at least one member from every family, smallest first.

    Families are taken one by one, and a set that contains another is dropped at once. An empty family cannot
    be hit, so nothing can; of no families the empty set is the one answer.
    """
    found: set[frozenset[Item]] = {frozenset()}
    for family in families:
        members = frozenset(family)
        hit = {one for one in found if one & members}
        grown = {one | {member} for one in found - hit for member in members}
        found = hit | {one for one in grown if not any(kept <= one for kept in hit)}
        found = {one for one in found if not any(other < one for other in found)}
    return sorted(found, key=_size_then_names)


def entropy(weights: Iterable[float]) -> float:
    """Entropy in nats of weights that need not add up to 1."""
    positive = [weight for weight in weights if weight > 0]
    total = sum(positive)
    return -sum(weight / total * log(weight / total) for weight in positive)


def expected_entropy(
    weights: Mapping[Item, float], predicted: Callable[[Item], Hashable | None], values: int
) -> float:
    """Expected entropy in nats over candidates after a reading.

    `predicted` gives each candidate's value, or None where the candidate says nothing about it: then each of
    `values` possible values is as likely (de Kleer and Williams 1987; formula derived again, from memory).
    """
    total = sum(weights.values())
    told: dict[Hashable, list[float]] = {}
    untold: list[float] = []
    for candidate, weight in weights.items():
        value = predicted(candidate)
        (untold if value is None else told.setdefault(value, [])).append(weight / total)
    spread = [weight / values for weight in untold]
    groups = [[*group, *spread] for group in told.values()]
    rest = values - len(groups)
    after = sum(sum(group) * entropy(group) for group in groups)
    return after + (rest * sum(spread) * entropy(spread) if spread else 0.0)


def _minimal(parts: Sequence[str], fits: Consistent) -> list[frozenset[str]]:
    found: list[frozenset[str]] = []
    for size in range(len(parts) + 1):
        for some in combinations(sorted(parts), size):
            one = frozenset(some)
            if not any(smaller <= one for smaller in found) and fits(one):
                found.append(one)
    return found


def _size_then_names(one: frozenset[Item]) -> tuple[int, list[str]]:
    return len(one), sorted(map(str, one))
