"""How fast a click is answered, measured in a real browser."""

import os
import re
import time

from playwright.sync_api import Page, expect

from tests.ui.browser import button, pick, redrawn
from tests.ui.conftest import address, page, records_url, started  # noqa: F401
from tests.ui.test_browser import MINIBUS, choose

ANSWER_WITHIN_S = 1.0
CLICKS = 24


def test_a_click_is_answered_fast(page: Page) -> None:  # noqa: F811
    """An edit of the 41-module car, ten seconds of its time and the new map."""
    choose(page, "a car that comes with busbay", MINIBUS)
    button(page, "Into the bay")
    with redrawn(page):
        page.get_by_role("link", name="Bay").first.click()
    button(page, "Press start with brake")
    pick(page, "module PARK-BRAKE")
    times_s = []
    for count in range(CLICKS):
        verb, after = ("Unplug", "no supply") if count % 2 == 0 else ("Plug", "running")
        pressed = page.get_by_role("button", name=f"{verb} PARK-BRAKE.C1", exact=True)
        start_s = time.perf_counter()
        pressed.click()
        expect(page.locator("[data-id='module PARK-BRAKE']")).to_have_attribute(
            "aria-label", re.compile(after)
        )
        times_s.append(time.perf_counter() - start_s)
    times_s.sort()
    p50_s, p95_s = times_s[len(times_s) // 2], times_s[int(0.95 * len(times_s))]
    print(f"\nclick to new map: median {p50_s * 1000:.0f} ms, 95th percentile {p95_s * 1000:.0f} ms")
    # other work on the machine is not the front end's fault
    crowd = max(1.0, os.getloadavg()[0] / (os.cpu_count() or 1))
    assert p95_s < ANSWER_WITHIN_S * crowd
