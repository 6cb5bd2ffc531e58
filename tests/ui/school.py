"""What teachers and students do on the pages of a class, each in a browser of their own."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from contextlib import contextmanager
from io import StringIO
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, FilePayload, Locator, Page, expect

from sim.training.records import RECORDS_VARIABLE
from tests.ui.browser import (
    LAPTOP,
    TRIES,
    button,
    choose_several,
    front_end,
    go,
    named,
    opened,
    panel,
    pill,
    redrawn,
)

PASSPHRASE = "correct horse battery"
SOON_MS = 15_000  # an open page asks for news every few seconds


@contextmanager
def class_served(folder: Path) -> Iterator[str]:
    """The address of a front end with new records, all of whose files are in this folder."""
    with front_end(
        **{RECORDS_VARIABLE: f"sqlite:///{folder}/classes.sqlite", "XDG_DATA_HOME": str(folder)}
    ) as it:
        yield it


# -- a teacher ----------------------------------------------------------------------------------------------


def choose_passphrase(started: Browser, address: str) -> Page:
    """The first instructor of a server comes in."""
    page = opened(started, f"{address}/instructor", viewport=LAPTOP)
    page.get_by_label("passphrase, 10").fill(PASSPHRASE)
    page.get_by_label("once more").fill(PASSPHRASE)
    button(page, "Choose it")
    expect(page.get_by_label("name of a new class")).to_be_visible()
    page.wait_for_function("document.cookie.includes('busbay_instructor=')")
    return page


def sign_in(started: Browser, address: str, name: str, passphrase: str) -> Page:
    """An instructor comes in by name, where there are several."""
    page = opened(started, f"{address}/instructor", viewport=LAPTOP)
    page.get_by_label("your name").fill(name)
    page.get_by_label("passphrase").fill(passphrase)
    button(page, "Sign in")
    expect(page.get_by_label("name of a new class")).to_be_visible()
    return page


def open_class(page: Page, address: str, name: str) -> str:
    """Open a class and read its code off the screen."""
    go(page, f"{address}/classes")
    page.get_by_label("name of a new class").fill(name)
    button(page, "Open it")
    label = page.locator(".joincode").get_attribute("aria-label")
    assert label is not None
    return label.removeprefix("class code ").replace(" ", "")


def unfold(page: Page, words: str) -> Locator:
    """Open a part of the page by its heading, and see it open."""
    part = page.get_by_test_id("stExpander").filter(has=page.get_by_text(words, exact=True))
    with redrawn(page, nothing_asked_ms=0):
        part.get_by_text(words, exact=True).click()
    return part


def admit_by(page: Page, class_list: str) -> None:
    """Give the class a list from the school's platform."""
    with redrawn(page):
        unfold(page, "Who may join").locator("input[type=file]").set_input_files(_csv(class_list))
    button(page, "Take this list")


def _csv(text: str) -> FilePayload:
    return {"name": "class.csv", "mimeType": "text/csv", "buffer": text.encode("utf-8-sig")}


def give(page: Page, exercise: str, title: str) -> None:
    """Give the class an exercise to practice."""
    choose_several(page, "give the class, in this order", exercise)
    button(page, "Give")
    expect(page.locator(".st-key-given_table")).to_contain_text(title)


def give_exam(page: Page, exercise: str, title: str, lasts_min: int) -> None:
    """Give the class an exercise as an exam."""
    pill(page, "give_how", "exam: every step stays")
    with redrawn(page):
        page.get_by_label("lasts, min (0: no end)").fill(f"{lasts_min}")
        page.keyboard.press("Tab")
    give(page, exercise, title)


def on_the_board(page: Page, student: str) -> Locator:
    """The line of a student."""
    return page.locator(".st-key-board tr", has_text=student)


def pick_on_the_board(page: Page, student: str, offers: str) -> None:
    """Choose a student by a click on the line, and press what the page offers for this student."""
    for _ in range(TRIES):
        # the board is drawn again every few seconds: a click may meet that instant
        with redrawn(page):
            on_the_board(page, student).click()
        if named(page, offers).is_visible():
            break
    button(page, offers)


def tick(page: Page, words: str) -> None:
    """Check a box by what it says."""
    with redrawn(page):
        page.get_by_text(words).click()
    expect(page.get_by_role("checkbox", name=words)).to_be_checked()


def downloaded(page: Page, name: str) -> list[dict[str, str]]:
    """The lines of a CSV file that a button of the page saves."""
    with page.expect_download() as download:
        page.get_by_role("button", name=name).click()
    text = download.value.path().read_text("utf-8-sig")
    return list(csv.DictReader(StringIO(text, newline="")))


# -- a student ----------------------------------------------------------------------------------------------


def join(started: Browser, address: str, code: str, name: str, **options: Any) -> Page:
    """Come into a class by its code, with a browser of one's own."""
    page = opened(started, f"{address}/join", **({"viewport": LAPTOP} | options))
    page.get_by_label("class code").fill(code)
    page.get_by_label("your name").fill(name)
    button(page, "Join")
    return page


def sit_with(page: Page, partner: str) -> None:
    """Say who works at the same desk."""
    button(page, "Two work together")
    page.get_by_label("name of the second").fill(partner)
    button(page, "Keep it")
    expect(page.get_by_role("button", name=f"Together with {partner}")).to_be_visible()


def take_the_tools(page: Page, who: str) -> None:
    """Say which of the two does what comes next."""
    pill(page, "tools_of", who)


def name_no_fault(page: Page) -> None:
    """Hand in that nothing is wrong with the car."""
    panel(page, "Hand in")
    for words in ("No fault found", "Hand in", "Yes, hand in"):
        button(page, words)


def keep_a_pin(page: Page, pin: str) -> None:
    """Choose a PIN for shared computers."""
    button(page, "PIN for shared computers")
    page.get_by_label("a PIN of 4 to 8 digits").fill(pin)
    button(page, "Choose it")
    expect(page.get_by_text("The PIN is kept.")).to_be_visible()


def come_back(page: Page, code: str, name: str, pin: str) -> None:
    """Try to come back by name and PIN."""
    if not page.get_by_label("PIN", exact=True).is_visible():
        unfold(page, "Back by name and PIN")
    page.get_by_label("code of your class").fill(code)
    page.get_by_label("the name that you joined with").fill(name)
    page.get_by_label("PIN", exact=True).fill(pin)
    button(page, "Back to my jobs")


def leave(page: Page) -> None:
    """Have this browser forget the jobs."""
    button(page, "Leave these jobs")
    button(page, "Leave")
