"""What the front end's tests share: a folder of their own for what is kept, a served front end, a browser."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from sim.training.records import RECORDS_VARIABLE
from tests.ui.browser import browser, front_end, opened_alone


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """A test that drives a browser is tried twice, and the summary says so.

    The pace of a browser's drawing is not ours, and on a busy machine one of hundreds of clicks meets a page
    that is replaced that instant. What fails twice is a defect.
    """
    for item in items:
        if "chromium" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.flaky(reruns=1))


@pytest.fixture(scope="session", autouse=True)
def records_url(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The URL of the records that a front end opens in these tests."""
    folder = tmp_path_factory.mktemp("records")
    url = f"sqlite:///{folder}/classes.sqlite"
    os.environ |= {RECORDS_VARIABLE: url, "XDG_DATA_HOME": str(folder)}
    return url


@pytest.fixture(scope="session")
def served_records(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The URL of the records of the front end that browser tests share.

    They are not those of the tests without a browser: an exam there would be held back here.
    """
    return f"sqlite:///{tmp_path_factory.mktemp('served')}/classes.sqlite"


@pytest.fixture(scope="session")
def address(chromium: str, served_records: str) -> Iterator[str]:
    """The address of a front end that all files share which do not ask for one of their own."""
    folder = served_records.removeprefix("sqlite:///").rpartition("/")[0]
    with front_end(**{RECORDS_VARIABLE: served_records, "XDG_DATA_HOME": folder}) as served:
        yield served


@pytest.fixture(scope="session")
def profile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of what a browser keeps, file after file."""
    return tmp_path_factory.mktemp("profile")


@pytest.fixture(scope="module")
def started(chromium: str, profile: Path) -> Iterator[Browser]:
    """A browser."""
    with browser(chromium, profile) as one:
        yield one


@pytest.fixture
def page(started: Browser, address: str) -> Iterator[Page]:
    """A page of the front end on a laptop."""
    one = opened_alone(started, address)
    yield one
    one.close()
