"""The bounded search for a tree of tests, against the optimum worked out without it."""

import random

import pytest

from sim.lab.bounded_search import BoundedSearch
from sim.lab.sequential import DiagnosticTest, Sequencing, expected_cost, greedy
from tests.lab.best_order import optimum
from tests.lab.test_sequential import SIX_STATES


def drawn(dice: random.Random, states: int, tests: int, outcomes: int = 3) -> Sequencing:
    """A problem drawn by chance: unlike weights, costs and numbers of outcomes."""
    weights = tuple(dice.uniform(0.05, 1.0) for _ in range(states))
    costs = [dice.choice((0.5, 1.0, 2.0, 5.0)) for _ in range(tests)]
    rows = [tuple(dice.randrange(outcomes) for _ in range(states)) for _ in range(tests)]
    some = (DiagnosticTest(str(k), cost, row) for k, (cost, row) in enumerate(zip(costs, rows, strict=True)))
    return Sequencing(weights, tuple(some))


def test_the_example_of_six_states_comes_to_its_known_cost() -> None:
    """The six-state example comes to 2.18 (from memory of the source, see `tests.lab.test_sequential`)."""
    search = BoundedSearch(SIX_STATES)
    assert 2.18 == pytest.approx(search.run())
    assert search.is_optimum


def test_the_tree_is_the_optimum_where_the_search_says_so() -> None:
    """On 150 random problems of up to 9 states the cost is that of brute force, and the tree has it."""
    dice = random.Random(3)
    for _ in range(150):
        problem = drawn(dice, dice.randint(1, 9), dice.randint(1, 8), dice.choice((2, 3)))
        search = BoundedSearch(problem)
        cost = search.run()
        assert search.is_optimum
        assert optimum(problem) == pytest.approx(cost)
        assert cost == pytest.approx(expected_cost(problem, search.choose))


def test_a_small_budget_never_makes_it_worse_than_greedy_and_says_that_it_ended() -> None:
    """On 40 larger problems with a budget of 20 the tree costs no more than greedy's."""
    dice = random.Random(5)
    ended = 0
    for _ in range(40):
        problem = drawn(dice, 24, 16)
        search = BoundedSearch(problem, budget=20)
        cost = search.run()
        ended += not search.is_optimum
        assert expected_cost(problem, greedy) >= cost - 1e-9
    assert ended > 20
