"""Pictures of every page: `python -m tests.ui.screenshots FOLDER`, at three sizes, light and dark.

`python -m tests.ui.screenshots FOLDER student` takes those of a student's pages only; so do `bay`, `lab`,
and `class` (the instructor's). Everything is done once, on a laptop, and each page taken at all sizes.
"""

from __future__ import annotations

import shutil
import sys
from dataclasses import dataclass
from pathlib import Path

from playwright.sync_api import Page

from tests.ui.browser import browser
from tests.ui.walks import SCHEMES, SIZES, WALKS, Walk, fresh_front_end, on_a_laptop, on_paper, resize

TALLEST_PX = 6000


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
                self.page.emulate_media(color_scheme=scheme)
                self.page.wait_for_timeout(500)  # colors fade
                self.page.screenshot(path=self.folder / f"{name}-{size}-{scheme}.png")
        resize(self.page, size)

    def printed(self, name: str, button_name: str) -> None:
        """The file that a button of the page downloads."""
        paper = on_paper(self.page, button_name)
        paper.screenshot(path=self.folder / f"{name}.png", full_page=True)
        paper.close()


def main(folder: Path, walks: list[Walk]) -> None:
    """Take all pictures of these walks."""
    folder.mkdir(parents=True, exist_ok=True)
    chromium = shutil.which("chromium")
    if chromium is None:
        sys.exit("the program chromium is not installed on this machine")
    with fresh_front_end() as (address, records), browser(chromium) as started:
        for walk in walks:
            page = on_a_laptop(started, address)
            walk(page, records, Camera(page, folder))
            page.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), [WALKS[name] for name in sys.argv[2:] or WALKS])
