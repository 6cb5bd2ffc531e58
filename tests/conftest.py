"""What all tests share."""

import os
import shutil
import sys
from collections.abc import Iterator, Sequence
from compileall import compile_dir
from typing import TypeVar

import pytest
from hypothesis import settings

import sim
import ui
from sim.garbage import kept_for_good

# Times on a shared machine say nothing about the code; a test that needs a limit states its own.
settings.register_profile("no deadline", deadline=None)
settings.load_profile("no deadline")

MAIN = sys.modules["__main__"]
T = TypeVar("T")
Place = tuple[int, str]
# files whose tests are long stories, the longest first
LONGEST = (
    "test_accessible.py", "test_class_browser.py", "test_trainee_sessions.py", "test_lab_killed.py",
    "test_troubles_table.py", "test_lab.py", "test_own_car_evening.py", "test_quick_car_page.py",
    "test_left_and_found.py", "test_keyboard.py",
)  # fmt: skip


def pytest_xdist_auto_num_workers() -> int:
    """Three for two cores: a test with a browser mostly waits, and another can work meanwhile.

    With more, the lab's own processes, which give way to everything else, would hardly get a turn.
    """
    cores = os.cpu_count() or 1
    return cores + cores // 2


def pytest_configure(config: pytest.Config) -> None:
    """Compile the program once, for the hundreds of processes that tests start, where none keeps bytecode."""
    if not hasattr(config, "workerinput"):
        for room in (sim, ui):
            compile_dir(room.__path__[0], quiet=2)


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Iterator[None]:
    """Test modules and all that they import are as much a part of the program as it is itself."""
    with kept_for_good():
        return (yield)


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Each worker begins with some of the longest stories, so that none is alone with them at the end."""
    workers = getattr(config, "workerinput", {}).get("workercount", 1)
    items[:] = dealt(items, [_place(one) for one in items], workers)


def _place(item: pytest.Item) -> Place | None:
    """Files stay together, for what their tests share; those of the first share nothing."""
    if item.path.name not in LONGEST:
        return None
    place = LONGEST.index(item.path.name)
    return place, "" if place else item.name


def dealt(items: Sequence[T], places: Sequence[Place | None], workers: int) -> list[T]:
    """The items in as many equal parts as there are workers, as xdist splits them, the longest first in each.

    The longest, which have a place, are dealt out by turns in the order of their places.
    """
    stories: dict[Place, list[T]] = {place: [] for place in sorted(one for one in places if one)}
    others: list[T] = []
    for item, place in zip(items, places, strict=True):
        (others if place is None else stories[place]).append(item)
    longest = list(stories.values())
    order: list[T] = []
    for worker in range(workers):
        most = (len(items) - len(order)) // (workers - worker)
        begun = [one for story in longest[worker::workers] for one in story]
        room = max(0, most - len(begun))
        order += begun + others[:room]
        del others[:room]
    return order


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """What a browser test that was tried twice failed by the first time."""
    for report in terminalreporter.getreports("rerun"):
        terminalreporter.write_line(f"first try of {report.nodeid}:\n{report.longreprtext[-1500:]}")


@pytest.fixture(autouse=True)
def main_module() -> None:
    """Give each test the main module of the run: a page that was run in this process leaves its own behind.

    A process that a test starts runs the main module first.
    """
    sys.modules["__main__"] = MAIN


@pytest.fixture(scope="session")
def chromium() -> str:
    """Path of the browser that browser tests drive."""
    return _program("chromium")


@pytest.fixture(scope="session")
def ngspice() -> str:
    """Path of the circuit simulator that wiring is compared with."""
    return _program("ngspice")


def _program(name: str) -> str:
    path = shutil.which(name)
    if path is None:
        pytest.skip(f"the program {name} is not installed on this machine")
    return path
