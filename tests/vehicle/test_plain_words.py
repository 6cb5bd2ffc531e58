"""Plain words of the trade are read as the verbs of sentences, in edits and in actions."""

import pytest

from sim.bench.actions import begins_an_action, parse_action
from sim.bench.observations import OBSERVATION_VERBS
from sim.catalogue import find_car
from sim.vehicle.edits import EDIT_VERBS, apply_all, parse_edit
from sim.vehicle.fault_words import story_words
from sim.vehicle.plain_words import PLAIN_WORDS


@pytest.mark.parametrize(
    ("given", "plain", "verb"),
    [
        ("open ABS.C1.3", "Mend ABS.C1.3", "repair ABS.C1.3"),
        ("short ABS.C1.1 to BODY", "Unshort ABS.C1.1 to BODY", "remove short ABS.C1.1 to BODY"),
        ("swap ABS.C1.4 with ABS.C1.5", "swap back ABS.C1.4 with ABS.C1.5", "unswap ABS.C1.4 with ABS.C1.5"),
        (
            "terminate DLC.6 to DLC.14 120 ohm",
            "remove resistor DLC.6 to DLC.14",
            "unterminate DLC.6 to DLC.14",
        ),
    ],
)
def test_a_repair_in_plain_words_is_the_repair(given: str, plain: str, verb: str) -> None:
    """It does the same, and the log keeps the verb; typed as an action it is the same, too."""
    car = apply_all(find_car("teaching-car"), [given])
    assert verb == parse_edit(plain, car).text
    assert verb == parse_action(plain, car).text
    assert parse_edit(verb, car).apply(car).harness == parse_edit(plain, car).apply(car).harness


def test_to_inspect_is_to_look() -> None:
    """A technician inspects; a name that is wrong is still answered with the nearest."""
    assert "look F3" == parse_action("inspect F3", find_car("teaching-car")).text
    assert begins_an_action("Inspect")
    assert begins_an_action("remove")


def test_plain_words_hide_no_verb() -> None:
    """No plain word is a verb of its own, and each leads to one."""
    verbs = {*EDIT_VERBS, *OBSERVATION_VERBS}
    assert set(PLAIN_WORDS.values()) <= verbs
    assert set() == verbs & set(PLAIN_WORDS)


def test_stories_that_differ_by_a_figure_are_told_apart() -> None:
    """A story in plain words keeps the figure that a technician would name."""
    car = find_car("teaching-car")
    assert "G3: corroded, high resistance, 0.4 ohm" == story_words(["corrode G3 0.4 ohm"], car)
    assert "BAT: discharged, 30 %; F1: missing" == story_words(["charge 30 %", "pull F1"], car)
    assert "the car as described" == story_words([], car)
