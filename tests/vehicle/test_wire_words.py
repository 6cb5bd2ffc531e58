"""Wires and splices in words that a person reads."""

from __future__ import annotations

import pytest

from sim.bench.explain import Because
from sim.catalogue import find_car, shipped_cars
from sim.modules.trace import Event
from sim.training.answers import cause_words, part_words
from sim.vehicle.wire_names import in_words, splice_words


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


@pytest.mark.parametrize("name", shipped_cars())
def test_every_wire_and_splice_in_a_sentence_is_told_by_its_ends(name: str) -> None:
    """Whatever sentence names them, with or without a comma after them, a person reads their ends."""
    car = find_car(name)
    names = [*(one for one in car.elements if "--" in one), *(one for one in car.terminals if "SP." in one)]
    assert names
    assert [] == [one for one in names if one in in_words(f"given: open {one}, {one}.", car)]


def test_words_without_a_wire_stay_as_they_are() -> None:
    """Pins, figures, two dashes that are no wire and names of other cars stay."""
    car = find_car("small-estate")
    for text in ("short ECM.C1.1 to BODY 2 ohm", "a -- b", "open SP.nowhere--SP.else", ""):
        assert text == in_words(text, car)


def test_reasons_and_events_name_wires_by_their_ends() -> None:
    """A tree of reasons and an event of the trace, down to the cause."""
    car, wire = find_car("small-estate"), "SP.door.SWITCHES--SP.door.MIRROR"
    told = Because("no answer", None, (Because(f"open {wire}", 1.0, (), True),)).in_words(car)
    words = "open wire from splice at SWITCHES, door LIN to splice at MIRROR, door LIN"
    assert [words] == told.roots()
    assert told.causes[0].edited
    assert words == Event(1, 0.5, "fault", "car", f"open {wire}", ()).in_words(car).text


def test_a_lamp_is_named_as_in_the_car() -> None:
    """An event about a warning lamp uses its title; a lamp without a title its name."""
    minibus = find_car("shuttle-minibus")
    assert "front distance lamp lights" == in_words("telltale distance lights", minibus)
    assert "ABS lamp is lit" == in_words("telltale abs is lit", minibus)
    assert "no_such lamp goes out".replace("_", " ") == in_words("telltale no_such goes out", minibus)
