"""A scripted technician: how soon hidden faults are found when each next check is chosen in this or that way.

    tables = [run_table(vehicle_text("shuttle-minibus"), edits=30, seed=k, workshop=workshop) for k in (1, 2)]
    result = compare(tables, faults=200, seed=1)
    print(result.words, result.by_policy)
    print(searched(result.hunts["next best"][:20], among=10, workshop=workshop).lines())

What each fault shows is in a table (`sim.lab.fault_table`). Faults that the first look notices are hidden by
chance, single ones as often as two and as what has a theory in it, each by its odds (`sim.lab.odds`), and the
checks are chosen with these odds known, from the causes left after the first look:

    next best   as `sim.lab.next_check` advises
    plan        as `sim.lab.check_plan` has planned after the first look
    fixed       always in the same order, fuses and relays first; a check that can tell nothing is left out
    random      any check that can tell something
    whole list  the fixed order again, by a technician without the search: no check is left out
    least       the tree of least expected minutes (`sim.lab.bounded_search`); `proven`: how often it is sure
                that there is none with less

What is promised of the first two: a median of at most `SHARE` of that of the fixed and of the random order;
or, where the least is no better than that either, a median and a mean within `NEAR` of it.

Results are in DXC-style figures (`sim.lab.metrics`). In a table the true set cannot be lost. So `searched`
does the same on the car itself: the first look and the checks that were made are done on a bench with the
hidden faults, what was seen goes through the search (`sim.lab.search`), and its survivors are
compared with those of the table, unless a check has changed the car: the next one then finds another car than
in the table. "Nothing wrong" is no cause: the car came with a complaint.

Not modeled: checks that mislead, repairs as checks, faults of three or more parts. A car has many more edits
than are drawn: figures of two orders compare with each other, not with a shop.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from sim.lab.bounded_search import BoundedSearch
from sim.lab.case import CaseStep, Evidence
from sim.lab.fault_table import FaultTable
from sim.lab.metrics import Diagnosis, Figures, figures
from sim.lab.next_check import MOST_CAUSES
from sim.lab.observed import observed
from sim.lab.search import find_causes
from sim.lab.sequential import DiagnosticTest, Sequencing, rollout
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet
from sim.vehicle.problems import Problem

SHARE, NEAR = 0.6, 1.1  # what is promised: see above
BUDGET = 30_000  # sets of states that are opened to prove that a tree is the best
POLICIES = ("next best", "plan", "fixed", "random", "whole list", "least")
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
    """Of a look or a measurement only what it was made for."""
    seen = step.seen
    if seen.reads is None and seen.shows is None:
        return step
    return CaseStep(do=step.do, seen=Evidence(reads=seen.reads, within=seen.within, shows=seen.shows))


def _fixed(problem: Sequencing, left: frozenset[int], dice: random.Random) -> DiagnosticTest | None:
    return min(problem.useful(left), key=lambda test: test.name, default=None)


def _random(problem: Sequencing, left: frozenset[int], dice: random.Random) -> DiagnosticTest | None:
    useful = problem.useful(left)
    return dice.choice(useful) if useful else None


class Chooser:
    """Chooses the checks of one table as the program does, and thinks of every set of causes once."""

    def __init__(self, table: FaultTable) -> None:
        whole = table.problem
        passive = [test for test, check in zip(whole.tests, table.checks, strict=True) if check.passive]
        self.whole, self.passive = whole, Sequencing(whole.weights, tuple(passive))
        self._advice: dict[frozenset[int], DiagnosticTest | None] = {}
        self._plans: dict[frozenset[int], BoundedSearch] = {}
        self._trees: dict[frozenset[int], BoundedSearch] = {}

    def advised(self, left: frozenset[int]) -> DiagnosticTest | None:
        """The next best check for the likeliest causes; one that changes nothing if any of these tells."""
        if left not in self._advice:
            likeliest = sorted(left, key=lambda k: (-self.whole.weights[k], k))[:MOST_CAUSES]
            sets = (frozenset(likeliest), left)
            found = (rollout(some, one) for one in sets for some in (self.passive, self.whole))
            self._advice[left] = next((test for test in found if test is not None), None)
        return self._advice[left]

    def plan(self, first: frozenset[int]) -> BoundedSearch:
        """The plan after the first look: checks that change the car if the others leave causes together."""
        if first not in self._plans:
            search = BoundedSearch(self.passive)
            search.run(first)
            if not _tells_all(self.passive, first):
                search = BoundedSearch(self.whole)
                search.run(first)
            self._plans[first] = search
        return self._plans[first]

    def tree(self, first: frozenset[int]) -> BoundedSearch:
        """The tree of least expected minutes after the first look."""
        if first not in self._trees:
            self._trees[first] = BoundedSearch(self.whole, BUDGET)
            self._trees[first].run(first)
        return self._trees[first]

    def policies(self, first: frozenset[int]) -> dict[str, Policy]:
        """The orders of checks to compare, after this first look."""
        plan, tree = self.plan(first), self.tree(first)
        return {
            "next best": lambda problem, left, dice: self.advised(left),
            "plan": lambda problem, left, dice: plan.choose(plan.problem, left),
            "fixed": _fixed,
            "random": _random,
            "least": lambda problem, left, dice: tree.choose(problem, left),
        }


def _tells_all(problem: Sequencing, states: frozenset[int]) -> bool:
    """Do all tests together tell each of these states from every other?"""
    return len({tuple(test.outcomes[k] for test in problem.tests) for k in states}) == len(states)


@dataclass(frozen=True, slots=True)
class Comparison:
    """Figures of each order of checks over the same hidden faults, and each hunt.

    `proven`: for which share of hidden faults no tree of checks takes fewer expected minutes than `least`.
    """

    hunts: dict[str, tuple[Hunt, ...]]
    by_policy: dict[str, Figures]
    survivors_at_first: float
    proven: float

    def verdict(self, name: str) -> str:
        """Whether an order of checks keeps what is promised, and by which of the two ways; empty if not."""
        own, least = self.by_policy[name], self.by_policy["least"]
        limit = SHARE * min(self.by_policy[other].median_minutes for other in ("fixed", "random"))
        if own.median_minutes <= limit:
            return f"at most {SHARE:g} of fixed and random"
        near = (
            own.median_minutes <= NEAR * least.median_minutes
            and own.mean_minutes <= NEAR * least.mean_minutes
        )
        return f"within {NEAR - 1:.0%} of the least" if near and least.median_minutes > limit else ""

    @property
    def words(self) -> str:
        """How many faults were hidden, and how many causes were left at first."""
        count = len(next(iter(self.hunts.values())))
        median = f"{self.survivors_at_first:g} possible causes (median)"
        return f"{count} hidden faults; after the first check {median}"


@dataclass(frozen=True, slots=True)
class Searched:
    """Hunts whose evidence went through the search: those whose true set was lost, those whose
    survivors were others than the table's, and how many runs there were for how many sets. `compared`: hunts
    whose survivors could be compared.
    """

    hunts: int
    compared: int
    lost: tuple[tuple[str, ...], ...]
    other: tuple[tuple[str, ...], ...]
    runs: int
    candidates: int

    def lines(self) -> str:
        """The result as text."""
        kept, same = self.hunts - len(self.lost), self.compared - len(self.other)
        words = [
            f"through the search for possible causes: {kept} of {self.hunts} true sets survive, "
            f"{same} of {self.compared} times these are the table's; "
            f"{self.runs} runs for {self.candidates} sets",
        ]
        words += [f"LOST: {' + '.join(one)}" for one in self.lost]
        words += [f"other survivors: {' + '.join(one)}" for one in self.other]
        return "\n".join(words)


def compare(tables: Sequence[FaultTable], *, faults: int = 200, seed: int = 0) -> Comparison:
    """Hide so many faults by chance, in each table in turn, and look for them in each order."""
    dice = random.Random(seed)
    choosers = {id(table): Chooser(table) for table in tables}
    turns = [tables[k % len(tables)] for k in range(faults)]
    hidden = [(table, _hidden(table, dice)) for table in turns]
    hunts: dict[str, list[Hunt]] = {}
    proven = 0
    for table, one in hidden:
        chooser, first = choosers[id(table)], at_first(table, one)
        proven += chooser.tree(first).is_optimum
        for name, policy in chooser.policies(first).items():
            hunts.setdefault(name, []).append(hunted(table, one, policy, dice))
        hunts.setdefault("whole list", []).append(worked_through(table, one))
    most = max(len(table.edits) for table in tables)
    found = {name: figures([hunt.diagnosis for hunt in some], most) for name, some in hunts.items()}
    counts = sorted(len(at_first(table, one)) for table, one in hidden)
    kept = {name: tuple(some) for name, some in hunts.items()}
    return Comparison(kept, found, counts[len(counts) // 2], proven / faults)


def _hidden(table: FaultTable, dice: random.Random) -> int:
    """A set that is noticed at the first look, by its odds."""
    sets = sorted(table.noticed)
    if not sets:
        raise Problem("none of these faults is noticed at the first look")
    return dice.choices(sets, [table.problem.weights[k] for k in sets])[0]


def searched(
    hunts: Sequence[Hunt],
    *,
    among: int | None = None,
    workshop: Workshop,
    progress: Progress = quiet,
    stop: Stop = never,
) -> Searched:
    """What the search says of the evidence of these hunts, each gathered on a car of its own.

    `among`: so many edits to search among, the hidden ones and others by turns; by default all of the table.
    """
    lost, other, compared, runs, candidates = [], [], 0, 0, 0
    for place, hunt in enumerate(hunts):
        progress(place, len(hunts))
        edits, true = _among(hunt, among, place), hunt.table.sets[hunt.hidden]
        found = find_causes(hunt.table.vehicle, hunt.evidence(), edits=edits, workshop=workshop, stop=stop)
        if not found.holds(true):
            lost.append(true)
        if all(hunt.table.checks[place].passive for place in hunt.made):
            compared += 1
            sets = {frozenset(edits) for one in found.causes for edits in (one.edits, *one.alike)}
            if _in_table(hunt, sets) != _in_table(hunt, hunt.survivors, edits):
                other.append(true)
        runs, candidates = runs + found.runs, candidates + found.candidates
    progress(len(hunts), len(hunts))
    return Searched(len(hunts), compared, tuple(lost), tuple(other), runs, candidates)


def _among(hunt: Hunt, among: int | None, place: int) -> tuple[str, ...]:
    """The hidden edits and, by turns, others of the table."""
    edits, true = hunt.table.edits, hunt.table.sets[hunt.hidden]
    turned = [edits[(place + k) % len(edits)] for k in range(len(edits))]
    return tuple(dict.fromkeys((*true, *turned)))[:among]


def _in_table(
    hunt: Hunt, sets: Iterable[frozenset[str]], edits: Sequence[str] | None = None
) -> frozenset[frozenset[str]]:
    """Those sets that the table has, of these edits."""
    known = {frozenset(one) for one in hunt.table.sets}
    return frozenset(one for one in sets if one in known and (edits is None or one <= set(edits)))
