"""Conditions are data: one fact each, put together by all, any and not."""

from typing import Any

import pytest
from pydantic import ValidationError

from sim.vehicle.conditions import ALWAYS, KEYS, Condition

FACTS: dict[str, Any] = {
    "input": "brake",
    "signal": "gear",
    "missing": "gear",
    "lost": "TCM",
    "code": "P0562",
    "stored": "U0101",
    "mode": "run",
    "line": "IGN",
    "fob": "in_range",
    "engine": "running",
    "immobilizer": "released",
    "supply_above_v": 9,
    "dm1_lamp": "stop",
    "met": "TCM",
    "start_stop": "stopped",
}


def condition(data: Any) -> Condition:
    return Condition.model_validate(data)


@pytest.mark.parametrize("fact", FACTS)
def test_each_fact_is_a_condition_of_its_own(fact: str) -> None:
    """A fact alone is a condition: its only key and its only leaf."""
    one = condition({fact: FACTS[fact]})
    assert [fact] == one.kinds()
    assert [one] == list(one.leaves())


def test_the_facts_and_the_three_ways_to_put_them_together_are_all_there_is() -> None:
    """`KEYS` names every fact that is tested here, `all`, `any` and `not`, and nothing else."""
    assert {*FACTS, "all", "any", "not"} == set(KEYS)


@pytest.mark.parametrize("first", FACTS)
@pytest.mark.parametrize("second", FACTS)
def test_two_facts_side_by_side_are_refused(first: str, second: str) -> None:
    """Does the writer mean both or either? The file has to say."""
    if first != second:
        with pytest.raises(ValidationError, match="a condition has exactly one of all, any, not, input"):
            condition({first: FACTS[first], second: FACTS[second]})


@pytest.mark.parametrize("data", [{}, {"is": True}, {"not": {}}, {"all": [{}]}, "brake", ["brake"], None, 1])
def test_what_is_no_condition_is_refused(data: Any) -> None:
    """Nothing, `is` without a signal, a text, a list and a number are no condition."""
    with pytest.raises(ValidationError):
        condition(data)


@pytest.mark.parametrize(
    ("data", "wrong"),
    [
        ({"mode": "driving"}, "'off', 'accessory', 'run' or 'crank'"),
        ({"fob": "near"}, "'away', 'in_range' or 'at_button'"),
        ({"engine": "idle"}, "'stopped', 'cranking' or 'running'"),
        ({"immobilizer": "locked"}, "'released'"),
        ({"supply_above_v": -1}, "greater than or equal to 0"),
        ({"supply_above_v": 61}, "less than or equal to 60"),
        ({"input": "brake", "is": True}, "'is' goes with 'signal' only"),
        ({"input": "brake", "above": 3}, "'above' goes with 'signal' only"),
        ({"signal": "gear", "is": 3, "above": 3}, "'above' goes with 'signal' only, and not with 'is'"),
        ({"start_stop": "idle"}, "'stopped' or 'restarting'"),
        ({"evaluate": "1 + 1"}, "Extra inputs are not permitted"),
    ],
)
def test_values_outside_the_fixed_lists_are_refused(data: Any, wrong: str) -> None:
    """A mode, a fob's place and an engine state are words of fixed lists."""
    with pytest.raises(ValidationError, match=wrong):
        condition(data)


def test_a_signal_is_true_unless_other_values_are_named() -> None:
    """`signal` alone asks for true; `is` names other values."""
    assert (True,) == condition({"signal": "gear"}).is_
    assert ("P",) == condition({"signal": "gear", "is": "P"}).is_
    assert ("P", "N") == condition({"signal": "gear", "is": ["P", "N"]}).is_
    assert (0,) == condition({"signal": "speed", "is": 0}).is_


def test_zero_and_false_stay_apart() -> None:
    """A speed of 0 is not the word false, though Python holds them equal."""
    values = [*condition({"signal": "x", "is": [0, False, 1, True]}).is_]
    assert [int, bool, int, bool] == [type(value) for value in values]


def test_a_bare_off_is_the_mode() -> None:
    """YAML 1.1 reads it as false."""
    assert ("off",) == condition({"mode": False}).mode
    assert ("run", "off") == condition({"mode": ["run", False]}).mode


def test_leaves_come_in_written_order_from_any_depth() -> None:
    """The facts of a nested condition come in the order in which they are written."""
    nested = condition(
        {
            "any": [
                {"all": [{"input": "a"}, {"not": {"signal": "b"}}]},
                {"missing": "c"},
                {"not": {"any": [{"line": "D"}, {"signal": "e", "is": [1]}]}},
            ]
        }
    )
    assert ["a", "b", "c", "D", "e"] == [
        leaf.input or leaf.signal or leaf.missing or leaf.line for leaf in nested.leaves()
    ]
    assert ["b", "c", "e"] == nested.signals()


def test_always_and_never_read_nothing() -> None:
    """An empty `all` and an empty `any` read no fact."""
    assert ([], []) == (list(ALWAYS.leaves()), ALWAYS.signals())
    assert [] == list(condition({"any": []}).leaves())


def test_a_condition_cannot_be_changed_after_reading() -> None:
    """A condition is frozen."""
    with pytest.raises(ValidationError, match="frozen"):
        condition({"input": "brake"}).input = "button"


def test_equal_conditions_are_equal_and_may_be_keys() -> None:
    """Conditions of equal content are equal and hash alike."""
    data = {"all": [{"mode": "run"}, {"not": {"input": "brake"}}]}
    assert 1 == len({condition(data), condition(data)})
