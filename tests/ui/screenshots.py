"""Pictures of every page: `python -m tests.ui.screenshots FOLDER`, at two sizes, light and dark."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import Page

from tests.ui.browser import browser, button, front_end, panel, settled

SIZES = {"laptop": (1366, 768), "phone": (390, 844)}
JOB = "The minibus without its trailer socket"


def _shot(page: Page, folder: Path, name: str) -> None:
    page.wait_for_timeout(600)
    # Streamlit scrolls inside the page, so the whole of it is seen only in a window as tall as its content
    height = page.evaluate("document.querySelector('[data-testid=stMain]').scrollHeight")
    size = page.viewport_size
    assert size is not None
    page.set_viewport_size({"width": size["width"], "height": max(size["height"], min(int(height), 6000))})
    page.wait_for_timeout(400)
    page.screenshot(path=folder / f"{name}.png")
    page.set_viewport_size(size)


def _walk(page: Page, address: str, shot: Callable[[str], None]) -> None:
    page.goto(address)
    settled(page)
    shot("welcome")
    button(page, JOB)
    page.wait_for_selector(".st-key-panel")
    settled(page)
    shot("bay-seat")
    button(page, "Press start with brake")
    panel(page, "Tester")
    button(page, "Scan all modules")
    shot("bay-tester")
    panel(page, "Why")
    shot("bay-why")
    page.locator("[data-id='module TRM']").click()
    settled(page)
    shot("bay-part")
    panel(page, "Work")
    shot("bay-work")
    panel(page, "Log")
    shot("bay-log")
    page.goto(page.url.replace("/bay", "/suppose"))
    settled(page)
    page.get_by_role("button", name="Play").first.click()
    settled(page, 60_000)
    shot("suppose")
    page.goto(page.url.replace("/suppose", "/car"))
    settled(page)
    shot("car")


def main(folder: Path) -> None:
    """Take all pictures."""
    folder.mkdir(parents=True, exist_ok=True)
    chromium = shutil.which("chromium")
    if chromium is None:
        sys.exit("the program chromium is not installed on this machine")
    with front_end() as address, browser(chromium) as started:
        for size, (width, height) in SIZES.items():
            for scheme in ("light", "dark"):
                page = started.new_page(viewport={"width": width, "height": height}, color_scheme=scheme)  # type: ignore[arg-type]

                def shot(name: str, page: Page = page, kind: str = f"{size}-{scheme}") -> None:
                    _shot(page, folder, f"{name}-{kind}")

                _walk(page, address, shot)
                page.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
