"""A class is no slower beside visitors who wait for a day and search without end.

The whole thing: `python -m tests.benchmarks.noisy_neighbors --students 30 --visitors 10`.
"""

import pytest

from tests.benchmarks.noisy_neighbors import IDLE_WITHIN_S, MOST_RATIO, compared


def test_neighbors_do_not_slow_a_class_down(capsys: pytest.CaptureFixture[str]) -> None:
    """Six students beside four neighbors: no error, hardly slower, and idle soon after all have left."""
    found = compared(students=6, visitors=4, seconds=20.0)
    with capsys.disabled():
        print("\n" + "\n".join(found.lines()))
    assert [] == [*found.quiet.errors, *found.noisy.errors, *found.problems]
    assert found.ratio <= MOST_RATIO
    assert found.idle_after_s <= IDLE_WITHIN_S
