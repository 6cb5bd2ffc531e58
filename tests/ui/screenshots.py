"""Pictures of every page: `python -m tests.ui.screenshots FOLDER`, at three sizes, light and dark.

`python -m tests.ui.screenshots FOLDER student` takes those of a student's pages only; so do `bay`, `lab`,
and `class` (the instructor's). Everything is done once, on a laptop, and each page taken at all sizes.
`python -m tests.ui.screenshots --readme` takes the small pictures of the README anew.
"""

from __future__ import annotations

import shutil
import sys
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

from PIL import Image
from playwright.sync_api import Page, expect

from tests.ui.browser import browser, button, opened, panel
from tests.ui.walks import (
    BESIDE_ALL,
    PATIENCE_MS,
    SCHEMES,
    SIZES,
    WALKS,
    Shot,
    Walk,
    fresh_front_end,
    in_scheme,
    on_a_laptop,
    on_paper,
    resize,
)

TALLEST_PX = 6000
PICTURES = Path(__file__).parents[2] / ".pictures"
README_PX = 1000  # wide: as a page of text shows it
COLORS = 256


@dataclass(frozen=True, slots=True)
class Camera:
    """Takes pictures of a page, each at all sizes and in both schemes."""

    page: Page
    folder: Path

    def __call__(self, name: str) -> None:
        """The page as it stands."""
        for size in SIZES:
            resize(self.page, size)
            # Streamlit scrolls inside the page: the whole of it is seen only in a window as tall as that
            tall = self.page.evaluate("document.querySelector('[data-testid=stMain]').scrollHeight")
            resize(self.page, size, min(int(tall), TALLEST_PX))
            for scheme in SCHEMES:
                in_scheme(self.page, scheme)
                self.page.screenshot(path=self.folder / f"{name}-{size}-{scheme}.png")
        resize(self.page, size)

    def printed(self, name: str, button_name: str) -> None:
        """The file that a button of the page downloads."""
        paper = on_paper(self.page, button_name)
        paper.screenshot(path=self.folder / f"{name}.png", full_page=True)
        paper.close()


@dataclass(frozen=True, slots=True)
class SmallCamera:
    """Takes one small picture of each state, as it is on a laptop in the light scheme."""

    page: Page
    folder: Path

    def __call__(self, name: str) -> None:
        """The page as it is now."""
        self.page.mouse.move(*BESIDE_ALL)
        self.page.wait_for_timeout(1500)  # nothing moves any more
        taken = Image.open(BytesIO(self.page.screenshot())).convert("RGB")
        small = taken.resize((README_PX, taken.height * README_PX // taken.width), Image.Resampling.LANCZOS)
        small.quantize(COLORS).save(self.folder / f"{name}.png", optimize=True)

    def printed(self, name: str, button_name: str) -> None:
        """Nothing on paper is in the README."""


def for_the_readme(page: Page, shot: Shot) -> None:
    """The first page, what follows from an unplugged module, and its codes."""
    shot("start")
    button(page, "Unplug a node")
    expect(page.get_by_role("button", name="Play")).to_be_visible(timeout=PATIENCE_MS)
    shot("watch")
    panel(page, "Tester")
    button(page, "Scan all modules")
    expect(page.locator("[data-id='silent ABS']")).to_be_visible(timeout=PATIENCE_MS)
    shot("scan")


def _readme() -> None:
    PICTURES.mkdir(exist_ok=True)
    with fresh_front_end() as (address, _), browser(_chromium()) as started:
        page = opened(started, address, viewport={"width": 1366, "height": 768}, color_scheme="light")
        for_the_readme(page, SmallCamera(page, PICTURES))


def _chromium() -> str:
    return shutil.which("chromium") or sys.exit("the program chromium is not installed on this machine")


def main(folder: Path, walks: list[Walk]) -> None:
    """Take all pictures of these walks."""
    folder.mkdir(parents=True, exist_ok=True)
    with fresh_front_end() as (address, records), browser(_chromium()) as started:
        for walk in walks:
            page = on_a_laptop(started, address)
            walk(page, records, Camera(page, folder))
            page.close()


if __name__ == "__main__":
    if sys.argv[1:] == ["--readme"]:
        _readme()
        sys.exit()
    main(Path(sys.argv[1]), [WALKS[name] for name in sys.argv[2:] or WALKS])
