"""Wires and splices in words that a person reads."""

from __future__ import annotations

import pytest

from sim.catalogue import find_car, shipped_cars
from sim.training.answers import cause_words, part_words
from sim.vehicle.answer_parts import splice_words


@pytest.mark.parametrize(
    ("car", "splice", "words"),
    [
        ("teaching-car", "SP.body.CLUSTER.H", "splice at CLUSTER, body CAN high"),
        ("teaching-car", "SP.powertrain.ABS.L", "splice at ABS, powertrain CAN low"),
        ("teaching-car", "SP.F11", "splice after F11"),
        ("teaching-car", "SP.ECM.sensor_ground", "splice of sensor ground from ECM"),
        ("small-estate", "SP.door.MIRROR", "splice at MIRROR, door LIN"),
    ],
)
def test_a_splice_is_named_by_what_is_spliced_there(car: str, splice: str, words: str) -> None:
    """Each kind of splice has its words."""
    assert words == splice_words(splice, find_car(car))


@pytest.mark.parametrize("name", shipped_cars())
def test_no_wire_is_offered_by_the_name_that_the_program_gave_it(name: str) -> None:
    """A list of parts shows wires by their ends, no two alike, and no dashes or splice names."""
    words = part_words(find_car(name))
    wires = [text for part, text in words.items() if "--" in part]
    assert wires
    assert sorted(set(wires)) == sorted(wires)
    assert [] == [text for text in wires if "--" in text or "SP." in text]


def test_a_cause_at_a_wire_is_told_by_its_ends() -> None:
    """The list of named causes and the debrief say between which splices a wire is open."""
    said = cause_words("open SP.door.SWITCHES--SP.door.MIRROR", find_car("small-estate"))
    assert "wire from splice at SWITCHES, door LIN to splice at MIRROR, door LIN: open circuit" == said
