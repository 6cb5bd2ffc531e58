"""What assistive technology gets of every page, by axe-core: WCAG 2.2 AA and axe-core's best practices.

At the sizes of a phone, a laptop, a projector, and of a laptop at 200 %, light and dark.

Source: the rules of axe-core (https://dequeuniversity.com/rules/axe/), each naming the success criterion of
WCAG 2.2 (https://www.w3.org/TR/WCAG22/) that it checks.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from tests.ui.walks import (
    SCHEMES,
    SIZES,
    WALKS,
    ZOOMED,
    Scheme,
    fresh_front_end,
    in_scheme,
    on_a_laptop,
    on_paper,
    resize,
    same_names,
)

RULES = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice")
AXE = Axe()
OPTIONS = {"resultTypes": ["violations"], "runOnly": {"type": "tag", "values": list(RULES)}}
# Markup that Streamlit 1.67 writes itself, where neither its options nor a style sheet reach: on a phone a
# menu of pages is a <div> inside the <ul> of all; the place to drop files on is "presentation" with a label;
# a toast is an "alertdialog" named by an empty element. All of them work by keyboard.
FRAMEWORKS_OWN = {
    "list": "stSidebarNavItems",
    "listitem": "stSidebarNavItems",
    "presentation-role-conflict": "stFileUploaderDropzone",
    "aria-dialog-name": "stToast",
}
RUNS_OFF = """() => {
  const main = document.querySelector('[data-testid=stMain]');
  return main.scrollWidth > main.clientWidth || document.documentElement.scrollWidth > innerWidth;
}"""
# what is halfway under a strip that stays in sight is "obscured": how far a page is scrolled is chance
TO_THE_TOP = "document.querySelector('[data-testid=stMain]')?.scrollTo({ top: 0, behavior: 'instant' })"
STATES_A_SIZE = 4
STATES_A_LOOK = 2  # axe-core takes a second and more: in the ordinary run it looks at every other state


@dataclass
class Inspector:
    """Runs axe-core on each state and sees that it fits: in all looks, or in one, by turns.

    By turns: at every other state, in another size or in the other color scheme each time, so that every size
    has both.
    """

    page: Page
    everywhere: bool
    seen: list[str] = field(default_factory=list)
    found: list[str] = field(default_factory=list)

    def __call__(self, name: str) -> None:
        """The page as it is now."""
        turn, sizes = len(self.seen), [*SIZES, *ZOOMED]
        if not self.everywhere:
            sizes = [] if turn % STATES_A_LOOK else [sizes[turn // STATES_A_SIZE % len(sizes)]]
        for size in sizes:
            if (self.page.viewport_size or {}).get("width") != (SIZES | ZOOMED)[size][0]:
                resize(self.page, size)
            for scheme in SCHEMES if self.everywhere else [_scheme_of(turn // STATES_A_LOOK)]:
                self._inspect_in(scheme, f"{name} ({size}, {scheme})")
        self.found += [f"{name}: two buttons are called {one!r}" for one in same_names(self.page)]
        self.seen.append(name)

    def _inspect_in(self, scheme: Scheme, where: str) -> None:
        in_scheme(self.page, scheme)
        self.page.evaluate(TO_THE_TOP)
        if self.page.evaluate(RUNS_OFF):
            self.found.append(f"{where}: the page runs off its side")
        self._inspect(self.page, where)

    def printed(self, name: str, button_name: str) -> None:
        """The file that a button of the page downloads."""
        paper = on_paper(self.page, button_name)
        self._inspect(paper, name)
        paper.close()
        self.seen.append(name)

    def _inspect(self, page: Page, where: str) -> None:
        for rule in self._violations(page):
            ours = [one for one in rule["nodes"] if not _is_the_frameworks(page, rule["id"], one)]
            self.found += [f"{where}: {rule['id']} ({rule['impact']}): {_told(one)}" for one in ours]

    @staticmethod
    def _violations(page: Page) -> list[dict[str, Any]]:
        """What axe-core finds. It is half a megabyte: a document gets it once."""
        if not page.evaluate("'axe' in window"):
            page.evaluate(AXE.axe_script)
        found: list[dict[str, Any]] = page.evaluate(
            "(options) => axe.run(options).then((found) => found.violations)", OPTIONS
        )
        return found


def _scheme_of(look: int) -> Scheme:
    """The other color scheme in the middle of each size, as the size changes at every second look."""
    return SCHEMES[(look + 1) // 2 % len(SCHEMES)]


def _is_the_frameworks(page: Page, rule: str, one: dict[str, Any]) -> bool:
    """Whether the element is, or is inside of, one of those above (in a sheet none is)."""
    inside = FRAMEWORKS_OWN.get(rule)
    if inside is None or not isinstance(one["target"][0], str):
        return False
    closest = "([target, inside]) => !!document.querySelector(target)?.closest(inside)"
    return inside in one["html"] or bool(
        page.evaluate(closest, [one["target"][0], f"[data-testid={inside}]"])
    )


def _told(one: dict[str, Any]) -> str:
    """The element that breaks a rule, and what axe-core says of it."""
    said = "; ".join(check["message"] for kind in ("any", "all", "none") for check in one[kind])
    return f"{one['target']}: {one['html'][:160]}: {said}"


@pytest.mark.parametrize("walk", WALKS)
def test_no_page_breaks_a_rule_of_axe_core(started: Browser, walk: str) -> None:
    """No violation, nothing off the side, no two buttons of one name; BUSBAY_LOOKS=all looks at all."""
    with fresh_front_end() as (address, records):
        page = on_a_laptop(started, address)
        inspector = Inspector(page, os.environ.get("BUSBAY_LOOKS") == "all")
        WALKS[walk](page, records, inspector)
        page.close()
    print(f"\n{walk}: {len(inspector.seen)} states")
    assert "" == "\n".join(inspector.found)
