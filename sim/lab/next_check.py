"""The next best check: the one that tells the possible causes apart in the least labor time.

    advice = next_check(find_causes(...), workshop=workshop)
    print(advice.best.check.title, advice.best.bits_per_minute)
    for outcome in advice.best.outcomes:
        print(outcome.shows, "leaves", outcome.leaves)

Each cause is run through each check; what this model shows is the outcome. Checks are ranked by expected
minutes to the end when each is tried first and the most information per minute decides after it (one-step
rollout, Tu and Pattipati 2003). Halving the causes is a result where weights, minutes and outcomes
are alike; it is assumed nowhere.

A check that does damage, or that touches an airbag circuit, is never advised. Cautions go with the others.

Looking and measuring change nothing, so what they show follows from the final state of each cause's car
(`sim.lab.final_state`). Checks that change the car (a plug off, the battery off) take a run of each one
and are thought of only where looking and measuring tell nothing, or where it is asked for.

Not modeled: trim to be taken off, ways to walk, checks that mislead.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

from sim.bench.action_words import sentence_of, words_of
from sim.instruments.result import PREFIXES, digits
from sim.lab.check_outcomes import Findings, outcomes_alike, shown_in_final_state, shown_in_runs
from sim.lab.checks import Check, possible_checks
from sim.lab.compare import reading_unit
from sim.lab.odds import odds
from sim.lab.search_result import PossibleCause, SearchResult
from sim.lab.sequential import MOST_ROLLOUTS, DiagnosticTest, Sequencing, cost_after
from sim.lab.sight import value_words
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet
from sim.lab.worth import repairs_first
from sim.vehicle.car import Car
from sim.vehicle.reading import car_from_text

MOST_CAUSES = 50  # the likeliest are compared; the others weigh next to nothing
HALF = 0.1  # this near to half and half a check is said to halve


@dataclass(frozen=True, slots=True)
class CheckOutcome:
    """One thing that a check may show, how likely, and which causes it would leave."""

    shows: str
    share: float
    leaves: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Ranked:
    """A check and its worth; its outcomes, the likeliest first.

    `minutes_to_end`: expected, this check first; None if not thought through.
    """

    check: Check
    bits: float
    minutes_to_end: float | None
    outcomes: tuple[CheckOutcome, ...]

    @property
    def bits_per_minute(self) -> float:
        """Expected information per minute of labor."""
        return self.bits / self.check.minutes

    @property
    def halves(self) -> bool:
        """Does it split the causes in two halves of nearly equal weight?"""
        return len(self.outcomes) == 2 and self.outcomes[0].share - 0.5 <= HALF


@dataclass(frozen=True, slots=True)
class Advice:
    """Checks that tell causes apart, best first. `compared`: how many causes were, `of` how many.

    `stop`: a sentence where no check is worth its minutes (`sim.lab.worth`).
    """

    ranked: tuple[Ranked, ...]
    compared: int
    of: int
    stop: str = ""

    @property
    def best(self) -> Ranked | None:
        """The check to do now; None if no check tells the causes apart."""
        return self.ranked[0] if self.ranked else None

    @property
    def reason(self) -> str:
        """Why the best check comes first; nothing where there is none."""
        if self.best is None:
            return ""
        told = [self.best.check.why]
        if self.best.minutes_to_end is not None:
            told.append(f"With it first the cause is known in {self.best.minutes_to_end:.1f} min on average.")
            others = [one for one in self.ranked[1:] if one.minutes_to_end is not None]
            told += [f"With '{one.check.title}' first: {one.minutes_to_end:.1f} min." for one in others[:1]]
        return " ".join(filter(None, told))

    @property
    def words(self) -> str:
        """The advice in a sentence."""
        if self.best is None and self.of < 2:
            left = "One possible cause is left" if self.of else "No possible cause is left"
            return f"{left}: there is nothing to tell apart."
        if self.best is None:
            return "No check known here tells these possible causes apart."
        if self.stop:
            return self.stop
        how = "halves the possible causes" if self.best.halves else f"is worth {self.best.bits:.2f} bits"
        return f"{sentence_of(self.best.check.actions)}: {how} in {self.best.check.minutes:g} min."


@dataclass(frozen=True)
class CauseComparison:
    """Causes side by side: what each check shows under each, as a problem of sequencing.

    `states`: the likeliest causes; `shown`: by check, then by cause. The tests of `problem` are named after
    the numbers of the checks. `of`: how many causes there are.
    """

    car: Car
    states: tuple[PossibleCause, ...]
    checks: tuple[Check, ...]
    shown: tuple[tuple[Findings, ...], ...]
    problem: Sequencing
    of: int

    def outcomes(self, test: DiagnosticTest, states: frozenset[int]) -> list[tuple[str, frozenset[int]]]:
        """What a test can show where these causes are left, in words, and the causes that each leaves."""
        groups = self.problem.split(test, states)
        firsts = [self.shown[int(test.name)][min(group)] for group in groups]
        return [(_words(first, firsts), group) for first, group in zip(firsts, groups, strict=True)]


def next_check(
    found: SearchResult,
    *,
    checks: Sequence[Check] | None = None,
    every_kind: bool = False,
    workshop: Workshop,
    progress: Progress = quiet,
    stop: Stop = never,
) -> Advice:
    """Rank checks by how soon they tell the causes apart; by default those that the causes call for.

    `every_kind`: those that change the car, too, even if looks and measurements tell causes apart.
    """
    known = compared(
        found, checks=checks, every_kind=every_kind, workshop=workshop, progress=progress, stop=stop
    )
    if len(known.states) < 2:
        return Advice((), len(known.states), len(known.states))
    problem = known.problem
    ranked = [_ranked(known, test) for test in problem.useful(problem.all_states)]
    ranked.sort(key=lambda one: -one.bits_per_minute)
    tests = {id(known.checks[int(test.name)]): test for test in problem.tests}
    ahead = [_thought_through(one, problem, tests[id(one.check)]) for one in ranked[:MOST_ROLLOUTS]]
    ahead.sort(key=lambda one: one.minutes_to_end or 0.0)
    best = tests[id(ahead[0].check)] if ahead else None
    all_compared = known.of == len(known.states)
    at_once = repairs_first(known.states, problem, best, known.car) if best and all_compared else ""
    return Advice((*ahead, *ranked[MOST_ROLLOUTS:]), len(known.states), known.of, at_once)


def compared(
    found: SearchResult,
    *,
    checks: Sequence[Check] | None = None,
    every_kind: bool = False,
    workshop: Workshop,
    progress: Progress = quiet,
    stop: Stop = never,
) -> CauseComparison:
    """What each check shows under each of the likeliest causes; parameters as those of `next_check`."""
    car = car_from_text(found.vehicle)
    states = _states(found, car)
    every = sum(1 + len(one.alike) for one in found.causes)
    weights = tuple(one.odds for one in states) or (1.0,)
    if len(states) < 2:
        return CauseComparison(car, tuple(states), (), (), Sequencing(weights, ()), every)
    listed = possible_checks(car, states) if checks is None else checks
    passive = [check for check in listed if check.passive]
    active = [check for check in listed if not check.passive]
    shown = shown_in_final_state(found, states, passive, workshop, progress, stop)
    if checks is not None or every_kind or not any(len(set(outcomes_alike(one))) > 1 for one in shown):
        shown += shown_in_runs(found, states, active, workshop, progress, stop)
        listed = [*passive, *active]
    else:
        listed = passive
    tests = [
        DiagnosticTest(str(k), check.minutes, outcomes_alike(shown[k])) for k, check in enumerate(listed)
    ]
    problem = Sequencing(weights, tuple(tests))
    return CauseComparison(car, tuple(states), tuple(listed), tuple(map(tuple, shown)), problem, every)


def _states(found: SearchResult, car: Car) -> list[PossibleCause]:
    """The likeliest causes, one by one, also those that were equal by structure so far."""
    every = [
        PossibleCause(edits, (), odds(edits, car), final_state=one.final_state)
        for one in found.causes
        for edits in (one.edits, *one.alike)
    ]
    return sorted(every, key=lambda one: (-one.odds, one.edits))[:MOST_CAUSES]


def _ranked(known: CauseComparison, test: DiagnosticTest) -> Ranked:
    problem = known.problem
    total = problem.weight(problem.all_states)
    outcomes = tuple(
        CheckOutcome(words, problem.weight(some) / total, tuple(known.states[k].title for k in sorted(some)))
        for words, some in known.outcomes(test, problem.all_states)
    )
    by_share = tuple(sorted(outcomes, key=lambda one: -one.share))
    check = known.checks[int(test.name)]
    return Ranked(check, problem.gain_bits(test, problem.all_states), None, by_share)


def _thought_through(one: Ranked, problem: Sequencing, test: DiagnosticTest) -> Ranked:
    minutes = cost_after(problem, problem.all_states, test)
    return Ranked(one.check, one.bits, minutes, one.outcomes)


def _words(seen: Findings, others: Sequence[Findings]) -> str:
    """What is particular about one outcome: everything in which it differs from any other."""
    things = dict.fromkeys(what for other in others for what in other)
    telling = [what for what in things if any(other.get(what) != seen.get(what) for other in others)]
    return "; ".join(f"{_plain(what)}: {_value(what, seen.get(what))}" for what in telling)


def _value(what: str, value: str | float | None) -> str:
    """What a check shows, a number as the meter would."""
    unit = reading_unit(what)
    if unit in PREFIXES and isinstance(value, float) and isfinite(value):
        return digits(value, unit)
    return value_words(value)


def thing_words(action: str) -> str:
    """What an action of a check brings to light is called so: a look as its button is."""
    return words_of(action) if action.startswith("look ") else action


def _plain(what: str) -> str:
    """A thing that a check brings to light, without its number."""
    return thing_words(what.rpartition(" (")[0])
