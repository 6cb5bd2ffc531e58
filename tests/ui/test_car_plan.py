"""The plan of the car from above, against the places in the car's file and what its wiring diagram joins."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from xml.etree import ElementTree

import pytest

from sim.bench.bench import Bench
from sim.catalogue import find_car, shipped_cars, shipped_exercises
from sim.instruments.service import ServiceInformation
from sim.training.attempt import Attempt
from sim.training.authoring import exercise_file, fields_of
from sim.training.exercise import exercise_from_text, read_exercise
from tests.ui.test_pages import held_of, opened
from ui.drawing.car_map import car_map
from ui.drawing.car_plan import car_plan, joined_with
from ui.drawing.layout import NARROW, WIDE, layout_of
from ui.drawing.plan_layout import (
    CENTER,
    DASH,
    FRONT,
    LEFT,
    MIDDLE,
    REAR,
    RIGHT,
    SEATS,
    Chip,
    parts_at,
    plan_of,
    sited,
    zone_of,
)
from ui.state.visible import all_visible, visible_to_student

SHAPES = ((WIDE, False), (NARROW, True))


@pytest.mark.parametrize(
    ("place", "zone"),
    [
        ("engine bay, left", (FRONT, LEFT)),
        ("behind the front bumper", (FRONT, CENTER)),
        ("right inner fender", (FRONT, RIGHT)),
        ("bulkhead left", (DASH, LEFT)),
        ("behind the glove box", (DASH, RIGHT)),
        ("steering column", (DASH, LEFT)),
        ("left side of the dash", (DASH, LEFT)),
        ("under the console", (SEATS, CENTER)),
        ("passenger door", (SEATS, RIGHT)),
        ("driver door hinge", (SEATS, LEFT)),
        ("behind the driver's seat", (MIDDLE, LEFT)),
        ("sliding door, upper", (MIDDLE, RIGHT)),
        ("under the rear seat", (MIDDLE, CENTER)),
        ("trunk, right side", (REAR, RIGHT)),
        ("right rear corner", (REAR, RIGHT)),
        ("above the rear doors", (REAR, CENTER)),
        ("upfit box", None),
        ("", None),
    ],
)
def test_the_words_of_a_place_say_where_it_is(place: str, zone: tuple[int, int] | None) -> None:
    """A technician's words of a place lead to the part of the car that he means."""
    assert zone == zone_of(place)


def overlap(one: Chip, other: Chip) -> bool:
    """Do two parts cover each other?"""
    apart_x = one.x + one.w <= other.x or other.x + other.w <= one.x
    apart_y = one.y + one.h <= other.y or other.y + other.h <= one.y
    return not (apart_x or apart_y)


@pytest.mark.parametrize("name", shipped_cars())
@pytest.mark.parametrize(("width", "upright"), SHAPES)
def test_nothing_on_the_plan_covers_anything_else(name: str, width: float, upright: bool) -> None:
    """Every part is drawn once and inside the car, none over another; what has no place is below the car."""
    plan = plan_of(find_car(name), width, upright)
    x, y, w, h = plan.body
    for chip in plan.chips:
        assert x <= chip.x
        assert y <= chip.y
        assert chip.x + chip.w <= x + w
        assert chip.y + chip.h <= y + h
    assert all(chip.y >= y + h and chip.x + chip.w <= width for chip in plan.loose)
    every = (*plan.chips, *plan.loose)
    assert [] == [(one, other) for one, other in combinations(every, 2) if overlap(one, other)]
    assert sorted(one.ident for one in sited(find_car(name))) == sorted(chip.part.ident for chip in every)


@pytest.mark.parametrize("name", [name for name in shipped_cars() if name != "six-modules"])
def test_no_part_is_without_a_zone(name: str) -> None:
    """A file says of every part where it is, and of a fuse box that is named otherwise, too."""
    assert () == plan_of(find_car(name), WIDE, upright=False).loose


@pytest.mark.parametrize("name", shipped_cars())
def test_each_part_is_in_the_zone_of_the_place_that_the_lists_give(name: str) -> None:
    """The list of places and the plan agree along the car, from engine bay to rear."""
    car = find_car(name)
    places = {one.name: one.location for one in ServiceInformation(car).locations}
    plan = plan_of(car, WIDE, upright=False)
    for chip in plan.chips:
        zone = zone_of(places.get(chip.part.name, chip.part.place))
        assert zone is not None
        start, end = plan.zones[zone[0]]
        assert start <= chip.middle[0] <= end, chip.part


@pytest.mark.parametrize("name", shipped_cars())
def test_the_plan_shows_the_states_of_the_map(name: str) -> None:
    """Each module looks the same and is called the same on both, but for its place in the car."""
    car = find_car(name)
    bench = Bench(car)
    bench.do_all(["pull F3", "wait 2 s"])
    visible = all_visible(bench)
    on_map = labels(car_map(car, layout_of(car), visible))
    on_plan = labels(car_plan(car, plan_of(car, WIDE, upright=False), visible))
    modules = {ident: words for ident, words in on_plan.items() if ident.startswith("module ")}
    assert {one: words for one, words in on_map.items() if one.startswith("module ")} == {
        one: words.partition("; ")[0] for one, words in modules.items()
    }


@pytest.mark.parametrize(("width", "upright"), SHAPES)
def test_the_words_of_a_module_are_inside_its_box(width: float, upright: bool) -> None:
    """On the minibus each name, state and count of codes lies within its box, also of a name in two lines."""
    car = find_car("shuttle-minibus")
    seen = all_visible(Bench(car))
    coded = {name: replace(one, code_count=2) for name, one in seen.modules.items()}
    drawn = car_plan(car, plan_of(car, width, upright), replace(seen, modules=coded))
    boxes = [
        one
        for one in ElementTree.fromstring(drawn).iter()
        if (one.get("data-id") or "").startswith("module ")
    ]
    assert 41 == len(boxes)
    for one in boxes:
        face = next(part for part in one.iter() if part.tag.endswith("rect"))
        top, bottom = float(face.attrib["y"]), float(face.attrib["y"]) + float(face.attrib["height"])
        words = [part for part in one.iter() if part.tag.endswith("text")]
        assert top + 2 <= float(words[0].attrib["y"]) - 0.75 * float(words[0].attrib["font-size"][:-2])
        assert float(words[-1].attrib["y"]) <= bottom - 2


def labels(svg: str) -> dict[str, str]:
    """What can be picked on a drawing, with its label."""
    found = [(one.get("data-id"), one.get("aria-label")) for one in ElementTree.fromstring(svg).iter()]
    return {str(ident): str(label) for ident, label in found if ident}


def test_a_chosen_module_is_joined_with_its_neighbors_fuses_and_ground() -> None:
    """The teaching car's ABS: TCM and X1 beside it on the bus, its fuse in the engine bay, G2."""
    joined = joined_with(find_car("teaching-car"), "module ABS")
    assert {"module TCM": "bus", "connector X1": "bus", "ground G2": "ground"} == {
        ident: by for ident, (by, _) in joined.items() if by != "feed"
    }
    assert "box engine bay" in joined
    assert {"module ABS"} == set(joined_with(find_car("teaching-car"), "fuse F3"))
    drawn = car_plan(find_car("teaching-car"), plan_of(find_car("teaching-car"), WIDE, upright=False),
                     all_visible(Bench(find_car("teaching-car"))), "module ABS")  # fmt: skip
    assert len(joined) == drawn.count('class="run ')


def test_the_plan_of_an_exercise_is_that_of_the_whole_car() -> None:
    """A hidden fault changes nothing on it before it is found."""
    exercise = read_exercise(shipped_exercises()["02-left-in-storage"])
    whole = exercise_from_text(exercise_file(fields_of(exercise) | {"arrives": "", "faults": "1"}), "whole")
    plan = plan_of(exercise.whole_car, WIDE, upright=False)
    drawn, drawn_whole = (
        car_plan(exercise.whole_car, plan, visible_to_student(Attempt.begin(one)), "module TCM")
        for one in (exercise, whole)
    )
    assert ("pull F2",) == tuple(exercise.arrives)
    assert drawn_whole == drawn


def test_the_bay_shows_the_car_by_bus_or_from_above() -> None:
    """A switch above the map changes it; the time view, which plays on the buses, has the map by buses."""
    held = held_of("small-estate.yaml")
    app = opened("bay", held)
    assert "by bus" == app.button_group(key="map_way").value
    app.button_group(key="map_way").set_value("in the car").run()
    sheets = [str(one.proto) for one in app.get("bidi_component")]
    assert any("from above: what sits where" in one for one in sheets)


def test_the_connectors_of_airbags_lamps_and_heaters_are_where_they_sit() -> None:
    """Each has its place on the minibus's plan; one that is off is told there; a place opens its parts."""
    car = find_car("shuttle-minibus")
    places = parts_at(car)
    small = [plug.id for plug in car.connectors.values() if plug.kind == "part"]
    assert len(small) > 50
    assert sorted(small) == sorted(name for names in places.values() for name in names)
    plan = plan_of(car, WIDE, upright=False)
    assert [] == [chip.part.ident for chip in plan.loose if chip.part.kind == "parts"]
    bench = Bench(car)
    bench.do("unplug horn_button")
    drawn = ElementTree.fromstring(car_plan(car, plan, all_visible(bench)))
    off = [one.get("data-id") for one in drawn.iter() if "off" in (one.get("class") or "").split()]
    assert ["parts steering wheel"] == off
    app = opened("bay", held_of("shuttle-minibus.yaml"), "Part")
    app.session_state["part"] = "parts steering wheel"
    app = app.run().button(key="open horn_button").click().run()
    assert "connector horn_button" == app.session_state["part"]
