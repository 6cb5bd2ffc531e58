"""The scripted technician: next best check against a fixed and a random order."""

import pytest

from sim.lab.sequential import Problem, Test
from sim.lab.technician import Table, compare, run_table
from sim.lab.workshop import Workshop


def test_next_best_is_not_slower_than_any_order_and_the_true_set_is_kept(six: str, here: Workshop) -> None:
    table = run_table(six, edits=9, seed=3, workshop=here)
    result = compare(table, faults=60, seed=1)
    best, fixed, chance = (result.by_policy[name] for name in ("next best", "fixed", "random"))
    assert 1.0 == best.kept_share == fixed.kept_share == chance.kept_share
    assert best.median_minutes <= min(fixed.median_minutes, chance.median_minutes)
    assert best.median_survivors <= result.survivors_at_first
    assert 3 + 2 == len(result.lines().splitlines())


def test_minutes_are_those_of_the_checks_that_were_made() -> None:
    """Four suspects in a chain, checks of one minute: halving takes 2, from one end 2.25 in the mean."""
    sets = (("a",), ("b",), ("c",), ("d", "e"))
    tests = tuple(Test(str(k), 1.0, tuple(int(s > k) for s in range(4))) for k in range(3))
    table = Table(sets, (0, 0, 0, 0), Problem((1.0,) * 4, tests), 5)
    result = compare(table, faults=400, seed=2)
    assert 2.0 == result.by_policy["next best"].median_minutes
    assert 3.0 == result.by_policy["fixed"].median_minutes
    assert 1.0 == pytest.approx(result.by_policy["next best"].exact_share)
    assert 0.0 == result.by_policy["random"].error
