"""The time from the first page to the first result behind each of its three doors, in a real browser.

The clicks are counted, and what they lead to is checked, in `tests/ui/test_newcomer.py`.
"""

import os
import time
from collections.abc import Callable

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.ui.browser import button, opened, redrawn
from tests.ui.conftest import profile, started  # noqa: F401
from tests.ui.walks import PASSPHRASE, fresh_front_end

WITHIN_S = 30.0  # for each door, on a quiet machine
PATIENCE_MS = 300_000  # it measures, it does not give up


def i_learn(page: Page) -> None:
    """An exercise alone: its work order."""
    button(page, "Exercises, in a class or alone")
    button(page, "Practice on my own")
    with redrawn(page):
        page.locator("[class*='st-key-take-'] button").first.click()
    expect(page.locator(".st-key-order")).to_be_visible(timeout=PATIENCE_MS)


def i_teach(page: Page) -> None:
    """A passphrase, a class, its code for the students."""
    button(page, "Open a class")
    page.get_by_label("passphrase, 10").fill(PASSPHRASE)
    page.get_by_label("once more").fill(PASSPHRASE)
    button(page, "Choose it")
    page.get_by_label("name of a new class").fill("Tuesday")
    button(page, "Open it")
    expect(page.locator(".st-key-join_code_box")).to_be_visible(timeout=PATIENCE_MS)


def i_have_a_car_to_solve(page: Page) -> None:
    """A case that ships: which of its stories explains everything that was seen."""
    button(page, "Tell its story")
    button(page, "Open it")
    button(page, "Run the stories")
    expect(page.locator(".st-key-case_found")).to_be_visible(timeout=PATIENCE_MS)


@pytest.mark.parametrize("door", [i_learn, i_teach, i_have_a_car_to_solve], ids=lambda door: door.__name__)
def test_a_door_leads_to_its_first_result_soon(started: Browser, door: Callable[[Page], None]) -> None:  # noqa: F811
    """Each from a front end that was just started, as on the first day."""
    with fresh_front_end() as (address, _):
        page = opened(started, address)
        began_s = time.monotonic()
        door(page)
        took_s = time.monotonic() - began_s
    print(f"\n{door.__name__}: {took_s:.1f} s from the first page to its first result")
    crowd = max(1.0, os.getloadavg()[0] / (os.cpu_count() or 1))  # other work is not the front end's fault
    assert WITHIN_S * crowd > took_s
