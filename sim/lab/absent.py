"""Which codes matter: the few absent modules that explain most of a long report, and the codes left over.

    answer = absent_modules(claims_of(car), report)
    print(answer.best.modules, answer.unexplained)

What is known of the car is who listens to whom, through which gateways and in-line connectors, and who
watches the circuit of which small load or sensor: the list of its modules and buses gives it. No wiring and
no run is needed. A module that is absent (no supply, unplugged, a dead line) is missed by those that listen
to it, and by a tester that asks it; an absent gateway takes all with it that is reached through it. The
likeliest set of absent modules is sought: the one for which the report is the least odd, by the odds below,
each independent of the others. With codes only, that is a least cover of them.

The search is exact among sets of up to `MOST_ABSENT` modules (branch and bound: what is not yet explained is
an upper bound of what further modules can gain), unless `complete` says that it was cut off.

A part that is not fitted and an in-line connector that is apart are candidates like modules.

Measured on 200 minibuses rebuilt by chance (`tests/lab/rebuilt.py`), 1 to 4 modules absent, a tenth of the
codes missing and up to four odd ones added: the absent modules come first in 193 where the report says who
answers and who does not, in 164 without the silent ones, in 152 from codes alone.

Not modeled: modules that come and go; a code that follows from another fault than a lost message or a value
marked invalid; buses that are down with all their modules in order (each is named; see `shared_parts`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, reduce
from operator import or_

from sim.lab.case import CodeSeen, Evidence
from sim.lab.claims import ASKED, Claims

MOST_ABSENT = 10
MOST_VISITED = 200_000  # sets that are looked at before the search is cut off: about two seconds
MOST_KEPT = 8
# Odds of what a report may show, as round numbers of common practice, no statistics.
ABSENT = 0.05  # a module of a car in the bay does not communicate, or a part of it is not fitted
APART = 0.02  # an in-line connector of it is apart
ODD_CODE = 0.015  # a code has another reason than an absent module
OLD_CODE = 0.06  # the same of a code that is history: another day, another repair
ODD_SILENCE = 0.0005  # no answer to the tester though the module is in order
UNSEEN = 0.15  # a code that should have set was not: not enabled, cleared, left out of the report
ODD_ANSWER = 0.005  # a module answers the tester that is absent itself, or whose way is interrupted
TIED = 0.5  # so likely against the likeliest set, another one is told as a tie


@dataclass(frozen=True, slots=True)
class Absence:
    """One set of absent modules, by name: its odds against the likeliest set, and the codes it explains."""

    modules: tuple[str, ...]
    odds: float
    explained: tuple[CodeSeen, ...]
    unexplained: tuple[CodeSeen, ...]


@dataclass(frozen=True, slots=True)
class AbsentModules:
    """The answer: sets of absent modules, likeliest first; the empty set says that none need be absent.

    `unseen`: (module, missed) whose code should be there with the best set and is not. `hidden`: modules and
    in-line connectors that may be absent as well without a trace in this report. `complete`: no set was left
    out of the search.
    """

    sets: tuple[Absence, ...]
    unseen: tuple[tuple[str, str], ...]
    hidden: tuple[str, ...]
    complete: bool

    @property
    def best(self) -> Absence:
        """The likeliest set."""
        return self.sets[0]

    @property
    def ties(self) -> tuple[Absence, ...]:
        """The likeliest set and those that are nearly as likely."""
        return tuple(one for one in self.sets if one.odds >= TIED)


def absent_modules(claims: Claims, report: Evidence) -> AbsentModules:
    """The likeliest sets of absent modules for a report: `answers`, `silent` and `codes` of what was seen."""
    search = _CoverSearch(claims, report)
    search.go(())
    sets = sorted(search.kept, key=lambda one: (one[0], len(one[1]), one[1]))[:MOST_KEPT]
    least = sets[0][0]
    best = frozenset(sets[0][1])
    found = tuple(search.told(modules, math.exp(least - cost)) for cost, modules in sets)
    return AbsentModules(found, search.unseen(best), search.hidden(best), search.complete)


class _CoverSearch:
    """Branch and bound over sets of modules; what was seen and not seen are bits of whole numbers."""

    def __init__(self, claims: Claims, report: Evidence) -> None:
        self.report = report
        self.inline = claims.inline
        self.answering = frozenset(report.answers) | {one.module for one in report.codes}
        seen = [
            (_cost(OLD_CODE if one.state == "stored" else ODD_CODE), claims.explaining(one))
            for one in report.codes
        ]
        asked = {one.missed: one for one in claims.heard if one.witness == ASKED}
        seen += [
            (_cost(ODD_SILENCE), asked[name].reasons if name in asked else frozenset((name,)))
            for name in report.silent
        ]
        # an answer came through every gateway and connector on its way, not only from its module
        self.answered = self.answering.union(
            *(one.reasons for name, one in asked.items() if name in self.answering)
        )
        self.items = seen
        self.pairs = [
            (one.witness, one.missed)
            for one in claims.heard
            if one.codes and one.witness in self.answering and not claims.is_told(one, report)
        ]
        reasons = {(one.witness, one.missed): one.reasons for one in claims.heard}
        self.covers = _masks(one for _, one in seen)
        self.would = _masks(reasons[pair] for pair in self.pairs)
        self.candidates = sorted(self.covers, key=lambda name: (-self._weight(self.covers[name]), name))
        self.every = (1 << len(seen)) - 1
        self.kept: list[tuple[float, tuple[str, ...]]] = []
        self.limit = math.inf
        self.visited = 0

    @property
    def complete(self) -> bool:
        return self.visited <= MOST_VISITED

    def go(self, modules: tuple[str, ...], start: int = 0, covered: int = 0, would: int = 0) -> None:
        """Judge this set and all that add candidates from `start` on, as far as they can be likely."""
        self.visited += 1
        cost = self._cost_of(modules, covered, would)
        self._keep(cost, modules)
        if len(modules) == MOST_ABSENT or not self.complete:
            return
        left = self.every & ~covered
        gains = [
            (self._weight(self.covers[name] & left) - self._price(name), place)
            for place, name in enumerate(self.candidates[start:], start)
        ]
        useful = [(gain, place) for gain, place in gains if gain > 0]
        for gain, place in sorted(useful, key=lambda one: -one[0]):
            later = sorted((more for more, at in useful if at > place), reverse=True)
            if cost - gain - sum(later[: MOST_ABSENT - len(modules) - 1]) > self.limit:
                continue
            name = self.candidates[place]
            self.go(
                (*modules, name),
                place + 1,
                covered | self.covers[name],
                would | self.would.get(name, 0),
            )

    def _keep(self, cost: float, modules: tuple[str, ...]) -> None:
        if cost <= self.limit:
            self.kept.append((cost, tuple(sorted(modules))))
            self.limit = min(self.limit, cost + _cost(TIED / 10))

    def _cost_of(self, modules: Sequence[str], covered: int, would: int) -> float:
        priced = sum(self._price(name) for name in modules)
        unseen = _cost(UNSEEN) * would.bit_count()
        return priced + unseen + self._weight(self.every & ~covered)

    def _price(self, name: str) -> float:
        apart = _cost(APART if name in self.inline else ABSENT)
        return apart + (_cost(ODD_ANSWER) if name in self.answered else 0.0)

    @cached_property
    def _by_weight(self) -> Mapping[float, int]:
        masks: dict[float, int] = {}
        for place, (weight, _) in enumerate(self.items):
            masks[weight] = masks.get(weight, 0) | 1 << place
        return masks

    def _weight(self, mask: int) -> float:
        return sum(weight * (mask & some).bit_count() for weight, some in self._by_weight.items())

    def told(self, modules: tuple[str, ...], odds: float) -> Absence:
        """A set with the codes that it explains."""
        covered = _union(self.covers, modules)
        codes = self.report.codes
        explained = [one for place, one in enumerate(codes) if covered >> place & 1]
        return Absence(modules, odds, tuple(explained), tuple(one for one in codes if one not in explained))

    def unseen(self, modules: frozenset[str]) -> tuple[tuple[str, str], ...]:
        """Who should have missed whom and has no such code."""
        would = _union(self.would, modules)
        return tuple(pair for place, pair in enumerate(self.pairs) if would >> place & 1)

    def hidden(self, modules: frozenset[str]) -> tuple[str, ...]:
        """Candidates that would change nothing in this report beside these modules."""
        covered, would = _union(self.covers, modules), _union(self.would, modules)
        return tuple(
            name
            for name in sorted(self.candidates)
            if name not in modules | self.answered
            and not self.covers[name] & ~covered
            and not self.would.get(name, 0) & ~would
        )


def _cost(odds: float) -> float:
    return -math.log(odds)


def _masks(reasons: Iterable[frozenset[str]]) -> dict[str, int]:
    """For each module the places in this list of what it would be a reason for, as bits."""
    masks: dict[str, int] = {}
    for place, names in enumerate(reasons):
        for name in names:
            masks[name] = masks.get(name, 0) | 1 << place
    return masks


def _union(masks: Mapping[str, int], names: Iterable[str]) -> int:
    return reduce(or_, (masks.get(name, 0) for name in names), 0)
