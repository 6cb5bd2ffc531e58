"""A whole exercise by the keyboard alone, with a focus that can be seen (WCAG 2.2: 2.1.1, 2.4.7)."""

from __future__ import annotations

from playwright.sync_api import Page, expect

from tests.ui.browser import TRIES, drawn, redrawn

MOST_TABS = 250
# the element in focus, also inside a sheet, which is a tree of its own
FOCUSED = """(() => {
  let one = document.activeElement;
  while (one && one.shadowRoot && one.shadowRoot.activeElement) one = one.shadowRoot.activeElement;
  return one;
})()"""
# its role and words, without its price
NAME = f"""() => {{
  const one = {FOCUSED};
  const words = one.ariaLabel || one.labels?.[0]?.innerText || one.innerText || '';
  const last = words.trim().split('\\n').pop().replace(/ · [\\d.]+ min.*/, '');
  return `${{one.getAttribute('role') || one.tagName.toLowerCase()}}: ${{last}}`;
}}"""
# what the eye gets: lines and grounds of the element, of what is in it, and of the two around it
SHOWS_FOCUS = f"""async () => {{
  const one = {FOCUSED};
  const drawn = () => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
  const seen = () => [one, ...one.querySelectorAll('*'), one.parentElement, one.parentElement?.parentElement]
    .filter(Boolean).map((shape) => getComputedStyle(shape)).map((style) => [style.outline, style.boxShadow,
      style.borderColor, style.backgroundColor, style.stroke, style.strokeWidth, style.filter].join()).join();
  await drawn();
  const focused = seen();
  one.blur();
  await drawn();
  const without = seen();
  one.focus();
  return focused !== without;
}}"""


def reach(page: Page, name: str) -> None:
    """Press Tab, and arrow keys among the choices of a group, until this is in focus; see that it is.

    A page drawn anew in that moment may take the element away and the focus with it: it is reached again.
    """
    for _ in range(TRIES):
        _go_to(page, name)
        if page.evaluate(SHOWS_FOCUS):
            return
        drawn(page)
    raise AssertionError(f"the focus on {name!r} cannot be seen")


def _go_to(page: Page, name: str) -> None:
    """Press Tab, and arrow keys among the choices of a group, until this is in focus."""
    for _ in range(MOST_TABS):
        page.keyboard.press("Tab")
        if page.evaluate(NAME) == name or _is_in_the_group(page, name):
            return
    raise AssertionError(f"{name!r} is not reached by the Tab key")


def _is_in_the_group(page: Page, name: str) -> bool:
    """Go through the choices of the group that is in focus, if it is one, left and right."""
    here = page.evaluate(NAME)
    for arrow in ("ArrowLeft", "ArrowRight"):
        before = ""
        while here.startswith("radio: ") and here != before:
            if here == name:
                return True
            page.keyboard.press(arrow)
            before, here = here, page.evaluate(NAME)
    return False


def press(page: Page, *names: str) -> None:
    """Reach each of these and press Enter there."""
    for name in names:
        reach(page, name)
        with redrawn(page):
            page.keyboard.press("Enter")


def write(page: Page, name: str, *lines: str) -> None:
    """Reach a field and type into it, each line with Enter; a field that is drawn anew is reached again."""
    for line in lines:
        if page.evaluate(NAME) != name:
            reach(page, name)
        page.keyboard.press("Control+A")
        page.keyboard.type(line)
        with redrawn(page):
            page.keyboard.press("Enter")


def test_a_whole_exercise_is_worked_by_keyboard_alone(page: Page) -> None:
    """From the first page to the debrief of a solved exercise without a mouse, the focus always in sight."""
    page.emulate_media(reduced_motion="reduce")
    press(page, "button: Exercises, in a class or alone", "button: Practice on my own")
    press(page, "button: Left in storage")
    press(page, "radio: Seat", "button: Press start")
    press(page, "radio: Tester", "button: Scan all modules")
    expect(page.locator(".st-key-scan_result")).to_contain_text("5 of 6 modules answer")
    press(page, "radio: Work")
    work = ("look F2", "fit F2", "clear", "wait 10 s", "scan")
    write(page, "input: or say it in words", *work)
    press(page, "radio: Hand in")
    write(page, "combobox: which part?", "F2")
    press(page, "radio: missing", "button: Add this cause")
    press(page, "button: Hand in", "button: Yes, hand in")
    expect(page.get_by_role("heading", name="Debrief: Left in storage")).to_be_visible()
    expect(page.locator(".ticks .yes")).to_have_text(["cause named", "repaired", "proved"])
