"""A technician's evening in the browser: a described van, its case from a pasted report."""

from __future__ import annotations

import re
from pathlib import Path

from playwright.sync_api import Page, expect

from sim.vehicle.quick_car import vehicle_file
from sim.vehicle.table_text import rows_of_table
from tests.ui.browser import button, choose, redrawn, turn_to

CARS = Path(__file__).parents[1] / "lab" / "cars"
# each with what is on the page about it
STORIES = {
    "waits": (["theory HEATER waits for TELEMATICS"], "waits (HEATER: waits for TELEMATICS at start-up)"),
    "shuts down": (["theory HEATER shuts down when code U0198 in CLIMATE"], "shuts down (HEATER: "),
    "other fuse": (["theory F22 feeds HEATER", "pull F22"], "; F22: missing)"),
}
LONG_MS = 300_000


def _van() -> str:
    rows = rows_of_table((CARS / "ferry-van.csv").read_text(encoding="utf-8"))
    return vehicle_file(rows, "Ferry van", template="van")


def _tell(page: Page, key: str, text: str) -> None:
    field = page.locator(f".st-key-{key}").locator("input, textarea").first
    field.fill(text)
    with redrawn(page):
        field.press("Tab")


def _story(page: Page, name: str, edits: list[str], words: str) -> None:
    _tell(page, "story_name", name)
    box = page.get_by_label("what it says about the car: faults, repairs, theories")
    for edit in edits:
        box.fill(edit)
        with redrawn(page):
            box.press("Enter")
        expect(page.locator(".st-key-story_edits")).to_contain_text(edit)
    page.keyboard.press("Escape")
    button(page, "Add this story")
    expect(page.get_by_text(words)).to_be_visible()


def test_from_the_pasted_report_to_the_plan_on_paper(page: Page) -> None:
    """Three stories of three kinds tie; the check that divides them comes first; so the plan."""
    turn_to(page, "Case")
    page.get_by_text("A case of your own: begin one, or open a file").click()
    _tell(page, "case_title", "The heater that went with the telematics")
    _tell(page, "case_given", "unplug TELEMATICS")
    choose(page, "case_car", "a car of mine: upload its file")
    with redrawn(page):
        page.locator(".st-key-case_own_car input[type=file]").set_input_files(
            {"name": "van.yaml", "mimeType": "text/yaml", "buffer": _van().encode()}
        )
    button(page, "Begin")
    expect(page.get_by_text("The car: Ferry van, 27 modules.")).to_be_visible()
    _tell(page, "step_do", "press start with brake\nwait 8 s")
    page.get_by_text("A scan report as text").click()
    _tell(page, "step_report", (CARS / "ferry-van-scan.txt").read_text(encoding="utf-8"))
    expect(page.get_by_text("30 of 30 lines understood.")).to_be_visible()
    button(page, "Add this scan as a step")
    page.get_by_text("Another story").click()
    for name, (edits, words) in STORIES.items():
        _story(page, name, edits, words)
    button(page, "Run the stories")
    tie = "A tie: 'waits', 'shuts down', 'other fuse' all explain everything"
    expect(page.locator(".st-key-case_found")).to_contain_text(tie, timeout=LONG_MS)
    button(page, "Propose experiments")
    proposed = page.locator(".st-key-case_proposed")
    expect(proposed).to_contain_text("Clear all codes, then scan all modules: is worth", timeout=LONG_MS)
    expect(proposed.locator("td").first).to_contain_text(re.compile("^Clear"))
    expect(proposed.get_by_role("region", name="check plan")).to_contain_text("1. Clear all codes")
    for paper in ("Check plan to print", "Picture (SVG)", "Text"):
        expect(page.get_by_role("button", name=paper)).to_be_visible()
    expect(page.get_by_role("button", name="Shop report to print")).to_be_visible()
