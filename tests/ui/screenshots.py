"""Pictures of every page: `python -m tests.ui.screenshots FOLDER`, at three sizes, light and dark.

`python -m tests.ui.screenshots FOLDER student` takes those of a student's pages only; so do `bay`, `lab`,
and `class` (the instructor's). Everything is done once, on a laptop, and each page taken at all sizes.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from playwright.sync_api import Page

from sim.catalogue import shipped_exercises
from sim.training.records import RECORDS_VARIABLE, Records
from tests.ui.browser import (
    browser,
    button,
    drawn,
    front_end,
    go,
    name_cause,
    opened,
    panel,
    pick,
    redrawn,
    say,
)

# the last is where work goes on
SIZES = {"projector": (1920, 1080), "phone": (390, 844), "laptop": (1366, 768)}
SCHEMES: tuple[Literal["dark", "light"], ...] = ("dark", "light")
TALLEST_PX = 6000
PATIENCE_MS = 300_000
PASSPHRASE = "correct horse battery"
JOB = "The minibus without its trailer socket"


@dataclass(frozen=True, slots=True)
class Camera:
    """Takes pictures of a page, each at all sizes and in both schemes."""

    page: Page
    folder: Path

    def __call__(self, name: str) -> None:
        """The page as it stands."""
        for size, (width, height) in SIZES.items():
            self.page.set_viewport_size({"width": width, "height": height})
            drawn(self.page)
            # Streamlit scrolls inside the page: the whole of it is seen only in a window as tall as that
            tall = self.page.evaluate("document.querySelector('[data-testid=stMain]').scrollHeight")
            self.page.set_viewport_size({"width": width, "height": max(height, min(int(tall), TALLEST_PX))})
            for scheme in SCHEMES:
                self.page.emulate_media(color_scheme=scheme)
                self.page.wait_for_timeout(500)  # colors fade
                self.page.screenshot(path=self.folder / f"{name}-{size}-{scheme}.png")
            self.page.set_viewport_size({"width": width, "height": height})

    def printed(self, name: str, button_name: str) -> None:
        """The file that a button of the page downloads."""
        with self.page.expect_download() as download:
            self.page.get_by_role("button", name=button_name).click()
        started = self.page.context.browser
        assert started is not None
        paper = started.new_page()
        paper.set_content(download.value.path().read_text("utf-8"))
        paper.screenshot(path=self.folder / f"{name}.png", full_page=True)
        paper.close()


def _walk(page: Page, shot: Camera) -> None:
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
    pick(page, "module TRAILER")
    shot("bay-part")
    panel(page, "Work")
    shot("bay-work")
    panel(page, "Watch")
    shot("bay-watch")
    panel(page, "Log")
    shot("bay-log")
    _instruments(page, shot)
    open_page(page, "car")
    shot("car")


def _lab(page: Page, shot: Camera) -> None:
    """On the smallest car: on the minibus the search for possible causes alone takes minutes."""
    _choose(page, "a car that comes with busbay", "Six modules")
    button(page, "Into the bay")
    open_page(page, "bay")
    say(page, "pull F5", "press start", "scan")
    open_page(page, "what-if")
    shot("what-if-begin")
    for words in ("pull F5", "unplug ABS.C1"):
        _choose(page, "kind", "in words")
        page.get_by_role("textbox", name="any edit, in words").fill(words)
        with redrawn(page):
            page.keyboard.press("Enter")
        button(page, "Suppose this")
    with redrawn(page):
        page.get_by_role("button", name="Play").first.click()
    page.wait_for_selector(".st-key-cases", timeout=PATIENCE_MS)
    for view in ("Side by side", "Causes", "All combinations", "Hidden and alike"):
        with redrawn(page):
            page.get_by_role("radio", name=view).click()
        shot(f"what-if-{view.split()[0].lower()}")
    open_page(page, "instead")
    shot("instead-begin")
    page.get_by_label("instead of").first.fill("fit F5\npress start")
    with redrawn(page):
        page.keyboard.press("Control+Enter")
    button(page, "Play both")
    page.wait_for_selector(".st-key-branch_found", timeout=PATIENCE_MS)
    shot("instead")
    open_page(page, "suspects")
    with redrawn(page):
        page.get_by_text("not known").click()
    button(page, "Find possible causes")
    page.wait_for_selector(".st-key-suspects_found", timeout=PATIENCE_MS)
    button(page, "Find the next best check")
    page.wait_for_selector(".st-key-next_found", timeout=PATIENCE_MS)
    shot("suspects")
    open_page(page, "pairs")
    shot("pairs-begin")
    button(page, "Put them in")
    with redrawn(page):
        page.get_by_role("button", name="Run all").click()
    page.wait_for_selector(".st-key-pairs_found", timeout=PATIENCE_MS)
    shot("pairs")
    open_page(page, "case")
    shot("case-begin")
    button(page, "Open it")
    button(page, "Run the stories")
    page.wait_for_selector(".st-key-case_found", timeout=PATIENCE_MS)
    shot("case")
    shot.printed("case-print", "Report to print")
    open_page(page, "describe")
    shot("describe-begin")
    with redrawn(page):
        page.get_by_text("Begin with a recorded bus log").click()
    with redrawn(page):
        page.locator("input[type=file]").set_input_files(
            {"name": "day.log", "mimeType": "text/plain", "buffer": _recorded().encode()}
        )
    button(page, "Begin with its messages")
    shot("describe")


def _recorded() -> str:
    """A bus log in the format of candump (its manual page): time, channel, identifier#data."""
    times_s = [0.05 * step for step in range(20)]
    idents = [0x100 + 0x40 * number for number in range(12)]
    return "".join(f"({time_s:.6f}) can0 {ident:X}#0102\n" for time_s in times_s for ident in idents)


def open_page(page: Page, path: str) -> None:
    """Another page of the same session."""
    address, _, query = page.url.partition("?")
    go(page, f"{address.split('/', 3)[0]}//{address.split('/', 3)[2]}/{path}{f'?{query}' if query else ''}")


def _instruments(page: Page, shot: Camera) -> None:
    panel(page, "Measure")
    _choose(page, "red lead", "ECM.C1.6 ")
    _choose(page, "black lead", "G2 ")
    button(page, "Measure")
    shot("bay-measure")
    for kind, press in (("Ohms", "Measure"), ("Load test", "Load test")):
        with redrawn(page):
            page.locator(".st-key-measure_kind").get_by_text(kind).click()
        button(page, press)
        shot(f"bay-{kind.lower().replace(' ', '-')}")
    with redrawn(page):
        page.locator(".st-key-measure_kind").get_by_text("Inspect").click()
    _choose(page, "part to inspect", "F11 ")
    button(page, "Inspect")
    shot("bay-look")
    panel(page, "Scope")
    _choose(page, "channel 1", "TCM.C1.4 ")
    _choose(page, "channel 2", "TCM.C1.5 ")
    button(page, "Take a sweep")
    shot("bay-scope")
    open_page(page, "diagrams")
    for view in ("circuits", "connectors", "fuses", "grounds", "places", "values"):
        with redrawn(page):
            page.locator(".st-key-sheets").get_by_text(view).click()
        shot(f"diagrams-{view}")


def _student(page: Page, shot: Camera) -> None:
    """An exercise on the 41-module car from the desk to the debrief."""
    open_page(page, "join")
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
    pick(page, "silent SLIDE-DOOR")
    shot("exercise-part")
    panel(page, "Work")
    for sentence in ("look X9", "mend SLIDE-DOOR.C1.1", "plug X9"):
        page.get_by_label("or say it in words").fill(sentence)
        button(page, "Do it")
    shot("exercise-work")
    panel(page, "Log")
    shot("exercise-log")
    panel(page, "Hand in")
    name_cause(page, "X9", "unplugged")
    button(page, "Hand in")
    shot("exercise-hand-in")
    button(page, "Yes, hand in")
    shot("debrief")
    shot.printed("debrief-print", "To print")


def _classroom(page: Page, records: Records, shot: Camera) -> None:
    """The instructor's pages, with a class that is at work."""
    open_page(page, "instructor")
    shot("door")
    page.get_by_label("passphrase, 10").fill(PASSPHRASE)
    page.get_by_label("once more").fill(PASSPHRASE)
    button(page, "Choose it")
    shot("classes-begin")
    open_page(page, "author")
    shot("author-begin")
    open_page(page, "instructor")
    shot("door-inside")
    _class_at_work(records)
    for name in ("classes", "board"):
        open_page(page, name)
        shot(name)
    open_page(page, "author")
    with redrawn(page):
        page.get_by_text("Begin from an exercise").click()
    _choose(page, "exercise", "02-left-in-storage")
    button(page, "Begin from it")
    button(page, "Check it")
    page.wait_for_selector(".st-key-proven_1", timeout=PATIENCE_MS)
    shot("author")
    open_page(page, "replay")
    for _ in range(3):
        button(page, "Next")
    shot("replay")


def _class_at_work(records: Records) -> None:
    """A class of six: solved, stuck, not begun. Names are invented."""
    group = records.classes.open("Tuesday evening")
    names = list(shipped_exercises())
    tasks = [
        records.assignments.give(
            group.id, shipped_exercises()[names[place]].read_text("utf-8"), practice=place == 0
        )
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
        student, _ = records.students.join(group.join_code, name)
        if number == 5:
            continue
        work = records.attempts.begin(tasks[1], student.id)
        for action in actions[: 9 - 2 * number]:
            work.do(action)
        if number == 0:
            work.hand_in(["pull F2"])
        if number == 2:
            for part in ("ECM.C1.3", "TCM.C1.3", "ABS.C1.3"):
                work.do(f"mend {part}")
            work.hint()
            work.hint()


def _choose(page: Page, label: str, option: str) -> None:
    box = page.get_by_role("combobox", name=label).first
    box.click()
    box.fill(option)
    with redrawn(page):
        page.get_by_role("option", name=option).first.click()


Walk = Callable[[Page, Records, Camera], None]
WALKS: dict[str, Walk] = {
    "bay": lambda page, records, shot: _walk(page, shot),
    "lab": lambda page, records, shot: _lab(page, shot),
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
            for walk in walks:
                width, height = SIZES["laptop"]
                page = opened(started, address, viewport={"width": width, "height": height})
                walk(page, records, Camera(page, folder))
                page.close()
            records.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), [WALKS[name] for name in sys.argv[2:] or WALKS])
