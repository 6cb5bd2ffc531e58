"""Suspects: sets of edits that may be wrong, and what a check is worth that tells them apart.

Entropy as C. E. Shannon defines it ("A Mathematical Theory of Communication", 1948), in bits.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from math import log2
from typing import Protocol

from sim.lab.checks import Check
from sim.lab.search_result import PossibleCause

LEAST_MINUTES = 0.1  # what the quickest check is taken to last
MOST_ROUTE = 12
LEAST_GAIN = 1e-12  # bits per minute; less of a difference is rounding


def words_of(edits: Sequence[str]) -> str:
    """What a set of edits says is wrong, in words."""
    return " and ".join(edits) or "nothing is wrong"


class SuspectModel(Protocol):
    """What suspects predict for the steps of one log, and for other checks on the car as it came in."""

    @property
    def suspects(self) -> Sequence[PossibleCause]:
        """All suspects with their prior odds, among them what was really wrong; no edits: nothing is."""

    @property
    def truth(self) -> int:
        """The number of the suspect that is true."""

    @property
    def checks(self) -> Sequence[Check]:
        """Checks that could have been made on the car as it came in; the first is to read all modules."""

    @property
    def compared(self) -> frozenset[int]:
        """The suspects for which `shown` can be asked."""

    def seen(self, place: int) -> Hashable:
        """What the step at this place of the log has shown."""

    def told(self, place: int, suspect: int) -> Hashable:
        """What it would have shown if the suspect were true; for those that no earlier step ruled out."""

    def mended(self, place: int, suspect: int) -> bool:
        """Whether the repair at this place would put something right if the suspect were true."""

    def shown(self, check: int, suspect: int) -> Hashable:
        """What a check would show if the suspect were true."""


@dataclass(frozen=True, slots=True)
class RouteStop:
    """One check of the shortest way that the model knows: what it costs, and how many suspects it leaves."""

    actions: tuple[str, ...]
    minutes: float
    left: int


def entropy_bits(weights: Sequence[float]) -> float:
    """Entropy in bits of weights that need not add up to 1; 0.0 for one or none."""
    total = sum(weights)
    return sum((weight / total * log2(total / weight) for weight in weights if weight > 0), 0.0)


def bits_per_minute(gain_bits: float, minutes: float) -> float:
    """The rate of a check that takes so long."""
    return gain_bits / max(minutes, LEAST_MINUTES)


def grouped(suspects: Iterable[int], shows: Callable[[int], Hashable]) -> dict[Hashable, list[int]]:
    """Suspects by what each of them shows, in order."""
    groups: dict[Hashable, list[int]] = {}
    for k in suspects:
        groups.setdefault(shows(k), []).append(k)
    return groups


def best_check(model: SuspectModel, suspects: Sequence[int]) -> tuple[int, float]:
    """The check with the most expected bits per minute, and that figure; of equals the first."""
    found, best_rate = 0, 0.0
    weight = {k: one.odds for k, one in enumerate(model.suspects)}
    for number, check in enumerate(model.checks):
        groups = grouped(suspects, partial(model.shown, number))
        weights = [sum(weight[k] for k in group) for group in groups.values()]
        rate = bits_per_minute(entropy_bits(weights), check.minutes)
        if rate > best_rate + LEAST_GAIN:
            found, best_rate = number, rate
    return found, best_rate


def best_route(model: SuspectModel, after_scan: Sequence[int] | None) -> Iterator[RouteStop]:
    """The checks with most bits per minute on this car, one after the other, until none can tell any more.

    All modules are read first; `after_scan` are the suspects that this leaves, None where the log has none.
    """
    if after_scan is None or model.truth not in after_scan:
        return
    left = list(after_scan)
    yield RouteStop(model.checks[0].actions, model.checks[0].minutes, len(left))
    for _ in range(MOST_ROUTE):
        left = [k for k in left if k in model.compared]
        number, rate = best_check(model, left)
        if rate <= 0:
            return
        left = grouped(left, partial(model.shown, number))[model.shown(number, model.truth)]
        yield RouteStop(model.checks[number].actions, model.checks[number].minutes, len(left))
