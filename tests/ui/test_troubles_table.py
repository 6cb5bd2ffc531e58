"""Every page in every trouble of the records: told in our own words, nothing acknowledged lost, and back.

By default the folder that is read-only and the server that stops; `BUSBAY_TROUBLES=all` is the whole table.
"""

import os
from pathlib import Path

import pytest

from tests.training.conftest import postgresql, postgresql_database  # noqa: F401
from tests.training.databases import emptied
from tests.ui.troubled_server import ALL
from tests.ui.troubles_table import PAGES, QUICK_S, own_disk, served, walk

SHORT = {"sqlite": ["read-only"], "postgresql": ["stopped"]}
WALKS = {name: list(ALL) for name in SHORT} if os.environ.get("BUSBAY_TROUBLES") == "all" else SHORT
NEED_RECORDS = {page.name for page in PAGES if page.kept or page.who != "visitor"}


def test_each_page_tells_a_trouble_of_a_file_and_comes_back(tmp_path: Path) -> None:
    """With a file of SQLite: the reason on each page that needs the records; later the work goes on."""
    with own_disk(tmp_path) as url:
        _walk(url, tmp_path, WALKS["sqlite"])


def test_each_page_tells_a_trouble_of_a_server_and_comes_back(
    request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    """With a server of PostgreSQL: the same."""
    _walk(emptied(request.getfixturevalue("postgresql_database")), tmp_path, WALKS["postgresql"])


def _walk(url: str, folder: Path, troubles: list[str]) -> None:
    with served(url, folder, QUICK_S) as school:
        for trouble in troubles:
            shown = walk(school, trouble)
            told = {name for name, one in shown.items() if "says so" in f"{one.clicked}{one.drawn}"}
            if trouble in ("read-only", "stopped"):
                assert NEED_RECORDS == told
            assert {page.name: "" for page in PAGES} == {name: one.wrong for name, one in shown.items()}
