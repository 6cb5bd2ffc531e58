"""The search for possible causes against runs of its own."""

from sim.lab.selfcheck import self_check
from sim.lab.workshop import Workshop


def test_the_search_says_what_runs_say(six: str, here: Workshop) -> None:
    """Search and single runs agree on a random sample of pairs."""
    for seed in (1, 2):
        result = self_check(six, edits=14, pairs=16, seed=seed, workshop=here)
        assert () == result.wrong, result.words
        assert result.found.holds(result.hidden), result.words
        assert result.words.endswith("no difference")
        assert result.compared >= 8
        assert result.found.runs < result.found.candidates
