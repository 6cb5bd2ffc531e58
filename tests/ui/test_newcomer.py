"""Ten things that a newcomer wants, with a count of the clicks and keys that each takes.

From the first page: a fault found, repaired and proved; the reason of a code; its repair; an exercise begun,
its hint, its hand-in; the instructor's door; a table of stories; what was begun; a class joined. An example
of the lab and a car described are in `test_navigation`.
"""

from playwright.sync_api import Page, expect

from sim.training.records import Records
from tests.ui.browser import at_most, button, go, panel, pick, redrawn, turn_to

MOST_CLICKS = 9
PATIENCE_MS = 300_000  # it waits for a result, it does not measure


def next_step(page: Page) -> None:
    """Press the step that the strip offers."""
    with redrawn(page):
        page.locator(".st-key-next_step button").click()


def test_the_first_fault_is_found_repaired_and_proved_in_nine_clicks(page: Page) -> None:
    """From the first page to an empty report in at most nine clicks, and without a key."""
    proved = page.get_by_text("Found, repaired, proven.")
    with at_most(page, clicks=MOST_CLICKS):
        button(page, "Find the fault")
        for _ in range(MOST_CLICKS - 1):
            if proved.count():
                break
            next_step(page)
        expect(proved).to_be_visible()


def test_the_reason_is_found_in_four_clicks_and_its_repair_is_one(page: Page) -> None:
    """The answer to why names the pulled fuse, and the strip fits it."""
    with at_most(page, clicks=4):
        button(page, "Find the fault")
        for _ in range(3):
            next_step(page)
        expect(page.locator(".st-key-because")).to_contain_text("F5")
    with at_most(page, clicks=1):
        button(page, "Fit F5")
    panel(page, "Log")
    expect(page.locator(".st-key-log")).to_contain_text("Fit F5")


def test_a_module_picked_on_the_first_page_is_open_in_the_bay(page: Page) -> None:
    """The map of the first page is live: what is picked begins the work there."""
    pick(page, "module CLUSTER")
    expect(page.locator(".st-key-headline")).to_contain_text("Six modules")
    expect(page.locator(".st-key-module_state")).to_be_visible()


def test_each_door_leads_to_its_first_result(page: Page, address: str) -> None:
    """Learn: a work order, a hint, the debrief; teach: the door; a car to solve: a table of stories."""
    with at_most(page, clicks=3):
        button(page, "Exercises, in a class or alone")
        button(page, "Practice on my own")
        with redrawn(page):
            page.locator("[class*='st-key-take-'] button").first.click()
        expect(page.locator(".st-key-order")).to_be_visible(timeout=PATIENCE_MS)
    _take_a_hint_and_hand_in(page)
    page.context.clear_cookies()
    go(page, address)
    with at_most(page, clicks=1):
        button(page, "Open a class")
        expect(page.get_by_role("heading", name="Teach")).to_be_visible()
    go(page, address)
    with at_most(page, clicks=3):
        button(page, "Tell its story")
        button(page, "Open it")
        button(page, "Run the stories")
        expect(page.locator(".st-key-case_found")).to_be_visible(timeout=PATIENCE_MS)


def _take_a_hint_and_hand_in(page: Page) -> None:
    """One click for the hint, four to the end; a cause is named by clicks alone in `test_student_browser`."""
    with at_most(page, clicks=1), redrawn(page):
        page.get_by_role("button", name="Take hint 1").click()
    expect(page.locator(".st-key-hints")).to_contain_text("Hint 1")
    with at_most(page, clicks=4):
        panel(page, "Hand in")
        for name in ("No fault found", "Hand in", "Yes, hand in"):
            button(page, name)
        expect(page.get_by_role("heading", name="Debrief")).to_be_visible()


def test_a_class_is_joined_in_four_clicks(page: Page, served_records: str) -> None:
    """The door, the code's field, the name's field, Join: and no key but those of code and name."""
    records = Records(served_records)
    code, name = records.classes.open("Friday").join_code, "Amara"
    records.close()
    with at_most(page, clicks=4, keys=len(code) + len(name)):
        button(page, "Exercises, in a class or alone")
        for label, words in (("class code", code), ("your name", name)):
            page.get_by_label(label).click()
            page.keyboard.type(words)
        button(page, "Join")
        expect(page.get_by_role("heading", name="Amara's jobs")).to_be_visible()


def test_the_way_back_to_what_was_begun(page: Page) -> None:
    """After work in the bay the first page leads back to it in one click."""
    button(page, "Find the fault")
    next_step(page)
    turn_to(page, "Start")
    with at_most(page, clicks=1), redrawn(page):
        page.get_by_role("button", name="Back to the Six modules").click()
    expect(page.locator(".st-key-strip")).to_contain_text("Press start")
