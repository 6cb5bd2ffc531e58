"""Actions in the words of a button: what is pressed, logged and judged reads alike."""

from __future__ import annotations

import pytest

from sim.bench.action_words import lines_of, sentence_of, words_of
from sim.catalogue import find_car


@pytest.mark.parametrize(
    ("action", "words"),
    [
        ("look F2", "Inspect F2"),
        ("scan", "Scan all modules"),
        ("clear", "Clear all codes"),
        ("clear ECM", "Clear ECM"),
        ("load TCM.C1.1 to G1 with 21 W lamp", "Load test TCM.C1.1 to G1 with 21 W lamp"),
        ("wait 10 s", "Wait 10 s"),
        ("measure volts F2.1 to BAT-", "Measure volts F2.1 to BAT-"),
    ],
)
def test_an_action_reads_as_its_button(action: str, words: str) -> None:
    """The log says `Inspect F2`, as the button does, and not the word of the log's file."""
    assert words == words_of(action)


def test_the_wire_of_an_action_is_told_by_its_ends() -> None:
    """No name that the program gave to a wire is read by a person, in one action or in several."""
    car = find_car("small-estate")
    wire = "SP.door.SWITCHES--SP.door.MIRROR"
    ends = "wire from splice at SWITCHES, door LIN to splice at MIRROR, door LIN"
    assert f"Repair {ends}" == words_of(f"repair {wire}", car)
    assert f"Inspect {ends}, then scan all modules" == sentence_of([f"look {wire}", "scan"], car)


def test_what_is_done_several_times_in_a_row_is_one_line() -> None:
    """A list does not repeat `Wait 10 s`; what is done again later is told again."""
    log = ["wait 10 s"] * 3 + ["scan", "wait 10 s"]
    assert ["Wait 10 s (3 times)", "Scan all modules", "Wait 10 s"] == lines_of(log)
