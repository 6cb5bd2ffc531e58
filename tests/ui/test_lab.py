"""The lab in the browser: the compound case by clicks alone, and what a person tells."""

import pytest
from playwright.sync_api import Page, expect

from sim.catalogue import shipped_cases
from sim.lab.case import Evidence
from sim.lab.case_file import case_from_text, case_text, read_case
from sim.lab.telling import seen_of, seen_words
from sim.vehicle.problems import Problem
from tests.ui.browser import button, go, redrawn, turn_to

LONG_MS = 300_000


def remove(page: Page, edit: str) -> None:
    """Take an edit out of what is supposed."""
    with redrawn(page):
        page.locator(f".st-key-remove-{edit.replace(' ', '-')} button").click()


def test_the_compound_case_by_clicks_alone(page: Page) -> None:
    """A tie of two theories, the one experiment that separates them, and the cause sets of the compound."""
    turn_to(page, "Case")
    page.get_by_label("a case that comes with busbay").click()
    with redrawn(page):
        page.get_by_role("option", name="The bus that missed the ferry").click()
    button(page, "Open it")
    button(page, "Run the stories")
    found = page.locator(".st-key-case_found")
    expect(found).to_contain_text("A tie: 'line through the gearbox', 'engine waits'", timeout=LONG_MS)
    expect(found).to_contain_text("1 of 8 experiments would tell the tied stories apart")
    expect(found).to_contain_text("plug TCM; wait 5 s; scan:")
    expect(found).to_contain_text("never what a real car must do")
    button(page, "What if: its edits in all combinations")
    for edit in ("pull F1", "pull F2", "pull F3"):  # fuses that explain least: an eighth is left to play
        remove(page, edit)
    button(page, "Play all 16 combinations")
    sets = page.locator(".st-key-cause_sets")
    expect(sets).to_contain_text("TCM.C1: unplugged and ECM: waits for TCM at start-up", timeout=LONG_MS)
    expect(sets).to_contain_text("and not ")
    expect(page.locator(".st-key-cause_picture svg.causes")).to_be_visible()


def test_what_is_typed_and_supposed_with_one_click_stands_there_after_a_refresh(page: Page) -> None:
    """Text that was not sent before the click is in the list that is kept."""
    turn_to(page, "What if")
    page.get_by_label("kind").click()
    with redrawn(page):
        page.get_by_role("option", name="in words", exact=True).click()
    words = page.get_by_role("textbox", name="any edit, in words")
    words.fill("corrode G2 2 ohm")
    button(page, "Suppose this")  # the field is left by this very click
    expect(page.get_by_text("corrode G2 2 ohm", exact=True).first).to_be_visible()
    go(page, page.url)
    expect(page.get_by_text("corrode G2 2 ohm", exact=True).first).to_be_visible()
    expect(words).to_have_value("corrode G2 2 ohm")


@pytest.mark.parametrize("name", sorted(shipped_cases()))
def test_a_saved_case_is_the_same_case(name: str) -> None:
    """A case written to text and read again is equal."""
    case = read_case(shipped_cases()[name])
    assert case == case_from_text(case_text(case))


def test_what_was_told_is_told_again_in_the_same_words() -> None:
    """Sentences of what was seen survive the way into a case and back."""
    told = [
        "the starter did not turn",
        "lamp mil lit",
        "ECM is silent",
        "TCM answers",
        "GEAR-SELECTOR U0100 present",
    ]
    seen = seen_of(told, 12.4, 0.2)
    assert {"cranks": False, "lit": ["mil"], "silent": ["ECM"], "answers": ["TCM"],
            "codes": ["GEAR-SELECTOR U0100 present"], "reads": 12.4, "within": 0.2} == seen  # fmt: skip
    assert sorted([*told, "reads 12.4 ± 0.2"]) == sorted(seen_words(Evidence.model_validate(seen)))


def test_what_cannot_be_seen_is_refused_in_one_sentence() -> None:
    """A sentence that means no observation is refused with the nearest one."""
    with pytest.raises(Problem, match="nothing that can be seen"):
        seen_of(["the engine sang loudly"])
