"""What all tests share."""

import os
import shutil
import sys
from collections.abc import Iterator

import pytest
from hypothesis import settings

from sim.garbage import kept_for_good

# Times on a shared machine say nothing about the code; a test that needs a limit states its own.
settings.register_profile("no deadline", deadline=None)
settings.load_profile("no deadline")

MAIN = sys.modules["__main__"]
LONGEST = (
    "test_accessible.py", "test_lab_killed.py", "test_class_browser.py", "test_left_and_found.py",
    "test_keyboard.py", "test_quick_car_page.py",
)  # fmt: skip


def pytest_xdist_auto_num_workers() -> int:
    """Three for two cores: a test with a browser mostly waits, and another can work meanwhile.

    With more, the lab's own processes, which give way to everything else, would hardly get a turn.
    """
    cores = os.cpu_count() or 1
    return cores + cores // 2


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Iterator[None]:
    """Test modules and all that they import are as much a part of the program as it is itself."""
    with kept_for_good():
        return (yield)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest stories first, so that no worker is alone with them at the end."""
    items.sort(key=lambda item: item.path.name not in LONGEST)


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
