"""DXC-style figures against values worked out by hand."""

from itertools import permutations

import pytest

from sim.lab.metrics import Diagnosis, classification_error, expected_draws, figures, utility

ONE = frozenset({"0"})
ALL = frozenset(str(k) for k in range(10))


@pytest.mark.parametrize(
    ("candidate", "expected"),
    [
        (ONE, 1.0),
        (ONE | {"1"}, 0.85),
        (frozenset({"1"}), 0.40),
        (frozenset(), 0.45),
        (ALL, 0.01 + 0.09 * 0),
    ],
    ids=["exact", "one too many", "wrong one", "none", "all"],
)
def test_utility_of_one_candidate_among_ten_parts(candidate: frozenset[str], expected: float) -> None:
    """By hand from the definition: 1 - n(N+1)/(f(n+1)) - n'(N'+1)/(f(n'+1))."""
    assert expected == pytest.approx(utility(ONE, {candidate: 1.0}, 10))


@pytest.mark.parametrize(("hidden", "among"), [(0, 4), (1, 5), (2, 5), (3, 6), (5, 5)])
def test_the_core_of_the_utility_is_the_mean_over_all_orders(hidden: int, among: int) -> None:
    """The expected number of draws equals the mean over all orders."""
    orders = list(permutations(range(among)))
    draws = [max((order.index(k) + 1 for k in range(hidden)), default=0) for order in orders]
    assert sum(draws) / len(orders) == pytest.approx(expected_draws(hidden, among))


def test_error_is_the_expected_difference_of_the_sets() -> None:
    """The error is the weighted number of parts named wrongly or left out."""
    weights = {ONE: 3.0, frozenset({"1", "2"}): 1.0}
    assert 0.75 * 0 + 0.25 * 3 == classification_error(ONE, weights)


def test_a_series_in_figures() -> None:
    """A series of diagnoses gives these means, medians and shares."""
    wrong = frozenset({"1"})
    series = [
        Diagnosis(ONE, {ONE: 0.9, wrong: 0.1}, 10.0),
        Diagnosis(ONE, {wrong: 1.0}, 30.0),
        Diagnosis(ONE, {ONE: 1.0}, 20.0),
    ]
    found = figures(series, 10)
    assert (3, 2 / 3, 2 / 3, 1.0, 20.0) == (
        found.scenarios, found.exact_share, found.kept_share, found.median_survivors, found.median_minutes,
    )  # fmt: skip
    assert (0.2 + 2.0 + 0.0) / 3 == pytest.approx(found.error)
    assert (0.94 + 0.40 + 1.0) / 3 == pytest.approx(found.utility)


def test_a_diagnosis_without_a_candidate_is_refused() -> None:
    """A diagnosis without any weight raises `ValueError`."""
    with pytest.raises(ValueError, match="an empty set says 'nothing is wrong'"):
        classification_error(ONE, {})
    with pytest.raises(ValueError, match="no diagnosis"):
        figures([], 10)
