"""The walks through all pages, each page in the states that a person meets; `shot` is called at each state.

Pictures are taken on them (`tests.ui.screenshots`), and what assistive technology gets is checked
(`tests/ui/test_accessible.py`).
"""

from __future__ import annotations

import re
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from io import BytesIO
from typing import Literal, Protocol

from PIL import Image
from playwright.sync_api import Browser, Page, expect

from sim.catalogue import shipped_exercises
from sim.training.records import RECORDS_VARIABLE, Records
from tests.ui.browser import (
    TRIES,
    button,
    front_end,
    go,
    opened_alone,
    panel,
    pick,
    pill,
    redrawn,
    say,
    still,
)

# the last is where work goes on
SIZES = {"projector": (1920, 1080), "phone": (390, 844), "laptop": (1366, 768)}
# 1280 by 1024 pixels, the window that WCAG 2.2 reckons with in 1.4.10, at the 200 % of 1.4.4
ZOOMED = {"zoomed": (640, 512)}
Scheme = Literal["dark", "light"]
# the ground is as dark as the scheme says (a page for a projector has another one), and nothing fades
SETTLED = """(scheme) => {
  const [red] = getComputedStyle(document.querySelector('[data-testid=stApp]')).backgroundColor.match(/\\d+/);
  return (red < 128) === (scheme === 'dark') && !document.getAnimations().some(
    (one) => one.playState === 'running' && one.effect.getTiming().iterations !== Infinity);
}"""
SCHEMES: tuple[Scheme, ...] = ("dark", "light")

PATIENCE_MS = 300_000
BESIDE_ALL = (3, 300)  # a place on the page where nothing is
# what the framework calls all of a kind: the arrow of a list, its cross, the eye beside a passphrase
FRAMEWORKS_NAMES = {"Open", "Clear value", "Show password"}
PASSPHRASE = "correct horse battery"
JOB = "The minibus without its trailer socket"


class Shot(Protocol):
    """What is done with each state."""

    def __call__(self, name: str) -> None:
        """The page as it is now."""

    def printed(self, name: str, button_name: str) -> None:
        """The file that a button of the page downloads."""


Walk = Callable[[Page, Records, Shot], None]


def _walk(page: Page, shot: Shot) -> None:
    shot("welcome")
    for words, name in (("Your own car", "own-car"), ("busbay is for learning", "cautions")):
        page.get_by_text(words).click()
        if name == "own-car":
            page.locator(".st-key-own_car input[type=file]").set_input_files(
                {"name": "mine.yaml", "mimeType": "application/yaml", "buffer": b"modules: [ECM]\n"}
            )
        expect(
            page.get_by_text({"own-car": "mine.yaml", "cautions": "licensed practice"}[name]).first
        ).to_be_visible()
        shot(f"welcome-{name}")
    button(page, JOB)
    page.wait_for_selector(".st-key-panel")
    shot("bay-seat")
    button(page, "Press start with brake")
    panel(page, "Tester")
    button(page, "Scan all modules")
    shot("bay-tester")
    with redrawn(page):
        page.get_by_text("Live data and tests").click()
    shot("bay-read-out")
    pick(page, "silent ECM")
    shot("bay-why")
    pick(page, "module TRAILER")
    shot("bay-part")
    with redrawn(page):
        page.locator(".st-key-map_way").get_by_text("in the car").click()
    pick(page, "box dash box")
    shot("bay-plan-and-fuse-box")
    with redrawn(page):
        page.locator(".st-key-map_way").get_by_text("by bus").click()
    pick(page, "connector X1")
    shot("bay-connector")
    panel(page, "Work")
    shot("bay-work")
    page.get_by_label("or say it in words").fill("pull F999")
    button(page, "Do it")
    shot("bay-error")
    panel(page, "Watch")
    shot("bay-watch")
    panel(page, "Log")
    shot("bay-log")
    _instruments(page, shot)
    open_page(page, "car")
    shot("car")
    page.get_by_text("Words on this page").click()
    expect(page.get_by_text("up to 64 data bytes")).to_be_visible()
    shot("car-words")
    open_page(page, "handbook")
    with redrawn(page):
        page.locator(".st-key-chapter").get_by_text("Sentences", exact=True).click()
    shot("handbook")
    _projector(page, shot, "bay", "diagrams")
    _orange(page, shot)


def _orange(page: Page, shot: Shot) -> None:
    """A key and four lamps in a truck; at a part under high voltage: what is offered, what is refused."""
    open_page(page, "")
    _choose(page, "a car that comes with busbay", "Regional truck")
    button(page, "Into the bay")
    panel(page, "Seat")
    shot("bay-key-seat")
    open_page(page, "")
    _choose(page, "a car that comes with busbay", "Parcel van")
    button(page, "Into the bay")
    panel(page, "Work")
    _choose(page, "what", "high voltage")
    page.get_by_label("or say it in words").fill("unplug SERVICE-PLUG")
    button(page, "Do it")
    expect(page.get_by_text("SERVICE-PLUG is orange")).to_be_visible()
    expect(page.get_by_role("button", name="Hand to a licensed technician")).to_be_visible()
    shot("bay-orange")


def _projector(page: Page, shot: Shot, *names: str) -> None:
    """Pages in the projector view, by their paths; it is offered on a laptop or a wider screen."""
    for name in names:
        open_page(page, name)
        resize(page, "laptop")
        button(page, "Projector")
        shot(f"{name}-to-project")
        resize(page, "laptop")
        button(page, "Leave the projector view")


def _lab(page: Page, shot: Shot) -> None:
    """On the smallest car: on the minibus the search for possible causes alone takes minutes."""
    _choose(page, "a car that comes with busbay", "Six modules")
    button(page, "Into the bay")
    open_page(page, "bay")
    say(page, "pull F5", "press start", "scan")
    open_page(page, "lab")
    shot("lab")
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
    button(page, "Add them")
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
    button(page, "Propose experiments")
    page.wait_for_selector(".st-key-case_proposed", timeout=PATIENCE_MS)
    button(page, "Insert before")
    page.get_by_label("note, for the shop report").fill("Smells of coolant.")
    with redrawn(page):
        page.locator("[class*=st-key-step_photos] input[type=file]").set_input_files(
            {"name": "plug.png", "mimeType": "image/png", "buffer": _photo()}
        )
    shot("case-insert")
    shot.printed("shop-report-print", "Shop report to print")
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


def _photo() -> bytes:
    """A picture as a phone takes it, smaller."""
    written = BytesIO()
    Image.new("RGB", (640, 480), "gray").save(written, "PNG")
    return written.getvalue()


def _recorded() -> str:
    """A bus log in the format of candump (its manual page): time, channel, identifier#data."""
    times_s = [0.05 * step for step in range(20)]
    idents = [0x100 + 0x40 * number for number in range(12)]
    return "".join(f"({time_s:.6f}) can0 {ident:X}#0102\n" for time_s in times_s for ident in idents)


def open_page(page: Page, path: str) -> None:
    """Another page of the same session."""
    address, _, query = page.url.partition("?")
    go(page, f"{address.split('/', 3)[0]}//{address.split('/', 3)[2]}/{path}{f'?{query}' if query else ''}")


def _instruments(page: Page, shot: Shot) -> None:
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


def _student(page: Page, shot: Shot) -> None:
    """An exercise on the smallest car, from the desk to the debrief, which is computed in seconds."""
    open_page(page, "join")
    shot("join")
    page.get_by_label("class code").first.fill("NO-SUCH")
    page.get_by_label("your name").first.fill("Amara")
    button(page, "Join")
    page.get_by_text("Back by name and PIN").click()
    expect(page.get_by_label("the name that you joined with")).to_be_visible()
    shot("join-error")
    button(page, "Practice on my own")
    shot("desk")
    page.get_by_role("button", name="Leave these jobs").click()
    expect(page.get_by_text("copy it first")).to_be_visible()
    shot("desk-leave")
    page.keyboard.press("Escape")
    with redrawn(page):
        page.locator(".st-key-take-02-left-in-storage button").click()
    shot("exercise-order")
    with redrawn(page):
        page.get_by_role("button", name="Take hint 1").click()
    shot("exercise-hint")
    panel(page, "Seat")
    button(page, "Press start")
    shot("exercise-seat")
    panel(page, "Tester")
    button(page, "Scan all modules")
    shot("exercise-tester")
    pick(page, "silent TCM")
    shot("exercise-part")
    panel(page, "Work")
    for sentence in ("look F2", "fit F2", "clear"):
        page.get_by_label("or say it in words").fill(sentence)
        button(page, "Do it")
    shot("exercise-work")
    for name in ("Measure", "Log"):
        panel(page, name)
        shot(f"exercise-{name.lower()}")
    panel(page, "Hand in")
    shot("exercise-answer")
    button(page, "F2")
    pill(page, "answer_wrong", "missing")
    button(page, "Add this cause")
    button(page, "Hand in")
    shot("exercise-hand-in")
    button(page, "Yes, hand in")
    page.get_by_role("button", name="To print").wait_for(timeout=PATIENCE_MS)
    shot("debrief")
    shot.printed("debrief-print", "To print")


def _classroom(page: Page, records: Records, shot: Shot) -> None:
    """The instructor's pages, with a class that is at work."""
    open_page(page, "instructor")
    shot("door")
    page.get_by_label("passphrase, 10").fill(PASSPHRASE)
    page.get_by_label("once more").fill("another one, by mistake")
    button(page, "Choose it")
    shot("door-error")
    page.get_by_label("once more").fill(PASSPHRASE)
    button(page, "Choose it")
    shot("classes-begin")
    open_page(page, "author")
    shot("author-begin")
    open_page(page, "instructor")
    page.get_by_text("Several instructors").click()
    expect(page.get_by_label("name of another instructor")).to_be_visible()
    shot("door-inside")
    exam = _class_at_work(records)
    for name in ("curriculum", "results", "classes", "board"):
        open_page(page, name)
        shot(name)
        if name == "curriculum":
            shot.printed("teachers-sheet", "Teacher's sheet")
    page.get_by_role("button", name="A new key").click()
    expect(page.get_by_text("For a student who has lost the address")).to_be_visible()
    shot("board-key")
    page.keyboard.press("Escape")
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
    _projector(page, shot, "board", "replay")
    go(page, f"{'/'.join(page.url.split('/')[:3])}/{exam}")
    with redrawn(page):
        page.locator(".st-key-tools_of").get_by_text("Pat Moreau").click()
    button(page, "Raise a hand")
    expect(page.get_by_role("button", name="Lower my hand")).to_be_visible()
    shot("exam")
    panel(page, "Hand in")
    button(page, "No fault found")
    button(page, "Hand in")
    button(page, "Yes, hand in")
    expect(page.get_by_role("heading", name="Handed in")).to_be_visible()
    shot("exam-handed-in")


def _class_at_work(records: Records) -> str:
    """A class of six: solved, stuck, not begun; the address of one at an exam. Names are invented."""
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
        student, key = records.students.join(group.join_code, name)
        if number in (1, 5):
            records.students.sit_together(student.id, "Pat Moreau")
        if number == 1:
            records.students.raise_hand(student.id, up=True)
        if number == 5:
            continue
        work = records.attempts.begin(tasks[1], student.id)
        for action in actions[: 9 - 2 * number]:
            work.do(action)
        if number == 0:
            work.hand_in(["pull F2"])
        if number == 2:
            for part in ("ECM.C1.3", "TCM.C1.3", "ABS.C1.3"):
                work.do(f"repair {part}")
            work.hint()
            work.hint()
    exam = records.assignments.give(
        group.id, shipped_exercises()[names[1]].read_text("utf-8"), practice=False, lasts_min=30.0
    )
    return f"?student={key}&exercise={exam.id}"


def _choose(page: Page, label: str, option: str) -> None:
    box = page.get_by_role("combobox", name=label).first
    box.click()
    box.fill(option)
    with redrawn(page):
        page.get_by_role("option", name=option).first.click()
    for _ in range(TRIES):  # a list may open once more with the next drawing
        box.blur()
        still(page)
        if not page.get_by_role("option").count():
            return
        page.mouse.click(*BESIDE_ALL)
    expect(page.get_by_role("option")).to_have_count(0)


WALKS: dict[str, Walk] = {
    "bay": lambda page, records, shot: _walk(page, shot),
    "lab": lambda page, records, shot: _lab(page, shot),
    "student": lambda page, records, shot: _student(page, shot),
    "class": _classroom,
}


@contextmanager
def fresh_front_end() -> Iterator[tuple[str, Records]]:
    """A front end at an address, with records and a folder of its own."""
    with tempfile.TemporaryDirectory() as own:
        url = f"sqlite:///{own}/classes.sqlite"
        with front_end(**{RECORDS_VARIABLE: url, "XDG_DATA_HOME": own}) as address:
            records = Records(url)
            yield address, records
            records.close()


def on_a_laptop(started: Browser, address: str) -> Page:
    """A page where a walk begins."""
    page = opened_alone(started, address)
    resize(page, "laptop")
    return page


def same_names(page: Page) -> list[str]:
    """Names that two buttons in sight have: a person who cannot see them cannot tell them apart."""
    named = re.findall(r'- button "((?:[^"\\]|\\.)+)"', page.locator("body").aria_snapshot())
    return [name for name, times in Counter(named).items() if times > 1 and name not in FRAMEWORKS_NAMES]


def resize(page: Page, size: str, least_height_px: int = 0) -> None:
    """Give the page the room of one of the sizes, and wait until it fills it."""
    width, height = (SIZES | ZOOMED)[size]
    page.set_viewport_size({"width": width, "height": max(height, least_height_px)})
    still(page)


def in_scheme(page: Page, scheme: Scheme) -> None:
    """Give the page one of the color schemes, wait until it has it; no tooltip is open by chance."""
    page.mouse.move(*BESIDE_ALL)
    page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
    still(page)
    page.wait_for_function(SETTLED, arg=scheme)


def on_paper(page: Page, button_name: str) -> Page:
    """The file that a button of the page downloads, in a page of its own."""
    with page.expect_download() as download:
        page.get_by_role("button", name=button_name, exact=True).click()
    started = page.context.browser
    assert started is not None
    paper = started.new_page()
    paper.set_content(download.value.path().read_text("utf-8"))
    return paper
