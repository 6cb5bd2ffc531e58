"""What followed from each hidden fault: everything that the trace leads back to it, and nothing else."""

import pytest

from sim.training.aftermath import aftermath, chains, shown_by
from sim.training.exercise import find_exercise, shipped_exercises
from tests.training.first_read import first_read_bench

SHOW_AT_ONCE = ("02", "10", "22", "40")  # exercises whose fault the first scan shows


@pytest.mark.parametrize("name", SHOW_AT_ONCE)
def test_every_silent_module_of_the_first_scan_follows_from_a_hidden_fault(name: str) -> None:
    """A module that gave no answer is among what followed, and each module only once."""
    exercise = find_exercise(name)
    bench = first_read_bench(exercise)
    shown = list(shown_by(bench))
    told = aftermath(shown, exercise.arrives, exercise.real_car)
    assert bench.last_report is not None
    absent = ", ".join(
        words for one in told for label, words in one.effects if label in ("no answer", "held up")
    )
    for module in bench.last_report.silent:
        assert 1 == sum(module == one.split()[0] for one in absent.split(", "))
    assert set(exercise.arrives) == {edit for one in told for edit in one.edits}


def test_two_faults_that_share_an_effect_are_told_together() -> None:
    """A fuse is out, and feeds one module more than drawn: that one has both as its causes."""
    exercise = find_exercise("22")
    told = aftermath(list(shown_by(first_read_bench(exercise))), exercise.arrives, exercise.real_car)
    both = next(one for one in told if set(exercise.arrives) == set(one.edits))
    assert "TACHO" in dict(both.effects)["no answer"]
    alone = next(one for one in told if one.edits == ("pull F31",))
    assert "TIRES" in dict(alone.effects)["no answer"]


@pytest.mark.parametrize("name", sorted(shipped_exercises())[::6])
def test_each_chain_of_causes_is_told_once(name: str) -> None:
    """No two chains end at the same edits, and together they name everything that the car showed."""
    exercise = find_exercise(name)
    shown = list(shown_by(first_read_bench(exercise)))
    told = chains(shown, exercise.real_car)
    roots = [frozenset(one.tree.roots()) for one in told]
    assert len(set(roots)) == len(roots)
    assert {one.title for one in shown} == {title for one in told for title in (one.title, *one.also)}


def test_a_car_without_a_fault_has_no_aftermath() -> None:
    """Nothing follows where nothing was wrong."""
    bench = first_read_bench(find_exercise("02").broken_by(()))
    assert [] == list(shown_by(bench))
