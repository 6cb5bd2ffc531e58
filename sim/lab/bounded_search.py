"""The best tree of tests that a bounded search finds: depth first with lower and upper bounds.

A test is an OR node (one is chosen), its outcomes an AND node (each needs a tree of its own). The lower bound
is the entropy of what can still be told apart, at the best price per bit of any test (the idea of the
entropy-based estimates of Pattipati and Alexandridis, IEEE Trans. SMC 20(4), 1990; with tests of several
outcomes a test tells at most the logarithm of their number). The upper bound is the greedy tree. When the
budget is spent, what is open goes on with the greedy tree, and the result is no longer called the optimum.

Not modeled: tests that err, tests whose cost depends on what was done before.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf, log2

from sim.lab.sequential import DiagnosticTest, Sequencing, expected_cost, greedy

BUDGET = 3000  # sets of states that are opened
SAME = 1e-9  # costs nearer than this, in minutes, are equal


@dataclass
class BoundedSearch:
    """A tree of tests of least expected cost, as far as the budget goes; `is_optimum` after `run`."""

    problem: Sequencing
    budget: int = BUDGET
    _choice: dict[frozenset[int], DiagnosticTest | None] = field(default_factory=dict)
    _cost: dict[frozenset[int], float] = field(default_factory=dict)  # of the trees that are final
    _least: dict[frozenset[int], float] = field(default_factory=dict)
    _greedy: dict[frozenset[int], tuple[float, DiagnosticTest | None]] = field(default_factory=dict)
    _opened: int = 0

    def run(self, states: frozenset[int] | None = None) -> float:
        """The expected cost of the tree that was found, for all states or some, in the unit of the tests."""
        states = self.problem.all_states if states is None else states
        self._solve(states, inf)
        return expected_cost(self.problem, self.choose, states)

    def lower_bound(self, states: frozenset[int]) -> float:
        """A cost that no tree for these states can be below: by entropy, or of the tree that is the best."""
        return self._cost[states] if self.is_optimum and states in self._cost else self._entropy_bound(states)

    @property
    def is_optimum(self) -> bool:
        """Whether no tree can cost less."""
        return self._opened < self.budget

    def choose(self, problem: Sequencing, states: frozenset[int]) -> DiagnosticTest | None:
        """The test of the tree for these states, as a policy (`sim.lab.sequential.Choice`)."""
        return self._choice[states] if states in self._choice else self._by_greed(states)[1]

    def _solve(self, states: frozenset[int], ceiling: float) -> float:
        """The cost of the best tree if it is below the ceiling; else a bound that is not below it."""
        if states in self._cost:
            return self._cost[states]
        if (bound := self._bound(states)) >= ceiling:
            return bound
        cost, choice = self._by_greed(states)
        if cost <= bound + SAME or self._opened >= self.budget:
            return self._settle(states, cost, choice)
        self._opened += 1
        for test in self._in_order(states):
            found = self._after(test, states, min(cost, ceiling))
            if found < cost - SAME:
                cost, choice = found, test
        if cost < ceiling:
            return self._settle(states, cost, choice)
        self._least[states] = max(bound, ceiling)
        return self._least[states]

    def _after(self, test: DiagnosticTest, states: frozenset[int], ceiling: float) -> float:
        """The cost of a test and the best trees after it; given up as soon as it reaches the ceiling."""
        total, groups = self.problem.weight(states), self.problem.split(test, states)
        shares = [self.problem.weight(group) / total for group in groups]
        cost = test.cost + sum(s * self._bound(g) for s, g in zip(shares, groups, strict=True))
        for share, group in sorted(zip(shares, groups, strict=True), key=lambda one: -one[0]):
            if cost >= ceiling:
                return cost
            before = self._bound(group)
            cost += share * (self._solve(group, before + (ceiling - cost) / share) - before)
        return cost

    def _settle(self, states: frozenset[int], cost: float, choice: DiagnosticTest | None) -> float:
        self._cost[states], self._choice[states] = cost, choice
        return cost

    def _in_order(self, states: frozenset[int]) -> list[DiagnosticTest]:
        """The tests worth trying, those first that tell most per cost."""
        gain = self.problem.gain_bits
        return sorted(self.problem.distinct(states), key=lambda test: -gain(test, states) / test.cost)

    def _bound(self, states: frozenset[int]) -> float:
        """A cost that no tree for these states can be below."""
        if states in self._cost:
            return self._cost[states]
        if states not in self._least:
            self._least[states] = self._entropy_bound(states)
        return self._least[states]

    def _entropy_bound(self, states: frozenset[int]) -> float:
        useful = self.problem.useful(states)
        if not useful:
            return 0.0
        price = min(test.cost / log2(len({test.outcomes[k] for k in states})) for test in useful)  # per bit
        return max(min(test.cost for test in useful), price * self._entropy_bits(states))

    def _entropy_bits(self, states: frozenset[int]) -> float:
        """Of the groups that the tests can tell apart at all."""
        groups: dict[tuple[object, ...], float] = {}
        for k in sorted(states):
            key = tuple(test.outcomes[k] for test in self.problem.tests)
            groups[key] = groups.get(key, 0.0) + self.problem.weights[k]
        total = sum(groups.values())
        return -sum(one / total * log2(one / total) for one in groups.values())

    def _by_greed(self, states: frozenset[int]) -> tuple[float, DiagnosticTest | None]:
        if states not in self._greedy:
            test = greedy(self.problem, states)
            self._greedy[states] = (0.0, None) if test is None else (self._greedy_cost(test, states), test)
        return self._greedy[states]

    def _greedy_cost(self, test: DiagnosticTest, states: frozenset[int]) -> float:
        total = self.problem.weight(states)
        return test.cost + sum(
            self.problem.weight(group) / total * self._by_greed(group)[0]
            for group in self.problem.split(test, states)
        )
