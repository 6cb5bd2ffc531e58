"""The instrument cluster and the controls as they are drawn, against what the seat observes."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest

from sim.bench.bench import Bench
from sim.catalogue import find_car
from sim.instruments.seat import Lamp, seat_of
from ui.drawing.dash import ACTIONS, KEY_AT, Controls, cluster, controls
from ui.drawing.telltales import SHAPES, meaning_of, symbol
from ui.panels.seat import KEY_WORDS

MORNING = ("press start with brake", "wait 1 s", "wait 10 s", "pull F3", "wait 5 s", "disconnect battery")


def drawn_lit(bench: Bench) -> list[str]:
    """The words below the lamps that are drawn as lit, in order."""
    return re.findall(r'class="telltale lit \w+">.*?<span>([^<]+)<i>: lit', cluster(seat_of(bench)))


def fitted(bench: Bench) -> frozenset[str]:
    return frozenset(switch.operated_by for switch in bench.base.built.switches.values())


@pytest.mark.parametrize(
    "car",
    ["shuttle-minibus", "small-estate", "teaching-car", "six-modules", "regional-truck", "city-hatchback"],
)
def test_the_lamps_drawn_as_lit_are_those_that_the_seat_reads(car: str) -> None:
    """After each action of a morning the filled tiles are the lit lamps, and all others are drawn as off."""
    bench = Bench(find_car(car))
    begin = ["key run"] if "key_run" in fitted(bench) else []
    for action in (*begin, *MORNING[bool(begin) :]):
        bench.do(action)
        seat = seat_of(bench)
        assert [(one.title or one.name).replace("_", " ") for one in seat.lamps if one.lit] == drawn_lit(
            bench
        )
        assert len(seat.lamps) - len(seat.lit) == cluster(seat).count("<i>: off")
        engine = {"stopped": "not running"}.get(seat.engine, seat.engine)
        assert f"engine <b>{engine}</b>" in cluster(seat)


@pytest.mark.parametrize("car", ["shuttle-minibus", "small-estate", "teaching-car"])
def test_each_lamp_of_a_shipped_car_has_a_drawing_of_its_own(car: str) -> None:
    """No lamp of a shipped car falls back to the triangle, and no two of a car look alike."""
    meanings = [meaning_of(lamp) for lamp in seat_of(Bench(find_car(car))).lamps]
    assert "other" not in meanings
    assert sorted(set(meanings)) == sorted(meanings)


@pytest.mark.parametrize(
    ("name", "title", "meaning"),
    [
        ("srs", "restraint system", "airbag"),
        ("lamp7", "coolant temperature", "temperature"),
        ("oil_pressure", "", "oil"),
        ("nitrogen", "", "other"),
    ],
)
def test_a_lamp_of_ones_own_car_is_drawn_by_its_words(name: str, title: str, meaning: str) -> None:
    """The meanings of ISO 2575 are found by plain words; what is unknown is a triangle."""
    assert meaning == meaning_of(Lamp(name, title or name, "amber", False))
    assert SHAPES[meaning][0] == symbol(Lamp(name, title or name, "amber", False))[0].get("d")


def test_the_key_is_drawn_where_it_is_and_springs_back_from_crank() -> None:
    """After each turn exactly one place looks chosen; after crank it is run, and the key points there."""
    bench = Bench(find_car("teaching-car"))
    for turned, rests in (("accessory", "accessory"), ("run", "run"), ("crank", "run"), ("off", "off")):
        bench.do(f"key {turned}")
        root = ElementTree.fromstring(controls(Controls(fitted(bench), bench.live.operated, "off")))
        places = [one for one in root if (one.get("data-id") or "").startswith("key ")]
        assert [f"key {name}" for name in KEY_AT] == [one.get("data-id") for one in places]
        assert [f"key {rests}"] == [one.get("data-id") for one in places if one.get("aria-pressed") == "true"]
        key = next(one for one in root if one.get("class") == "key")
        assert f"rotate({KEY_AT[rests]:g})" in str(key.get("transform"))


def test_the_key_turns_clockwise_from_off_to_crank() -> None:
    """The places are in the order in which a key passes them."""
    assert ["off", *KEY_WORDS.values()] == sorted(KEY_AT, key=lambda name: KEY_AT[name])


def test_what_the_drawing_offers_is_what_a_bench_does() -> None:
    """Every control that is drawn is an action that its car takes, and no other is accepted from a click."""
    for name in ("shuttle-minibus", "teaching-car"):
        bench = Bench(find_car(name))
        for _ in range(2):
            drawn = controls(Controls(fitted(bench), bench.live.operated, "off"))
            offered = re.findall(r'data-id="([^"]+)"', drawn)
            assert offered
            assert set(offered) <= ACTIONS
            bench.do_all(offered)


def test_a_drawing_to_look_at_has_nothing_to_press() -> None:
    """Without use the same picture has no button in it."""
    drawn = controls(Controls(frozenset({"key_run", "brake"}), frozenset({"brake"}), "off", to_use=False))
    assert "data-id" not in drawn
    assert 'role="button"' not in drawn
    assert "brake held" in drawn
    assert "" == controls(Controls(frozenset(), frozenset(), "off"))
