"""A grid that is cut off again and again: browser closed, server killed, a worker killed, called off.

How often each run was made is counted by a trigger in the file that keeps finished runs, so that writing one
twice shows, even with the same content.
"""

import csv
import os
import signal
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from io import StringIO
from pathlib import Path

from playwright.sync_api import Browser, Page, expect

from sim.catalogue import vehicle_text
from sim.lab.grid import run_grid
from sim.lab.grid_report import grid_csv
from sim.lab.run_cache import Cache
from sim.lab.workshop import Workshop
from tests.ui.browser import button, free_port, opened, redrawn, server, turn_to

COUNTED = """
CREATE TABLE made (key TEXT);
CREATE TRIGGER noted AFTER INSERT ON runs BEGIN INSERT INTO made VALUES (new.key); END;
"""
PLAY = "Play all 32 combinations"
EDITS = [
    "corrode G3 0.4 ohm", "corrode G3 2 ohm", "corrode BCM.GND 0.4 ohm", "corrode G4 0.4 ohm", "charge 30 %",
]  # fmt: skip
DIFFERENT = (
    24  # a quarter of the 32 corrodes G3 twice, which leaves the car that the second time alone leaves
)
ACTIONS = ["key run", "wait 5 s", "scan", "key crank", "wait 20 s", "scan"]


def made(folder: Path) -> list[str]:
    """The runs that were finished and kept, each as often as that happened."""
    with closing(sqlite3.connect(folder / "runs.sqlite", timeout=30)) as store:
        return [key for (key,) in store.execute("SELECT key FROM made")]


def without_names(table: str) -> list[list[str]]:
    """The table without the names of its edits, which the page tells in words."""
    head, *rows = csv.reader(StringIO(table))
    return [head[1 + len(EDITS) :], *rows]


def until(so: Callable[[], bool]) -> None:
    """Wait until it is so; on a busy machine a first run may take more than a minute."""
    last_moment_s = time.monotonic() + 300
    while not so():
        assert time.monotonic() < last_moment_s
        time.sleep(0.02)


def ask(page: Page) -> None:
    """What a newcomer clicks: a shipped case, its edits in all combinations."""
    turn_to(page, "Case")
    button(page, "Open it")
    button(page, "What if: its edits in all combinations")
    box = page.get_by_label("what is done, one action in each line")
    box.fill("\n".join(ACTIONS))
    with redrawn(page):
        box.press("Control+Enter")
    page.get_by_role("button", name=PLAY).click()


def children(parent: int) -> list[int]:
    """The processes that a process has started."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rpartition(")")[2].split()
        except OSError:  # over in the meantime
            continue
        if int(fields[1]) == parent and fields[0] != "Z":
            found.append(int(stat.parent.name))
    return found


def workers(parent: int) -> list[int]:
    """Those of them that make runs."""
    return [one for one in children(parent) if b"spawn_main" in Path(f"/proc/{one}/cmdline").read_bytes()]


def test_whatever_is_cut_off_no_run_is_made_twice_and_the_table_is_right(
    started: Browser, tmp_path: Path
) -> None:
    """After kills at any moment the finished runs are reused and the result is the same."""
    folder = tmp_path / "busbay"
    Cache(folder)
    with closing(sqlite3.connect(folder / "runs.sqlite")) as store:
        store.executescript(COUNTED)
    port = free_port()
    address = f"http://127.0.0.1:{port}"

    with server(port, XDG_CACHE_HOME=str(tmp_path)) as served:
        page = opened(started, address)
        ask(page)
        until(lambda: len(made(folder)) > 2)
        page.close()
        at_work = workers(served.pid)
        served.kill()
        until(lambda: not any(Path(f"/proc/{one}").exists() for one in at_work))
    before_the_kill = len(made(folder))

    with server(port, XDG_CACHE_HOME=str(tmp_path)) as served:
        page = opened(started, address)
        ask(page)
        until(lambda: len(made(folder)) > before_the_kill)
        os.kill(workers(served.pid)[0], signal.SIGKILL)
        page.get_by_role("button", name="Cancel").click()
        expect(page.get_by_text("canceled; the runs that were finished are kept")).to_be_visible()
        until_called_off = len(made(folder))
        page.get_by_role("button", name=PLAY).click()
        with page.expect_download(timeout=300_000) as download:
            page.get_by_role("button", name="CSV").click(timeout=300_000)
        told = download.value.path().read_text(encoding="utf-8")
        page.close()

    assert 2 < before_the_kill < until_called_off < DIFFERENT
    every = made(folder)
    assert DIFFERENT == len(every) == len(set(every))
    with Workshop(workers=1) as uninterrupted:
        grid = run_grid(vehicle_text("teaching-car"), EDITS, ACTIONS, workshop=uninterrupted)
    assert without_names(grid_csv(grid)) == without_names(told)
