"""Fuse boxes as pictures, against the lists of the service information and what was found."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from streamlit.testing.v1 import AppTest

from sim.bench.bench import Bench
from sim.catalogue import find_car, shipped_cars, shipped_exercises
from sim.instruments.service import ServiceInformation
from sim.training.attempt import Attempt
from sim.training.exercise import read_exercise
from sim.vehicle.quick_car import TableRow, vehicle_file
from sim.vehicle.reading import car_from_text
from tests.ui.drawn import has_drawn
from tests.ui.test_pages import held_of, opened
from ui.drawing.fuse_box import BLADES, boxes_of, fuse_box
from ui.state.visible import Visible, all_visible, visible_to_student

# The tables in four trade articles on blade fuses (SAE J1284, ISO 8820-3) agree on these colors.
PUBLISHED = {
    1: "black", 2: "gray", 3: "violet", 4: "pink", 5: "tan", 7.5: "brown", 10: "red", 15: "blue",
    20: "yellow", 25: "clear", 30: "green", 40: "orange",
}  # fmt: skip


def labels(car: str, visible: Visible) -> dict[str, str]:
    """What each place of all boxes says, by its `data-id`."""
    described = find_car(car)
    drawn = "".join(fuse_box(described, box, visible) for box in boxes_of(described))
    return dict(re.findall(r'data-id="([^"]+)".*?aria-label="([^"]+)"', drawn))


def luminance(color: str) -> float:
    """Relative luminance by WCAG 2.2."""
    digits = color[1:] if len(color) == 7 else "".join(2 * digit for digit in color[1:])
    parts = [int(digits[place : place + 2], 16) / 255 for place in (0, 2, 4)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_blades_have_the_colors_of_their_ratings() -> None:
    """Each rating has the color that technicians know, and digits that can be read on it (WCAG 1.4.3)."""
    assert PUBLISHED == {rating_a: name for rating_a, (name, _, _) in BLADES.items()}
    for _, paint, digits in BLADES.values():
        dark, light = sorted((luminance(paint), luminance(digits)))
        assert 4.5 <= (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("car", shipped_cars())
def test_each_fuse_is_drawn_once_in_its_box_as_the_list_says(car: str) -> None:
    """Boxes hold every fuse and relay of the lists, each in its place, with rating and purpose."""
    described = find_car(car)
    papers = ServiceInformation(described)
    visible = all_visible(Bench(described))
    said = labels(car, visible)
    assert {f"fuse {one.name}" for one in papers.fuses} | {
        f"relay {one.name}" for one in papers.relays
    } == set(said)
    for one in papers.fuses:
        color = f", {PUBLISHED[one.rating_a]}" if one.rating_a in PUBLISHED else ""
        title = f", {one.title}" if one.title else ""
        assert f"fuse {one.name}, {one.rating_a:g} A{color}{title}: in its place" == said[f"fuse {one.name}"]
        assert f'data-id="fuse {one.name}"' in fuse_box(described, one.location, visible)


def test_a_fuse_that_is_out_is_an_empty_holder() -> None:
    """In the free bay a pulled fuse and a pulled relay are drawn as out, and nothing else is."""
    bench = Bench(find_car("teaching-car"))
    bench.do_all(["pull F3", "pull K2"])
    said = labels("teaching-car", all_visible(bench))
    out = [name for name, words in said.items() if words.endswith("out of its holder, or blown")]
    assert ["fuse F3", "relay K2"] == out


def test_a_hidden_missing_fuse_shows_only_once_it_was_inspected() -> None:
    """Before, the picture is that of the whole car, byte for byte; after, it is an empty holder."""
    exercise = read_exercise(shipped_exercises()["02-left-in-storage"])
    attempt = Attempt.begin(exercise)
    missing = next(text.removeprefix("pull ") for text in exercise.arrives if text.startswith("pull "))
    car = exercise.whole_car
    box = car.claimed.fuses[missing].location
    whole = replace(visible_to_student(attempt), out=frozenset())
    assert missing in attempt.bench.car.harness.pulled
    assert fuse_box(car, box, whole) == fuse_box(car, box, visible_to_student(attempt))
    attempt.do(f"look {missing}")
    other = next(name for name in boxes_of(car)[box] if name != missing)
    attempt.do(f"look {other}")
    drawn = fuse_box(car, box, visible_to_student(attempt))
    assert [f"fuse {missing}"] == re.findall(r'class="holder out" data-id="([^"]+)"', drawn)
    assert [other] == [
        one.split()[1] for one in re.findall(r'class="holder checked" data-id="([^"]+)"', drawn)
    ]


@pytest.mark.parametrize("part", ["fuse F3", "relay K1", "ground G2", "box engine bay"])
def test_each_kind_of_part_opens_in_the_panel_part(part: str) -> None:
    """A chosen fuse, relay, ground point or box tells about itself; a fuse can be pulled and fitted there."""
    held = held_of("teaching-car.yaml")
    app: AppTest = opened("bay", held, "Part")
    app.session_state["part"] = part
    app.run()
    assert part == app.selectbox(key="part").value
    assert has_drawn(app, ": in its place") is not part.startswith("ground")
    if part == "fuse F3":
        app.button(key="pull F3").click().run()
        assert "pull F3" in held.bench.log
        assert "Fit F3" in [one.label for one in app.button]
        assert has_drawn(app, "holder out picked")


def test_a_number_of_two_boxes_is_printed_alone_in_each() -> None:
    """The picture shows F5 in both boxes, as the diagram prints it; which one is picked is told apart."""
    rows = [TableRow("ECM", "main", fuse="F5 in engine bay"), TableRow("BCM", "main", fuse="F5 in cabin")]
    car = car_from_text(vehicle_file(rows), "table")
    for box, ident in {"engine bay": "fuse F5-engine-bay", "cabin": "fuse F5-cabin"}.items():
        drawn = fuse_box(car, box, all_visible(Bench(car)))
        assert f'data-id="{ident}"' in drawn
        assert "<b>F5</b>" in drawn
