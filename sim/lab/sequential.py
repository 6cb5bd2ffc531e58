"""The order of tests: which check first, and which next after each outcome, at the least expected cost.

A problem has states with weights (one is true) and tests with costs; a test has one outcome per state. A
policy is a tree of tests that goes on until no test can tell the remaining states apart.

    greedy      the most information per cost now
    rollout     one step ahead: each test tried, the rest estimated by greedy (Tu and Pattipati 2003)

The optimum is searched for in `sim.lab.bounded_search`.

Not modeled: tests that err, tests whose cost depends on what was done before.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass
from functools import cached_property
from math import log2


@dataclass(frozen=True)
class DiagnosticTest:
    """One test: `cost` in any unit above 0, and one outcome per state."""

    name: str
    cost: float
    outcomes: tuple[Hashable, ...]


@dataclass(frozen=True)
class Sequencing:
    """States by their weights (above 0, of any sum) and the tests that may tell them apart."""

    weights: tuple[float, ...]
    tests: tuple[DiagnosticTest, ...]

    def __post_init__(self) -> None:
        if not self.weights or min(self.weights) <= 0:
            raise ValueError("a problem needs at least one state, and every state a weight above 0")
        for test in self.tests:
            if len(test.outcomes) != len(self.weights) or test.cost <= 0:
                raise ValueError(f"test {test.name} needs {len(self.weights)} outcomes and a cost above 0")

    @cached_property
    def all_states(self) -> frozenset[int]:
        """Every state by its number."""
        return frozenset(range(len(self.weights)))

    def weight(self, states: frozenset[int]) -> float:
        """The summed weight of states."""
        return sum(self.weights[k] for k in sorted(states))

    def split(self, test: DiagnosticTest, states: frozenset[int]) -> list[frozenset[int]]:
        """The states by the test's outcome, in order of the first state of each."""
        groups: dict[Hashable, list[int]] = {}
        for k in sorted(states):
            groups.setdefault(test.outcomes[k], []).append(k)
        return [frozenset(group) for group in groups.values()]

    def useful(self, states: frozenset[int]) -> list[DiagnosticTest]:
        """The tests that can tell some of these states apart."""
        return [test for test in self.tests if len({test.outcomes[k] for k in states}) > 1]

    def distinct(self, states: frozenset[int]) -> list[DiagnosticTest]:
        """The cheapest test of each way in which these states can be parted."""
        cheapest: dict[frozenset[frozenset[int]], DiagnosticTest] = {}
        for test in sorted(self.useful(states), key=lambda one: one.cost):
            cheapest.setdefault(frozenset(self.split(test, states)), test)
        return list(cheapest.values())

    def gain_bits(self, test: DiagnosticTest, states: frozenset[int]) -> float:
        """Expected information of a test in bits: the entropy of its outcome."""
        total = self.weight(states)
        shares = [self.weight(group) / total for group in self.split(test, states)]
        return -sum(share * log2(share) for share in shares)


MOST_ROLLOUTS = 12  # tests with the most information per cost that are thought one step further
Choice = Callable[[Sequencing, frozenset[int]], DiagnosticTest | None]


def greedy(problem: Sequencing, states: frozenset[int]) -> DiagnosticTest | None:
    """The test with the most information per cost; None where none can tell these states apart."""
    useful = problem.useful(states)
    return max(useful, key=lambda test: problem.gain_bits(test, states) / test.cost, default=None)


def rollout(problem: Sequencing, states: frozenset[int]) -> DiagnosticTest | None:
    """The test with the least expected cost when greedy decides everything after it."""
    return min(ahead(problem, states), key=lambda one: one[0], default=(0.0, None))[1]


def ahead(problem: Sequencing, states: frozenset[int]) -> list[tuple[float, DiagnosticTest]]:
    """The tests with the most information per cost, each with the expected cost of trying it first."""
    by_gain = sorted(problem.distinct(states), key=lambda test: -problem.gain_bits(test, states) / test.cost)
    return [(cost_after(problem, states, test), test) for test in by_gain[:MOST_ROLLOUTS]]


def cost_after(
    problem: Sequencing, states: frozenset[int], test: DiagnosticTest, then: Choice = greedy
) -> float:
    """Expected cost to the end of a test and, after it, the tests that a policy chooses."""
    total = problem.weight(states)
    groups = problem.split(test, states)
    return test.cost + sum(
        problem.weight(group) / total * expected_cost(problem, then, group) for group in groups
    )


def expected_cost(problem: Sequencing, choose: Choice, states: frozenset[int] | None = None) -> float:
    """Expected cost of a policy until no test tells the remaining states apart."""
    states = problem.all_states if states is None else states
    test = choose(problem, states)
    return 0.0 if test is None else cost_after(problem, states, test, choose)
