"""A page whose records are out of reach says so in our own words, and comes back by itself."""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import text

from sim.training.records import RECORDS_VARIABLE, Records
from sim.training.store import VERSION
from tests.benchmarks.class_load import Class
from tests.training.troubles import stopped
from tests.ui.browser import free_port, server
from tests.ui.visitor import Visitor
from ui.errors import TITLE

PATIENCE_S = 60.0


@contextmanager
def newer(records: Records) -> Iterator[None]:
    """Have records that a newer program has written."""
    with records.engine.begin() as connection:
        connection.execute(text("UPDATE about SET version = 99"))
    yield
    with records.engine.begin() as connection:
        connection.execute(text(f"UPDATE about SET version = {VERSION}"))


def comes_back(visitor: Visitor) -> None:
    """Do what the page does by itself until the trouble is no longer told."""
    last_s = time.monotonic() + PATIENCE_S
    while TITLE in visitor.text:
        assert time.monotonic() < last_s, visitor.text
        visitor.repeat()
        time.sleep(0.3)


@pytest.mark.parametrize("url", ["postgresql"], indirect=True)
def test_a_page_out_of_reach_comes_back_by_itself(url: str, tmp_path: Path) -> None:
    """Opened too early, and cut off in the middle: the log has every line that was shown, and no other."""
    records = Records(url)
    group = Class.of(records, 1, "02")
    port = free_port()
    with server(port, **{RECORDS_VARIABLE: url, "XDG_DATA_HOME": str(tmp_path)}):
        with newer(records):
            visitor = group.enter(f"http://127.0.0.1:{port}", 0)
            visitor.__enter__()
            assert TITLE in visitor.text
            assert "update busbay" in visitor.text.replace("\\", "")
        comes_back(visitor)
        visitor.press("wait 1")
        with stopped(records.engine):
            visitor.press("wait 10")
            assert TITLE in visitor.text
            assert "127.0.0.1" not in visitor.text
            visitor.repeat()
            assert TITLE in visitor.text
        comes_back(visitor)
        visitor.press("wait 60")
        assert [] == visitor.exceptions
        visitor.close()
    assert ["wait 1 s", "wait 60 s"] == records.attempts.resume(1).attempt.log
    records.close()
