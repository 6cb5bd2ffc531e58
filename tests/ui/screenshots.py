"""Pictures of every page: `python -m tests.ui.screenshots FOLDER`, at three sizes, light and dark.

`python -m tests.ui.screenshots FOLDER student` takes those of a student's pages only.
"""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import Page

from tests.ui.browser import browser, button, front_end, go, opened, panel, pick, redrawn

SIZES = {"laptop": (1366, 768), "phone": (390, 844), "projector": (1920, 1080)}
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


def _walk(page: Page, shot: Callable[[str], None]) -> None:
    shot("welcome")
    button(page, JOB)
    page.wait_for_selector(".st-key-panel")
    shot("bay-seat")
    button(page, "Press start with brake")
    panel(page, "Tester")
    button(page, "Scan all modules")
    shot("bay-tester")
    pick(page, "silent ECM")
    shot("bay-why")
    pick(page, "module TRM")
    shot("bay-part")
    panel(page, "Work")
    shot("bay-work")
    panel(page, "Log")
    shot("bay-log")
    _instruments(page, shot)
    go(page, page.url.replace("/diagrams", "/what-if"))
    with redrawn(page):
        page.get_by_role("button", name="Play").first.click()
    page.wait_for_selector(".st-key-cases", timeout=120_000)
    shot("what-if")
    _lab(page, shot)
    go(page, page.url.replace("/case", "/car"))
    shot("car")
    _described(page, shot)


def _lab(page: Page, shot: Callable[[str], None]) -> None:
    go(page, page.url.replace("/what-if", "/instead"))
    page.get_by_label("instead of").first.fill("plug TRM\nfit F11\npress start with brake\nwait 10 s")
    with redrawn(page):
        page.keyboard.press("Control+Enter")
    button(page, "Play both")
    page.wait_for_selector(".st-key-branch_found", timeout=120_000)
    shot("instead")
    go(page, page.url.replace("/instead", "/suspects"))
    button(page, "Find the suspects")
    page.wait_for_selector(".st-key-suspects_found", timeout=300_000)
    shot("suspects")
    go(page, page.url.replace("/suspects", "/case"))
    button(page, "Open it")
    shot("case")


def _described(page: Page, shot: Callable[[str], None]) -> None:
    go(page, page.url.replace("/car", "/describe"))
    shot("describe")


def _instruments(page: Page, shot: Callable[[str], None]) -> None:
    panel(page, "Measure")
    _choose(page, "red lead", "ECM.C1.6 ")
    _choose(page, "black lead", "G2 ")
    button(page, "Measure")
    shot("bay-measure")
    for kind, press in (("Ohms", "Measure"), ("Lamp", "Hold the lamp there")):
        with redrawn(page):
            page.locator(".st-key-measure_kind").get_by_text(kind).click()
        button(page, press)
        shot(f"bay-{kind.lower()}")
    with redrawn(page):
        page.locator(".st-key-measure_kind").get_by_text("Look").click()
    _choose(page, "look at", "F11 ")
    button(page, "Look")
    shot("bay-look")
    panel(page, "Scope")
    _choose(page, "channel 1", "TCM.C1.4 ")
    _choose(page, "channel 2", "TCM.C1.5 ")
    button(page, "Take a sweep")
    shot("bay-scope")
    go(page, page.url.replace("/bay", "/diagrams"))
    for view in ("circuits", "connectors", "fuses", "grounds", "places", "values"):
        with redrawn(page):
            page.locator(".st-key-sheets").get_by_text(view).click()
        shot(f"diagrams-{view}")


def _student(page: Page, shot: Callable[[str], None]) -> None:
    """An exercise on the 41-module car from the desk to the debrief."""
    go(page, page.url.partition("?")[0].rstrip("/") + "/join")
    shot("join")
    button(page, "Open a desk of my own")
    shot("desk")
    with redrawn(page):
        page.locator(".st-key-take-16-seats-out button").click()
    shot("exercise-order")
    panel(page, "Seat")
    button(page, "Press start with brake")
    panel(page, "Tester")
    button(page, "Scan all modules")
    shot("exercise-tester")
    pick(page, "silent SLD")
    shot("exercise-part")
    panel(page, "Work")
    for sentence in ("look X9", "mend SLD.C1.1", "plug X9"):
        page.get_by_label("or say it in words").fill(sentence)
        button(page, "Do it")
    shot("exercise-work")
    panel(page, "Log")
    shot("exercise-log")
    panel(page, "Hand in")
    _choose(page, "causes", "unplug X9")
    page.keyboard.press("Escape")
    button(page, "Hand in")
    shot("exercise-hand-in")
    button(page, "Yes, hand in")
    shot("debrief")


def _choose(page: Page, label: str, option: str) -> None:
    box = page.get_by_label(label).first
    box.click()
    box.fill(option)
    with redrawn(page):
        page.get_by_role("option", name=option).first.click()


def main(folder: Path, walks: tuple[Callable[[Page, Callable[[str], None]], None], ...]) -> None:
    """Take all pictures of these walks."""
    folder.mkdir(parents=True, exist_ok=True)
    chromium = shutil.which("chromium")
    if chromium is None:
        sys.exit("the program chromium is not installed on this machine")
    with front_end() as address, browser(chromium) as started:
        for size, (width, height) in SIZES.items():
            for scheme in ("light", "dark"):
                page = opened(
                    started, address, viewport={"width": width, "height": height}, color_scheme=scheme
                )

                def shot(name: str, page: Page = page, kind: str = f"{size}-{scheme}") -> None:
                    _shot(page, folder, f"{name}-{kind}")

                for walk in walks:
                    walk(page, shot)
                page.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), (_student,) if sys.argv[2:] == ["student"] else (_walk, _student))
