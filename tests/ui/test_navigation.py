"""The row above all pages, and the lab as one place."""

import pytest
from playwright.sync_api import Page, expect

from tests.ui.browser import at_most, button, go, redrawn, turn_to
from ui.registry import PAGES, menus_of, pages_of
from ui.state.classroom import Role
from ui.views.lab import CARDS

# addresses that people may have kept
OLD_PATHS = {
    "exercise", "desk", "welcome", "join", "bay", "diagrams", "what-if", "instead", "suspects", "pairs",
    "case", "car", "describe", "classes", "board", "replay", "author", "instructor",
}  # fmt: skip


@pytest.mark.parametrize("role", ["visitor", "student", "instructor", "at work"])
def test_a_role_has_at_most_five_entries(role: Role) -> None:
    """What stands in the row is few: single pages and menus together are five at most."""
    menus = menus_of(role)
    alone = [page for page in menus.pop("") if role not in page.aside]
    assert len(alone) + len(menus) <= 5
    assert all(len(pages) > 1 for pages in menus.values())


@pytest.mark.parametrize("role", ["visitor", "student", "instructor", "at work"])
def test_every_page_of_a_role_is_in_one_menu(role: Role) -> None:
    """The menus hold the pages of the role, each once, and none of another role."""
    listed = [page.path for pages in menus_of(role).values() for page in pages]
    assert sorted(page.path for page in pages_of(role)) == sorted(listed)


def test_old_addresses_still_lead_to_their_pages() -> None:
    """A page has a new name, and keeps its address."""
    assert OLD_PATHS <= {page.path for page in PAGES}


def test_each_page_of_the_lab_has_a_card_with_one_question() -> None:
    """The cards are the pages of the menu, under the same titles; each asks one question."""
    pages = {page.path: page.title for page in menus_of("visitor")["Lab"] if page.path != "lab"}
    assert pages == {path: card.title for path, card in CARDS.items()}
    assert [1] * len(CARDS) == [card.question.count("?") for card in CARDS.values()]


def test_every_example_opens_its_page_ready_to_run(page: Page) -> None:
    """From anywhere three clicks open a page ready to run; the car described is in the bay with one more."""
    for path, words in (
        ("what-if", "Play all 8 combinations"), ("instead", "Play both"),
        ("suspects", "Find possible causes"), ("pairs", "Run all"), ("case", "Run the stories"),
        ("describe", "Into the bay"),
    ):  # fmt: skip
        with at_most(page, clicks=3):
            turn_to(page, "All of the lab")
            with redrawn(page):
                page.locator(f".st-key-example-{path} button").click()
        assert f"/{path}" in page.url
        expect(page.get_by_role("heading", name=CARDS[path].title).first).to_be_visible()
        expect(page.get_by_role("button", name=words).first).to_be_enabled()
    with at_most(page, clicks=1):
        button(page, "Into the bay")
        expect(page.locator(".st-key-panel")).to_be_visible()


def test_an_old_address_opens_the_page_under_its_new_name(page: Page, address: str) -> None:
    """A bookmark of Suspects opens Possible causes."""
    go(page, f"{address}/suspects")
    expect(page.get_by_role("heading", name="Possible causes")).to_be_visible()


def test_an_address_without_a_page_leads_to_the_first_with_a_word(page: Page, address: str) -> None:
    """A typed address is answered in our own words, with the nearest page, and not by the framework."""
    go(page, f"{address}/learn")
    expect(page.get_by_role("heading", name="A car is in the bay")).to_be_visible()
    expect(page.get_by_text("no page 'learn' here; did you mean 'Learn'?")).to_be_visible()
    expect(page.get_by_text("Page not found")).to_have_count(0)
