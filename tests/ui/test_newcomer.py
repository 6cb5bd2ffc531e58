"""What a newcomer does on the first page, with a count of clicks and of keys."""

from playwright.sync_api import Locator, Page, expect

from tests.ui.browser import button, go, panel, pick, redrawn, turn_to

COUNT = """
window.clicks = 0; window.keys = 0;
document.addEventListener('click', (event) => { if (event.isTrusted) window.clicks += 1; }, true);
document.addEventListener('keydown', () => { window.keys += 1; }, true);
"""
MOST_CLICKS = 9
PATIENCE_MS = 300_000  # it waits for a result, it does not measure


def next_step(page: Page) -> None:
    """Press the step that the strip offers."""
    with redrawn(page):
        page.locator(".st-key-next_step button").click()


def test_the_first_fault_is_found_repaired_and_proved_in_nine_clicks(page: Page) -> None:
    """From the first page to an empty report in at most nine clicks, and without a key."""
    page.evaluate(COUNT)
    button(page, "Find the fault")
    proved = page.get_by_text("Found, repaired, proven.")
    while not proved.count() and page.evaluate("window.clicks") <= MOST_CLICKS:
        next_step(page)
    expect(proved).to_be_visible()
    clicks, keys = page.evaluate("[window.clicks, window.keys]")
    print(f"\nfirst proven fault: {clicks} clicks")
    assert clicks <= MOST_CLICKS
    assert 0 == keys


def test_from_a_finding_to_its_repair_it_is_one_click(page: Page) -> None:
    """The answer to why names the pulled fuse, and the strip fits it."""
    button(page, "Find the fault")
    for _ in range(3):
        next_step(page)
    expect(page.locator(".st-key-because")).to_contain_text("F5")
    page.evaluate(COUNT)
    button(page, "Fit F5")
    assert 1 == page.evaluate("window.clicks")
    panel(page, "Log")
    expect(page.locator(".st-key-log")).to_contain_text("fit F5")


def test_a_module_picked_on_the_first_page_is_open_in_the_bay(page: Page) -> None:
    """The map of the first page is live: what is picked begins the work there."""
    pick(page, "module CLUSTER")
    expect(page.locator(".st-key-headline")).to_contain_text("Six modules")
    expect(page.locator(".st-key-module_state")).to_be_visible()


def test_each_door_leads_to_its_first_result(page: Page, address: str) -> None:
    """I learn: an exercise's work order; I teach: the door; I have a car to solve: a case's table."""
    for words, result in (
        ("Exercises, in a class or alone", _an_exercise),
        ("Open a class", lambda page: page.get_by_role("heading", name="Teach")),
        ("Tell its story", _a_table_of_stories),
    ):
        button(page, words)
        expect(result(page)).to_be_visible(timeout=PATIENCE_MS)
        page.context.clear_cookies()
        go(page, address)


def _an_exercise(page: Page) -> Locator:
    button(page, "Practice on my own")
    with redrawn(page):
        page.locator("[class*='st-key-take-'] button").first.click()
    return page.locator(".st-key-order")


def _a_table_of_stories(page: Page) -> Locator:
    button(page, "Open it")
    button(page, "Run the stories")
    return page.locator(".st-key-case_found")


def test_the_way_back_to_what_was_begun(page: Page) -> None:
    """After work in the bay the first page leads back to it."""
    button(page, "Find the fault")
    next_step(page)
    turn_to(page, "Start")
    with redrawn(page):
        page.get_by_role("button", name="Back to the Six modules").click()
    expect(page.locator(".st-key-strip")).to_contain_text("press start")
