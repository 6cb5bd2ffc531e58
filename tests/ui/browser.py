"""A front end of its own and a real browser, for tests and screenshots."""

from __future__ import annotations

import os
import re
import socket
import subprocess
import tempfile
import time
import urllib.request
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from playwright.sync_api import Browser, Locator, Page, ViewportSize, expect, sync_playwright
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg

from sim.front_door import front_end_command

ROOT = Path(__file__).resolve().parents[2]
FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
)
LAPTOP = ViewportSize(width=1366, height=900)
expect.set_options(timeout=20_000)  # a busy machine is slow, not wrong


@contextmanager
def front_end(**environment: str) -> Iterator[str]:
    """The address of a front end that serves until the block ends."""
    port = free_port()
    with server(port, **environment):
        yield f"http://127.0.0.1:{port}"


@contextmanager
def server(
    port: int, command: Sequence[str] = (), log: int | IO[bytes] = subprocess.DEVNULL, **environment: str
) -> Iterator[subprocess.Popen[bytes]]:
    """The process of a front end that answers at a port, until the block ends.

    `command`: another page. `log`: where what it prints goes.
    """
    settings = {"STREAMLIT_SERVER_HEADLESS": "true", "PYTHONPATH": str(ROOT)}
    with subprocess.Popen(
        command or front_end_command(port),
        cwd=ROOT,
        env=os.environ | settings | environment,
        stdout=log,
        stderr=log,
    ) as process:
        try:
            _wait_for(f"http://127.0.0.1:{port}/_stcore/health")
            yield process
        finally:
            process.kill()


def free_port() -> int:
    """A port of this computer that nobody listens at."""
    with socket.create_server(("127.0.0.1", 0)) as probe:
        return int(probe.getsockname()[1])


def _wait_for(address: str) -> None:
    last_moment_s = time.monotonic() + 60
    while True:
        try:
            with urllib.request.urlopen(address, timeout=5):
                return
        except OSError:
            if time.monotonic() > last_moment_s:
                raise
            time.sleep(0.2)


@contextmanager
def browser(chromium: str, profile: Path | None = None) -> Iterator[Browser]:
    """The browser at a path; its profile, in a folder, keeps the compiled code of pages from load to load."""
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        own = playwright.chromium.launch_persistent_context(
            profile or folder, executable_path=chromium, args=list(FLAGS), viewport=LAPTOP
        )
        assert own.browser is not None
        yield own.browser
        own.close()


WATCH_RUNS = """
window.turn = 0;
window.asked = {turn: 0, at: 0};
window.sent = window.begun = window.finished = 0;
window.frames = window.heard_at = 0;
window.clicks = window.keys = 0;
document.addEventListener('click', (event) => { if (event.isTrusted) window.clicks += 1; }, true);
document.addEventListener('keydown', () => { window.keys += 1; }, true);
window.drawing = () => {
  const app = document.querySelector('[data-testid=stApp]');
  return !app || app.dataset.testScriptState !== 'notRunning';
};
const varint = (bytes, at) => {
  let value = 0, factor = 1;
  for (; bytes[at] > 127; at++, factor *= 128) value += (bytes[at] - 128) * factor;
  return [value + bytes[at] * factor, at + 1];
};
const fields = function* (bytes) {
  for (let at = 0; at < bytes.length;) {
    let [key, next] = varint(bytes, at), value;
    [value, next] = varint(bytes, next);
    yield [key >> 3, value];
    at = (key & 7) === 2 ? next + value : next;
  }
};
window.WebSocket = class extends WebSocket {
  constructor(...given) {
    super(...given);
    this.addEventListener('message', (message) => {
      window.frames = 0;
      window.heard_at = performance.now();
      for (const [field, value] of fields(new Uint8Array(message.data))) {
        if (field === NEW_SESSION) window.begun = ++window.turn;
        if (field === SCRIPT_FINISHED && value !== EARLY) window.finished = ++window.turn;
      }
    });
  }
  send(data) {
    if (data[0] >> 3 === RERUN_SCRIPT) window.sent = ++window.turn;
    super.send(data);
  }
};
"""
"""Notes in the page what it asks the server for, when an answer begins and ends; counts clicks, keys."""
for _kind, _field in (
    ("NEW_SESSION", ForwardMsg.NEW_SESSION_FIELD_NUMBER),
    ("SCRIPT_FINISHED", ForwardMsg.SCRIPT_FINISHED_FIELD_NUMBER),
    ("EARLY", ForwardMsg.FINISHED_EARLY_FOR_RERUN),
    ("RERUN_SCRIPT", BackMsg.RERUN_SCRIPT_FIELD_NUMBER),
):
    WATCH_RUNS = WATCH_RUNS.replace(_kind, str(_field))

# a busy machine may take a while until a click has become a question
NOTHING_ASKED_MS = 1200
# time and frames of the screen since the last message: what came is drawn, however slow the machine
QUIET_MS, QUIET_FRAMES = 250, 10
# a click that meets the page in the middle of a drawing may be lost: a person sees it and clicks again
TRIES = 3


def opened(started: Browser, address: str, **options: Any) -> Page:
    """A page of the front end, drawn, of a person of its own: it shares nothing with another page."""
    return _drawn_at(started.new_page(**options), address)


def opened_alone(started: Browser, address: str) -> Page:
    """A page of the only person at work, on a laptop: what earlier pages have left is forgotten.

    The code that the browser has compiled is not: it takes half the time to be drawn.
    """
    page = started.contexts[0].new_page()
    page.context.clear_cookies()
    page.context.new_cdp_session(page).send(
        "Storage.clearDataForOrigin", {"origin": address, "storageTypes": "local_storage,indexeddb"}
    )
    return _drawn_at(page, address)


def _drawn_at(page: Page, address: str) -> Page:
    page.add_init_script(WATCH_RUNS)
    go(page, address)
    return page


def go(page: Page, address: str) -> None:
    """Load an address and wait until it is drawn."""
    page.goto(address)
    _wait_until_drawn(page)


@contextmanager
def redrawn(
    page: Page, timeout_ms: float = 60_000, nothing_asked_ms: float = NOTHING_ASKED_MS
) -> Iterator[None]:
    """Wait, after what is done in the block, until the front end has drawn its answer."""
    page.evaluate("window.asked = {turn: window.turn, at: performance.now()}; window.frames = 0")
    yield
    _wait_until_drawn(page, timeout_ms, nothing_asked_ms)


def drawn(page: Page) -> None:
    """Wait until the front end draws nothing more, whether or not something was asked of it."""
    with redrawn(page):
        pass


def still(page: Page) -> None:
    """Wait until a page is drawn after something that asks the front end for nothing, as another size."""
    with redrawn(page, nothing_asked_ms=0):
        pass


def _wait_until_drawn(
    page: Page, timeout_ms: float = 60_000, nothing_asked_ms: float = NOTHING_ASKED_MS
) -> None:
    page.wait_for_function(
        """([most_ms, quiet_ms, quiet_frames]) => {
          const answered = window.sent < window.begun && window.begun < window.finished;
          const now = performance.now(), silent = now - window.asked.at > most_ms;
          const asked = window.sent > window.asked.turn;
          return answered && (asked || silent) && !window.drawing()
            && now - window.heard_at > quiet_ms && ++window.frames > quiet_frames;
        }""",
        arg=[nothing_asked_ms, QUIET_MS, QUIET_FRAMES],
        timeout=timeout_ms,
    )


@contextmanager
def at_most(page: Page, clicks: int, keys: int = 0) -> Iterator[None]:
    """What is done in the block, in one document, takes a person no more clicks and keys than these."""
    before = page.evaluate("[window.clicks, window.keys]")
    yield
    after = page.evaluate("[window.clicks, window.keys]")
    taken = [now - then for now, then in zip(after, before, strict=True)]
    assert taken[0] <= clicks, f"{taken[0]} clicks instead of {clicks}"
    assert taken[1] <= keys, f"{taken[1]} keys instead of {keys}"


def named(page: Page, name: str) -> Locator:
    """The button with these words, with or without its price."""
    words = re.compile(rf"^{re.escape(name)}( · [\d.]+ min(, parts [\d.]+)?)?$")
    return page.get_by_role("button", name=words).first


def button(page: Page, name: str) -> None:
    """Press a button by its words, and wait for the answer."""
    with redrawn(page):
        named(page, name).click()


def turn_to(page: Page, name: str) -> None:
    """Open another page by its link, in the row above all pages or in one of its menus."""
    link = page.get_by_role("link", name=name).or_(page.get_by_role("menuitem", name=name))
    for menu in page.get_by_test_id("stTopNavSection").all():
        if link.count():
            break
        menu.click()
        page.get_by_test_id("stTopNavPopover").wait_for()
    with redrawn(page):
        link.first.click()


def panel(page: Page, name: str) -> None:
    """Open a panel of the bay, if it is not open, and see it open."""
    choices = page.locator(".st-key-panel").get_by_role("radio", name=name, exact=True)
    one = choices.first
    for _ in range(TRIES):
        # a page that is drawn anew by itself holds its old choices beside the new ones for a moment
        expect(choices).to_have_count(1)
        if one.is_checked():
            return
        with redrawn(page):
            one.click()
    expect(one).to_be_checked()


def pick(page: Page, ident: str) -> None:
    """Pick something on a sheet."""
    with redrawn(page):
        page.locator(f"[data-id='{ident}']").first.click()


def say(page: Page, *sentences: str) -> None:
    """Type actions into the line of the work panel."""
    panel(page, "Work")
    for sentence in sentences:
        page.get_by_label("or say it in words").fill(sentence)
        button(page, "Do it")


def text_of(one: Locator) -> str:
    """What is written there, once it is there once: while a page is drawn anew it may hold two of a thing."""
    expect(one).to_have_count(1)
    return one.first.inner_text()


def drive(page: Page, *buttons: str) -> None:
    """Sit in the driver's seat and press its buttons."""
    panel(page, "Seat")
    for name in buttons:
        button(page, name)


def scan(page: Page) -> str:
    """Scan, and what the tester says about it."""
    panel(page, "Tester")
    button(page, "Scan all modules")
    return text_of(page.locator(".st-key-scan_result"))


def silent_modules(page: Page) -> list[str]:
    """The modules that the last scan got no answer from, in its order."""
    rows = page.locator("tr[data-id^='silent ']").evaluate_all("rows => rows.map(row => row.dataset.id)")
    return [row.removeprefix("silent ") for row in rows]


def state(page: Page, module: str) -> str:
    """What the map says about a module."""
    label = page.locator(f"[data-id='module {module}']").first.get_attribute("aria-label")
    assert label is not None
    return label.partition(": ")[2]


def choose_several(page: Page, label: str, *options: str) -> None:
    """Choose from a list that takes several, and leave it closed."""
    box = page.get_by_label(label)
    for option in options:
        box.fill(option)
        box.press("ArrowDown")  # opens the list where it is closed
        with redrawn(page):
            page.get_by_role("option", name=re.compile(f"^{re.escape(option)}( ·|$)")).click()
    # a list that is told to close may open once more with the next drawing, over what is below it
    for _ in range(10):
        page.keyboard.press("Escape")
        page.wait_for_timeout(250)
        if not page.get_by_role("option").count():
            return
    raise AssertionError(f"the list of {label!r} does not close")


def choose(page: Page, key: str, option: str) -> None:
    """Choose from the list with this key: type how the option begins, click it, and see it chosen."""
    box = page.locator(f".st-key-{key} input")
    chosen = re.compile(f"^{re.escape(option)}( ·|$)")
    for _ in range(TRIES):
        box.fill(option)
        with redrawn(page):
            page.get_by_role("option", name=chosen).first.click()
        if chosen.match(box.input_value()):
            return
    expect(box).to_have_value(chosen)


def pill(page: Page, key: str, name: str) -> None:
    """Choose one of the pills with this key, and see it chosen."""
    choices = page.locator(f".st-key-{key}").get_by_role("radio", name=name, exact=True)
    one = choices.first
    for _ in range(TRIES):
        expect(choices).to_have_count(1)
        with redrawn(page):
            one.click()
        if one.is_checked():
            return
    expect(one).to_be_checked()


def name_cause(page: Page, part: str, wrong: str, other: str = "") -> None:
    """Build a cause on the panel Hand in and add it to the list."""
    choose(page, "answer_part", part)
    more = page.locator(".st-key-answer_more_of button")
    if not page.locator(".st-key-answer_wrong").get_by_text(wrong, exact=True).count() and more.count():
        with redrawn(page):
            more.click()
    pill(page, "answer_wrong", wrong)
    if other:
        choose(page, "answer_other", other)
    button(page, "Add this cause")
    named = page.locator(".st-key-causes").get_by_role("button", name=re.compile(re.escape(part)))
    expect(named, text_of(page.locator(".st-key-cause_form"))).to_be_visible()


def hand_in(page: Page, part: str, wrong: str, evidence: str = "") -> None:
    """Name one cause and end the exercise."""
    panel(page, "Hand in")
    name_cause(page, part, wrong)
    page.get_by_label("How do you know?").fill(evidence)
    button(page, "Hand in")
    button(page, "Yes, hand in")
