"""The scripted technician: three orders of checks, and the same evidence in the search."""

from dataclasses import replace

import pytest

from sim.lab.checks import Check
from sim.lab.fault_table import FaultTable, run_table
from sim.lab.sequential import DiagnosticTest, Sequencing
from sim.lab.technician import Comparison, compare, searched
from sim.lab.workshop import Workshop
from sim.vehicle.edits import is_theory


@pytest.fixture(scope="module")
def table(six: str) -> FaultTable:
    with Workshop(workers=1) as here:
        return run_table(six, edits=14, pairs=40, seed=3, workshop=here)


@pytest.fixture(scope="module")
def result(table: FaultTable) -> Comparison:
    return compare([table], faults=60, seed=1)


def test_next_best_is_not_slower_than_any_order(result: Comparison) -> None:
    """The next best check needs no more minutes on average than a fixed or a random order."""
    best, fixed, chance = (result.by_policy[name] for name in ("next best", "fixed", "random"))
    assert best.median_minutes <= min(fixed.median_minutes, chance.median_minutes)
    assert best.mean_minutes < min(fixed.mean_minutes, chance.mean_minutes)
    assert best.median_survivors <= result.survivors_at_first
    assert 6 == len(result.by_policy)
    assert f"{result.survivors_at_first:g} possible causes" in result.words


def test_no_order_beats_the_least_and_the_whole_list_takes_longest(result: Comparison) -> None:
    """The advice is within a tenth of the optimum, and needs less than two thirds of the whole list."""
    least, best, fixed, whole = (
        result.by_policy[name].mean_minutes for name in ("least", "next best", "fixed", "whole list")
    )
    assert least <= best + 1e-9
    assert best <= 1.1 * least
    assert best < 2 / 3 * whole
    assert fixed < whole
    assert 1.0 == result.proven


def test_the_promise_is_kept_with_theories_and_checks_that_change_the_car(six: str, here: Workshop) -> None:
    """Advice and plan: a median of 0.6 of fixed and random, or near an optimum that is no better.

    The true set is among the survivors of the search each time.
    """
    mixed = run_table(six, edits=8, theories=3, pairs=8, every_kind=True, seed=2, workshop=here)
    result = compare([mixed], faults=40, seed=1)
    assert result.verdict("next best")
    assert result.verdict("plan")
    hunts = result.hunts["next best"]
    assert any(is_theory(text) for hunt in hunts for text in mixed.sets[hunt.hidden])
    assert any(not mixed.checks[place].passive for hunt in hunts for place in hunt.made)
    through = searched(list(dict.fromkeys(hunts))[:4], among=6, workshop=here)
    assert ((), ()) == (through.lost, through.other)


def test_an_order_that_keeps_neither_promise_is_told() -> None:
    """Of eight causes in a row, one check each: asking from one end is not within a tenth of halving."""
    tests = tuple(DiagnosticTest(str(k), 1.0, tuple(int(s > k) for s in range(8))) for k in range(7))
    checks = tuple(Check((f"look {k}",), 1.0, passive=True) for k in range(7))
    sets = tuple((name,) for name in "abcdefgh")
    row = FaultTable(
        "", tuple("abcdefgh"), (), checks, sets, (0,) * 8, Sequencing((1.0,) * 8, tests), frozenset(range(8))
    )
    result = compare([row], faults=200, seed=2)
    assert ("within 10% of the least", "") == (result.verdict("plan"), result.verdict("fixed"))
    assert 3.0 == result.by_policy["least"].median_minutes


def test_the_search_keeps_the_true_set_and_exactly_what_the_table_keeps(
    result: Comparison, here: Workshop
) -> None:
    """The evidence comes from a car of its own, with nothing done to it but what was chosen."""
    hunts = list(dict.fromkeys(result.hunts["next best"][:3] + result.hunts["random"][:2]))
    assert any(hunt.made for hunt in hunts)
    through = searched(hunts, workshop=here)
    assert (len(hunts), len(hunts), (), ()) == (
        through.hunts, through.compared, through.lost, through.other,
    )  # fmt: skip
    assert through.runs < through.candidates


def test_a_table_that_is_not_of_this_car_is_told(
    table: FaultTable, result: Comparison, here: Workshop
) -> None:
    """A survivor too many or a lost set is reported by the comparison with the search."""
    hunt = next(one for one in result.hunts["next best"] if one.made and len(one.left) < len(table.sets) / 2)
    nothing_left_out = replace(hunt, left=frozenset(range(len(table.sets))))
    through = searched([nothing_left_out], workshop=here)
    assert (table.sets[hunt.hidden],) == through.other
    assert through.lines().endswith(f"other survivors: {' + '.join(table.sets[hunt.hidden])}")


def test_hidden_faults_are_drawn_from_every_table(six: str, table: FaultTable, here: Workshop) -> None:
    """Each table gives its share of the hidden faults."""
    other = run_table(six, edits=3, seed=4, workshop=here)
    assert other.edits != table.edits
    hunts = compare([table, other], faults=7, seed=1).hunts["fixed"]
    assert [table, other, table, other, table, other, table] == [hunt.table for hunt in hunts]


def test_minutes_are_those_of_the_checks_that_were_made() -> None:
    """Four candidates in a chain, checks of one minute: halving takes 2, from one end 2.25 in the mean."""
    sets = (("a",), ("b",), ("c",), ("d", "e"))
    tests = tuple(DiagnosticTest(str(k), 1.0, tuple(int(s > k) for s in range(4))) for k in range(3))
    checks = tuple(Check((f"look {k}",), 1.0, passive=True) for k in range(3))
    problem = Sequencing((1.0,) * 4, tests)
    result = compare(
        [FaultTable("", ("a", "b", "c", "d", "e"), (), checks, sets, (0,) * 4, problem, frozenset(range(4)))],
        faults=400,
        seed=2,
    )
    assert 2.0 == result.by_policy["next best"].median_minutes
    assert 3.0 == result.by_policy["fixed"].median_minutes
    assert 1.0 == pytest.approx(result.by_policy["next best"].exact_share)
    assert 0.0 == result.by_policy["random"].error
