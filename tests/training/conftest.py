"""Databases for the records: a file of SQLite, and a PostgreSQL server of the test's own where one can start.

An existing server is used where BUSBAY_TEST_POSTGRESQL holds its URL; its user may create databases.
"""

from collections.abc import Iterator
from pathlib import Path

import pytest

from sim.training.records import Records
from tests.training.databases import emptied, new_database, postgresql_server


@pytest.fixture(scope="session")
def postgresql() -> Iterator[str]:
    """The URL of a PostgreSQL server, up to the name of the database."""
    with postgresql_server() as server:
        yield server


@pytest.fixture(scope="session")
def postgresql_database(postgresql: str) -> str:
    """The URL of a database of this process's own."""
    return new_database(postgresql)


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The URL of an empty database."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path}/class.sqlite"
    return emptied(request.getfixturevalue("postgresql_database"))


@pytest.fixture
def records(url: str) -> Iterator[Records]:
    kept = Records(url)
    yield kept
    kept.close()
