"""A hunt: one hidden set of faults of a table, looked for by checks that a policy chooses."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass

from sim.lab.case import CaseStep, Evidence
from sim.lab.fault_table import FaultTable
from sim.lab.metrics import Diagnosis
from sim.lab.observed import observed
from sim.lab.sequential import DiagnosticTest, Sequencing, greedy, rollout

FEW_STATES = 12  # with so few candidates left the next best check looks one step ahead
Policy = Callable[[Sequencing, frozenset[int], random.Random], DiagnosticTest | None]


@dataclass(frozen=True, slots=True)
class Hunt:
    """One hidden set, looked for: the checks that were made, and the sets that are left, by their numbers."""

    table: FaultTable
    hidden: int
    made: tuple[int, ...]
    left: frozenset[int]

    @property
    def minutes(self) -> float:
        """Shop minutes of the checks."""
        return sum(self.table.checks[place].minutes for place in self.made)

    @property
    def survivors(self) -> frozenset[frozenset[str]]:
        """The sets that are left."""
        return frozenset(frozenset(self.table.sets[k]) for k in self.left)

    @property
    def diagnosis(self) -> Diagnosis:
        """The same, to be judged."""
        weights = {frozenset(self.table.sets[k]): self.table.problem.weights[k] for k in sorted(self.left)}
        return Diagnosis(frozenset(self.table.sets[self.hidden]), weights, self.minutes)

    def evidence(self) -> tuple[CaseStep, ...]:
        """What the first look and the checks show on a car with the hidden edits; of a check not the seat."""
        checks = [self.table.checks[place] for place in self.made]
        log = [*self.table.look, *(action for check in checks for action in check.actions)]
        steps = observed(self.table.vehicle, log, given=self.table.sets[self.hidden])
        first = len(self.table.look)
        return (*steps[:first], *(_noted(step) for step in steps[first:]))


def at_first(table: FaultTable, hidden: int) -> frozenset[int]:
    """The sets that agree with the first look, by their numbers."""
    return frozenset(k for k, one in enumerate(table.first) if one == table.first[hidden])


def hunted(table: FaultTable, hidden: int, choose: Policy, dice: random.Random) -> Hunt:
    """Check after check, until none can tell the remaining sets apart."""
    left, made = at_first(table, hidden), []
    while (test := choose(table.problem, left, dice)) is not None:
        made.append(table.problem.tests.index(test))
        left = frozenset(k for k in left if test.outcomes[k] == test.outcomes[hidden])
    return Hunt(table, hidden, tuple(made), left)


def _noted(step: CaseStep) -> CaseStep:
    """Of a check only what it was made for."""
    seen = step.seen
    return CaseStep(do=step.do, seen=Evidence(reads=seen.reads, within=seen.within, shows=seen.shows))


def _next_best(problem: Sequencing, left: frozenset[int], dice: random.Random) -> DiagnosticTest | None:
    return (rollout if len(left) <= FEW_STATES else greedy)(problem, left)


def _fixed(problem: Sequencing, left: frozenset[int], dice: random.Random) -> DiagnosticTest | None:
    return min(problem.useful(left), key=lambda test: test.name, default=None)


def _random(problem: Sequencing, left: frozenset[int], dice: random.Random) -> DiagnosticTest | None:
    useful = problem.useful(left)
    return dice.choice(useful) if useful else None


POLICIES: dict[str, Policy] = {"next best": _next_best, "fixed": _fixed, "random": _random}
