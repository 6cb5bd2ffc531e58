"""Pictures of every page: `python -m tests.ui.screenshots FOLDER`, at three sizes, light and dark.

`python -m tests.ui.screenshots FOLDER student` takes those of a student's pages only.
`python -m tests.ui.screenshots FOLDER class` takes the instructor's pages only.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from playwright.sync_api import Page

from sim.training.exercise import shipped_exercises
from sim.training.records import RECORDS_VARIABLE, Records
from tests.ui.browser import browser, button, front_end, go, opened, panel, pick, redrawn

SIZES = {"laptop": (1366, 768), "phone": (390, 844), "projector": (1920, 1080)}
PASSPHRASE = "correct horse battery"
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
    go(page, page.url.replace("/suspects", "/pairs"))
    shot("pairs")
    go(page, page.url.replace("/pairs", "/case"))
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


def _classroom(page: Page, records: Records, shot: Callable[[str], None]) -> None:
    """The instructor's pages, with a class that is at work."""
    go(page, f"{page.url.split('?')[0].rsplit('/', 1)[0]}/instructor")
    shot("door")
    if page.get_by_label("once more").count():
        page.get_by_label("passphrase, 10").fill(PASSPHRASE)
        page.get_by_label("once more").fill(PASSPHRASE)
        button(page, "Choose it")
    else:
        page.get_by_label("passphrase").fill(PASSPHRASE)
        button(page, "Come in")
    group = _class_at_work(records)
    base = page.url.split("?")[0].rsplit("/", 1)[0]
    for name in ("classes", "board", "author"):
        go(page, f"{base}/{name}?class={group}")
        shot(name)
    go(page, f"{base}/replay?attempt={records.attempts_of_classes()[0].attempt_id}")
    for _ in range(3):
        button(page, "Next")
    shot("replay")


def _class_at_work(records: Records) -> int:
    """A class of six: solved, stuck, not begun. Names are invented."""
    group = records.open_class("Tuesday evening")
    names = list(shipped_exercises())
    tasks = [
        records.assign(group.id, shipped_exercises()[names[place]].read_text("utf-8"), practice=place == 0)
        for place in (0, 1)
    ]
    actions = [
        "press start",
        "wait 5 s",
        "scan",
        "save before",
        "look F2",
        "fit F2",
        "clear",
        "wait 10 s",
        "scan",
    ]
    for number, name in enumerate(("Amara Osei", "Bo Lindqvist", "Cy", "Dara Ní Bhriain", "Edda", "Farouk")):
        student, _ = records.join(group.join_code, name)
        if number == 5:
            continue
        work = records.begin(tasks[1], student.id)
        for action in actions[: 9 - 2 * number]:
            work.do(action)
        if number == 0:
            work.hand_in(["pull F2"])
        if number == 2:
            for part in ("ECM.C1.3", "TCM.C1.3", "ABS.C1.3"):
                work.do(f"mend {part}")
            work.hint()
            work.hint()
    return group.id


def _choose(page: Page, label: str, option: str) -> None:
    box = page.get_by_label(label).first
    box.click()
    box.fill(option)
    with redrawn(page):
        page.get_by_role("option", name=option).first.click()


Shot = Callable[[str], None]
Walk = Callable[[Page, Records, Shot], None]
WALKS: dict[str, Walk] = {
    "car": lambda page, records, shot: _walk(page, shot),
    "student": lambda page, records, shot: _student(page, shot),
    "class": _classroom,
}


def main(folder: Path, walks: list[Walk]) -> None:
    """Take all pictures of these walks."""
    folder.mkdir(parents=True, exist_ok=True)
    chromium = shutil.which("chromium")
    if chromium is None:
        sys.exit("the program chromium is not installed on this machine")
    with tempfile.TemporaryDirectory() as own:
        url = f"sqlite:///{own}/classes.sqlite"
        settings = {RECORDS_VARIABLE: url, "XDG_DATA_HOME": own}
        with front_end(**settings) as address, browser(chromium) as started:
            records = Records(url)
            for size, (width, height) in SIZES.items():
                for scheme in ("light", "dark"):
                    for walk in walks:
                        viewport = {"width": width, "height": height}
                        page = opened(started, address, viewport=viewport, color_scheme=scheme)

                        def shot(name: str, page: Page = page, kind: str = f"{size}-{scheme}") -> None:
                            _shot(page, folder, f"{name}-{kind}")

                        walk(page, records, shot)
                        page.close()
            records.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), [WALKS[name] for name in sys.argv[2:] or WALKS])
