"""The search for possible causes against runs of its own."""

from sim.lab.command_options import faults_to_try
from sim.lab.selfcheck import self_check
from sim.lab.workshop import Workshop
from sim.vehicle.edits import further_kinds, verb_of
from tests.benchmarks.search_agrees import in_turn


def test_the_search_says_what_runs_say(six: str, here: Workshop) -> None:
    """Search and single runs agree on a random sample of pairs."""
    for seed in (1, 2):
        result = self_check(six, edits=14, pairs=16, seed=seed, workshop=here)
        assert () == result.wrong, result.words
        assert result.found.holds(result.hidden), result.words
        assert result.words.endswith("no difference")
        assert result.compared >= 8
        assert result.found.runs < result.found.candidates


def test_every_verb_is_drawn_within_as_many_turns_as_it_takes(six: str) -> None:
    """The nightly command draws every verb of a car once its turns are as many as the verbs need."""
    listed = faults_to_try(six, tuple(further_kinds()))
    verbs = {verb_of(text) for text in listed}
    turns = [in_turn(listed, 8, turn) for turn in range(1, -(-len(verbs) // 8) + 1)]
    assert verbs == {verb_of(text) for turn in turns for text in turn}
    assert all(8 == len({verb_of(text) for text in turn}) for turn in turns)
