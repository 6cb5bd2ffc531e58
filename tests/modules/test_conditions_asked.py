"""A condition is answered in two ways, with its reasons and without: the values are the same."""

from hypothesis import given
from hypothesis import strategies as st

from sim.modules.facts import Fact, asked, in_words, judge
from sim.vehicle.conditions import Condition

NAMES = ("brake", "door", "lamp", "fob_seen")
LEAVES = st.sampled_from(NAMES).map(lambda name: Condition(input=name))


def _joined(parts: st.SearchStrategy[Condition]) -> st.SearchStrategy[Condition]:
    several = st.lists(parts, min_size=1, max_size=3).map(tuple)
    return (
        several.map(lambda some: Condition(all=some))
        | several.map(lambda some: Condition(any=some))
        | parts.map(lambda one: Condition(**{"not": one}))
    )


@given(
    st.recursive(LEAVES, _joined, max_leaves=12),
    st.fixed_dictionaries({name: st.sampled_from((True, False, None)) for name in NAMES}),
)
def test_the_value_is_that_of_the_evaluation(condition: Condition, known: dict[str, bool | None]) -> None:
    """The fast re-evaluation gives the value of the full evaluation, whatever is known."""
    found = judge(condition, lambda leaf: Fact(known[leaf.input or ""], 7))
    assert found.value is asked(condition, lambda leaf: lambda: known[leaf.input or ""])()


def test_a_condition_in_words() -> None:
    """A nested condition reads as a technician would say it; an empty one is always true."""
    brake, door, lamp = (Condition(input=name) for name in ("brake", "door", "lamp"))
    neither = Condition(**{"not": Condition(any=(door, lamp))})
    words = "input brake active and not (input door active or input lamp active)"
    assert words == in_words(Condition(all=(brake, neither)))
    assert "always" == in_words(Condition(all=()))
