"""The order in which the tests are run."""

import pytest

from tests.conftest import dealt


@pytest.mark.parametrize("workers", [1, 2, 3, 7])
def test_every_worker_begins_with_some_of_the_longest(workers: int) -> None:
    """No test is lost, and the equal parts of a run begin with the longest files, dealt out by turns."""
    items = list(range(100))
    places = [(one // 2 - 35, "") if one >= 70 else None for one in items]
    order = dealt(items, places, workers)
    assert items == sorted(order)
    starts = [0]
    for left in range(workers, 1, -1):
        starts.append(starts[-1] + (len(items) - starts[-1]) // left)
    assert [[70 + 2 * one, 71 + 2 * one] for one in range(workers)] == [
        order[start : start + 2] for start in starts
    ]
