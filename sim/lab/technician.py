"""A scripted technician: how soon hidden faults are found when each next check is chosen in this or that way.

    tables = [run_table(vehicle_text("shuttle-minibus"), edits=30, seed=k, workshop=workshop) for k in (1, 2)]
    result = compare(tables, faults=200, seed=1)
    print(result.words, result.by_policy)
    print(searched(result.hunts["next best"][:20], workshop=workshop).lines())

What each fault shows is in a table (`sim.lab.fault_table`). Faults are hidden by chance, one as often as two,
each by its odds (`sim.lab.odds.ODDS`), and the checks are chosen with these odds known, from the causes left
after the first look:

    next best   the most information per minute of labor; few causes: one step ahead (`sim.lab.sequential`)
    fixed       always in the same order, fuses and relays first; a check that can tell nothing is left out
    random      any check that can tell something
    whole list  the fixed order again, by a technician without the search: no check is left out
    least       what no order can beat, where that can be worked out (`sim.lab.sequential.least`)

Measured with 14 edits on four tables of three cars: medians of 2.0 to 2.5 min for the next best check and for
the least, 2.0 to 3.0 for fixed and random, 4.0 to 5.0 for the whole list. After the first look 4 to 6 checks
can tell anything, of 1.0 or 1.5 min each, and two are enough: knowing which these are saves the minutes, and
their order saves little. What would make order matter: checks that cost unlike minutes, and those that halve.

Results are in DXC-style figures (`sim.lab.metrics`). In a table the true set cannot be lost. So `searched`
does the same on the car itself: the first look and the checks that were made are done on a bench with the
hidden faults, what was seen goes through the search (`sim.lab.search`), and its survivors are
compared with those of the table. "Nothing wrong" is no cause: the car came with a complaint.

Not modelled: checks that mislead, repairs as checks, faults of three or more parts. A car has many more edits
than are drawn: figures of two orders compare with each other, not with a shop.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from sim.lab.case import CaseStep, Evidence
from sim.lab.fault_table import FaultTable
from sim.lab.metrics import Diagnosis, Figures, figures
from sim.lab.observed import observed
from sim.lab.search import find_causes
from sim.lab.sequential import DiagnosticTest, Sequencing, greedy, least, rollout
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet

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
        """Labor minutes of the checks."""
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


def worked_through(table: FaultTable, hidden: int) -> Hunt:
    """Every check of the table in the fixed order, until none could tell the remaining sets apart."""
    left, made = at_first(table, hidden), []
    tests = table.problem.tests
    for place in sorted(range(len(tests)), key=lambda place: tests[place].name):
        if not table.problem.useful(left):
            break
        made.append(place)
        left = frozenset(k for k in left if tests[place].outcomes[k] == tests[place].outcomes[hidden])
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


def _least(problem: Sequencing, left: frozenset[int], dice: random.Random) -> DiagnosticTest | None:
    return least(problem, left)


POLICIES: dict[str, Policy] = {
    "next best": _next_best,
    "fixed": _fixed,
    "random": _random,
    "least": _least,
}


@dataclass(frozen=True, slots=True)
class Comparison:
    """Figures of each order of checks over the same hidden faults, and each hunt."""

    hunts: dict[str, tuple[Hunt, ...]]
    by_policy: dict[str, Figures]
    survivors_at_first: float

    @property
    def words(self) -> str:
        """How many faults were hidden, and how many causes were left at first."""
        count = len(next(iter(self.hunts.values())))
        median = f"{self.survivors_at_first:g} possible causes (median)"
        return f"{count} hidden faults; after the first check {median}"


@dataclass(frozen=True, slots=True)
class Searched:
    """Hunts whose evidence went through the search: those whose true set was lost, those whose
    survivors were others than the table's, and how many runs there were for how many sets.
    """

    hunts: int
    lost: tuple[tuple[str, ...], ...]
    other: tuple[tuple[str, ...], ...]
    runs: int
    candidates: int

    def lines(self) -> str:
        """The result as text."""
        kept, same = self.hunts - len(self.lost), self.hunts - len(self.other)
        words = [
            f"through the search for possible causes: {kept} of {self.hunts} true sets survive, "
            f"{same} times these are the table's; {self.runs} runs for {self.candidates} sets"
        ]
        words += [f"LOST: {' + '.join(one)}" for one in self.lost]
        words += [f"other survivors: {' + '.join(one)}" for one in self.other]
        return "\n".join(words)


def compare(tables: Sequence[FaultTable], *, faults: int = 200, seed: int = 0) -> Comparison:
    """Hide so many faults by chance, in each table in turn, and look for them in each order."""
    dice = random.Random(seed)
    turns = [tables[k % len(tables)] for k in range(faults)]
    hidden = [(one, dice.choices(range(len(one.sets)), one.problem.weights)[0]) for one in turns]
    hunts = {
        name: tuple(hunted(table, one, policy, dice) for table, one in hidden)
        for name, policy in POLICIES.items()
    }
    hunts["whole list"] = tuple(worked_through(table, one) for table, one in hidden)
    found = {
        name: figures([hunt.diagnosis for hunt in some], max(len(table.edits) for table in tables))
        for name, some in hunts.items()
    }
    counts = sorted(len(at_first(table, one)) for table, one in hidden)
    return Comparison(hunts, found, counts[len(counts) // 2])


def searched(
    hunts: Sequence[Hunt], *, workshop: Workshop, progress: Progress = quiet, stop: Stop = never
) -> Searched:
    """What the search says of the evidence of these hunts, each gathered on a car of its own."""
    lost, other, runs, candidates = [], [], 0, 0
    for place, hunt in enumerate(hunts):
        progress(place, len(hunts))
        table = hunt.table
        found = find_causes(table.vehicle, hunt.evidence(), edits=table.edits, workshop=workshop, stop=stop)
        sets = frozenset(frozenset(edits) for one in found.causes for edits in (one.edits, *one.alike))
        if not found.holds(table.sets[hunt.hidden]):
            lost.append(table.sets[hunt.hidden])
        if sets - {frozenset()} != hunt.survivors:
            other.append(table.sets[hunt.hidden])
        runs, candidates = runs + found.runs, candidates + found.candidates
    progress(len(hunts), len(hunts))
    return Searched(len(hunts), tuple(lost), tuple(other), runs, candidates)
