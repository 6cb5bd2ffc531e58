"""Printed reports are no wider than their page, measured in a browser."""

import re
import subprocess
from pathlib import Path

import pytest

from sim.lab.grid import run_grid
from sim.lab.grid_report import grid_html
from sim.lab.report import Rows, Section, as_html
from sim.lab.workshop import Workshop

PAPER_PX = 680  # A4 less margins of 15 mm, at 96 px to the inch (CSS Values and Units Module Level 3, 6.2)
FLAGS = ("--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run")
MEASURE = "<script>onload = () => { document.title = document.documentElement.scrollWidth }</script></body>"


def width_px(html: str, folder: Path, browser: str) -> int:
    """How wide a page is when its window is as wide as the paper."""
    page = folder / "page.html"
    page.write_text(html.replace("</body>", MEASURE), encoding="utf-8")
    command = [browser, *FLAGS, f"--user-data-dir={folder / 'browser'}", f"--window-size={PAPER_PX},900"]
    done = subprocess.run([*command, "--dump-dom", page.as_uri()], capture_output=True, text=True, check=True)
    found = re.search(r"<title>(\d+)</title>", done.stdout)
    assert found
    return int(found[1])


@pytest.fixture
def grid_page(six: str, here: Workshop) -> str:
    """Eight combinations, in which some thirty things differ."""
    edits = ["unplug TCM", "pull F1", "corrode G1 8 ohm"]
    actions = ["wait 1 s", "press start", "wait 6 s", "scan", "measure volts F2.2 to BAT-"]
    return grid_html(run_grid(six, edits, actions, workshop=here))


def test_a_grid_fits_its_page(grid_page: str, tmp_path: Path, chromium: str) -> None:
    """However many things differ between the combinations, the table is as wide as the paper at most."""
    assert width_px(grid_page, tmp_path, chromium) <= PAPER_PX


def test_long_words_do_not_widen_a_page(tmp_path: Path, chromium: str) -> None:
    """A name of three hundred letters, in a title, a sentence or a cell, is broken where the paper ends."""
    word = "x" * 300
    page = as_html(word, [Section(word, (word, Rows((word, "b"), ((word, word),))))])
    assert width_px(page, tmp_path, chromium) <= PAPER_PX
