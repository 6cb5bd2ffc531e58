"""Every page in every trouble of the records: told in our own words, nothing acknowledged lost, and back.

The records are opened too early, too. By default the troubles are a read-only folder, and a server that
stops, there for pages that write; `BUSBAY_TROUBLES=all` is the whole table.
"""

import os
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import pytest

from sim.training.records import RECORDS_VARIABLE, Records
from tests.training.conftest import postgresql, postgresql_database  # noqa: F401
from tests.training.databases import emptied
from tests.training.troubles import newer
from tests.ui.browser import free_port, server
from tests.ui.troubled_server import ALL
from tests.ui.troubles_table import FOREIGN, PAGES, QUICK_S, Page, comes_back, own_disk, served, walk
from tests.ui.visitor import Visitor
from ui.errors import TITLE

WRITING = [page for page in PAGES if page.kept]
WHOLE_TABLE = os.environ.get("BUSBAY_TROUBLES") == "all"


def test_each_page_tells_a_trouble_of_a_file_and_comes_back(tmp_path: Path) -> None:
    """With a file of SQLite: the reason on each page that needs the records; later the work goes on."""
    with own_disk(tmp_path) as url:
        _walk(url, tmp_path, ["read-only"], PAGES)


def test_damaged_records_are_one_sentence_on_the_page_and_in_the_log(tmp_path: Path) -> None:
    """The page and the server's log name what is missing; neither shows a traceback nor an SQL statement."""
    file = tmp_path / "classes.sqlite"
    Records(f"sqlite:///{file}").close()
    with closing(sqlite3.connect(file)) as raw:
        raw.execute("DROP TABLE visits")
    port, told = free_port(), tmp_path / "log"
    with (
        told.open("wb") as log,
        server(port, log=log, **{RECORDS_VARIABLE: f"sqlite:///{file}"}),
        Visitor(f"http://127.0.0.1:{port}", "bay") as visitor,
    ):
        assert TITLE in visitor.text
        assert "restore a copy with 'busbay restore'" in visitor.text
    logged = told.read_text()
    assert "damaged (missing: visits): restore a copy with 'busbay restore'" in logged
    assert not FOREIGN.search(logged)


@pytest.mark.skipif(not WHOLE_TABLE, reason="BUSBAY_TROUBLES=all walks the pages with PostgreSQL, too")
def test_each_page_tells_a_trouble_of_a_server_and_comes_back(
    request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    """With a server of PostgreSQL: the same."""
    _walk(emptied(request.getfixturevalue("postgresql_database")), tmp_path, ["stopped"], WRITING)


def _walk(url: str, folder: Path, troubles: list[str], pages: Sequence[Page]) -> None:
    troubles, pages = (list(ALL), PAGES) if WHOLE_TABLE else (troubles, pages)
    with served(url, folder, QUICK_S) as school:
        with newer(school.records.engine):  # the server has not opened them yet
            early = Visitor(school.address).__enter__()
            assert TITLE in early.text
            assert "update busbay" in early.text
        assert comes_back(early)
        early.close()
        for trouble in troubles:
            shown = walk(school, trouble, pages=pages)
            told = {name for name, one in shown.items() if "says so" in f"{one.clicked}{one.drawn}"}
            if trouble in ("read-only", "stopped"):
                assert {page.name for page in pages if page.kept or page.who != "visitor"} == told
            assert {page.name: "" for page in pages} == {name: one.wrong for name, one in shown.items()}
