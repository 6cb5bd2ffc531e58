"""The map in small on a phone, and the projector view."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

from sim.bench.bench import Bench
from sim.catalogue import find_car, shipped_cars
from tests.ui.browser import button, pick, redrawn
from tests.ui.walks import JOB, resize
from ui.drawing.mini_map import mini_map
from ui.panels.projector import TYPE_PX
from ui.state.visible import all_visible

# how large the type of each word is on the screen, in px of CSS
TYPE_OF_WORDS = """(words) => words.map((one) => [
  parseFloat(getComputedStyle(one).fontSize) * one.getBoundingClientRect().height / one.getBBox().height,
  one.textContent])"""


@pytest.mark.parametrize("name", shipped_cars())
def test_the_small_map_has_each_module_once_with_its_state(name: str) -> None:
    """Every module is there, bus after bus, and its label says what the large map says."""
    bench = Bench(find_car(name))
    bench.do_all(["pull F3", "wait 2 s"])
    visible = all_visible(bench)
    drawn = re.findall(r'data-id="module ([^"]+)".*?aria-label="([^"]+)"', mini_map(bench.base, visible))
    assert sorted(visible.modules) == sorted(module for module, _ in drawn)
    assert all(f"{module}: {visible.modules[module].word}" == label for module, label in drawn)
    shapes = re.findall(r'<g class="(\w+)">', mini_map(bench.base, visible))
    assert [visible.modules[module].shape for module, _ in drawn] == shapes


def test_on_a_phone_a_small_map_stays_in_sight_and_a_class_can_be_shown_large_type(page: Page) -> None:
    """The strip stays while the page is scrolled, and opens a part; the projector view comes and goes."""
    button(page, "The bakery's car")
    page.set_viewport_size({"width": 390, "height": 844})
    small = page.locator(".mini [data-id='module ECM']")
    expect(small).to_be_visible()
    page.get_by_text("Words on this page").scroll_into_view_if_needed()
    expect(small).to_be_in_viewport()
    pick(page, "module ECM")
    expect(page.get_by_text("engine control module").first).to_be_visible()
    page.set_viewport_size({"width": 1920, "height": 1080})
    expect(small).to_have_count(0)
    button(page, "Projector")
    expect(page.get_by_test_id("stHeader")).to_be_hidden()
    expect(page.locator("html")).to_have_css("font-size", f"{TYPE_PX}px")
    button(page, "Leave the projector view")
    expect(page.get_by_test_id("stHeader")).to_be_visible()


def test_all_words_on_the_map_of_forty_one_modules_can_be_read(page: Page) -> None:
    """The smallest type on the minibus's map is 11 px on a laptop and a phone, and 19 px on a
    projector, where a switch shows the whole map at once."""
    button(page, JOB)
    words = page.locator("svg.map[role=group] text")
    for size, least_px in (("laptop", 11), ("phone", 11), ("projector", 19)):
        resize(page, size)
        if size == "projector":
            button(page, "Projector")
        for way, drawing in (("by bus", "Map of"), ("in the car", "Plan of")):
            with redrawn(page):
                page.locator(".st-key-map_way").get_by_text(way).click()
            expect(page.locator(f"svg.map[role=group][aria-label^='{drawing}']")).to_be_visible()
            smallest_px, word = min(words.filter(visible=True).evaluate_all(TYPE_OF_WORDS))
            assert least_px <= smallest_px, f"{word} on a {size}, {way}"
    page.locator(".st-key-map_way").get_by_text("by bus").click()
    page.get_by_text("whole map at once").click()
    expect(page.locator("svg.map[role=group][aria-label^='Map of']")).to_be_in_viewport(ratio=1)
