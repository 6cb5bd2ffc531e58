"""Pages of an instructor without a server: Streamlit's own test runner over records in a file."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from sim.training.passphrase import Door
from sim.training.records import RECORDS_VARIABLE, Records
from ui.state import classroom

PASSPHRASE = "correct horse battery"
PATIENCE_S = 120


@contextmanager
def records_of_pages(folder: Path, patch: pytest.MonkeyPatch) -> Iterator[Records]:
    """Records that the pages of this process have for their own."""
    url = f"sqlite:///{folder}/classes.sqlite"
    patch.setenv(RECORDS_VARIABLE, url)
    patch.setenv("XDG_DATA_HOME", str(folder))
    for cached in (classroom.records, classroom.door, classroom.library):
        cached.clear()
    records = Records(url)
    try:
        yield records
    finally:
        records.close()
        for cached in (classroom.records, classroom.door, classroom.library):
            cached.clear()


def as_instructor(records: Records, page: Callable[[], None]) -> AppTest:
    """A page in the hands of an instructor whom the door has let in."""
    door = Door(records.engine)
    if not door.has_passphrase:
        door.set_passphrase(PASSPHRASE)
    app = AppTest.from_function(page, default_timeout=PATIENCE_S)
    app.session_state["token"] = door.open(PASSPHRASE)
    return app
