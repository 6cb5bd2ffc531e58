"""The command that hashes runs: the same run has the same hash, and each difference is named."""

from enum import StrEnum

import pytest

from tests.trace_hashes import bench_of, differences, digest, plain, run, shipped_car, told


def test_a_run_has_one_hash_and_another_run_another() -> None:
    """The hash depends on the run alone, and a changed event text, action or seed changes it."""
    assert run(("six-modules", 0, False)) == run(("six-modules", 0, False))
    assert run(("six-modules", 0, False))[1] != run(("six-modules", 1, False))[1]
    car, _ = shipped_car("six-modules")
    first, other = (list(told(bench_of(car, [], 0, False), [action])) for action in ("press start", "scan"))
    assert digest(first) != digest(other)


def test_names_of_classes_do_not_get_into_a_hash() -> None:
    """A word of an enumeration counts as its word, and any other object is refused."""

    class Renamed(StrEnum):
        OFF = "off"

    assert plain(["off", 1, 0.5, None]) == plain((Renamed.OFF, 1, 0.5, None))
    with pytest.raises(TypeError, match="no plain value"):
        plain([object()])


def test_every_kind_of_difference_is_named() -> None:
    """Changed, missing and new runs each get a line; equal runs get none."""
    before, now = {"a/0": "1", "b/0": "1", "c/0": "1"}, {"a/0": "1", "b/0": "2", "d/0": "1"}
    assert ["b/0 differs", "c/0 is missing now", "d/0 was not there before"] == differences(before, now)
