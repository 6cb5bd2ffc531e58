"""The tables in which a class is kept, their version, and the steps from one version to the next.

SQLite by default, any database by its URL through SQLAlchemy: `sqlite:///class.sqlite`,
`postgresql+psycopg://user@host/name`. Times are seconds since 1970 (UTC).

Not modelled: going back to an older version.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import (
    Boolean,
    Column,
    Connection,
    Engine,
    Float,
    ForeignKey,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
    create_engine,
    event,
    false,
    inspect,
    select,
    text,
    true,
)
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DatabaseError, NoSuchModuleError

from sim.vehicle.problems import Problem

VERSION = 3
BUSY_S = 20.0  # how long a writer waits for another
UPGRADE_LOCK = 20_250  # any number that no other program takes for an advisory lock in this database

metadata = MetaData()


def _own_number() -> Column[Any]:
    return Column("id", Integer, primary_key=True)


def _belongs_to(name: str, nullable: bool = False) -> Column[Any]:
    key = ForeignKey(f"{name}.id", ondelete="CASCADE")
    column = {"classes": "class_id", "students": "student_id", "attempts": "attempt_id"}.get(name)
    return Column(column or "assignment_id", Integer, key, nullable=nullable, index=True)


about = Table("about", metadata, Column("version", Integer, nullable=False))
classes = Table(
    "classes",
    metadata,
    _own_number(),
    Column("name", String(80), nullable=False),
    Column("join_code", String(12), nullable=False, unique=True),
    Column("opened_s", Float, nullable=False),
    Column("closed_s", Float),
    # a class of one person who practices at home
    Column("private", Boolean, nullable=False, server_default=false()),
    Column("paused", Boolean, nullable=False, server_default=false()),
    # counts up with everything that the instructor lets the class know, so that one row tells of all news
    Column("news", Integer, nullable=False, server_default="0"),
)
students = Table(
    "students",
    metadata,
    _own_number(),
    _belongs_to("classes"),
    Column("name", String(60), nullable=False),
    Column("key_hash", String(64), nullable=False, unique=True),
    Column("joined_s", Float, nullable=False),
    UniqueConstraint("class_id", "name"),
)
assignments = Table(
    "assignments",
    metadata,
    _own_number(),
    _belongs_to("classes"),
    Column("exercise", String(120), nullable=False),
    Column("file", Text, nullable=False),
    Column("practice", Boolean, nullable=False),
    Column("varied", Boolean, nullable=False),
    Column("assigned_s", Float, nullable=False),
    Column("revealed", Boolean, nullable=False, server_default=false()),
    Column("shown_s", Float),  # when the class first saw the solution, however soon it was hidden again
)
attempts = Table(
    "attempts",
    metadata,
    _own_number(),
    _belongs_to("students", nullable=True),
    _belongs_to("assignments", nullable=True),
    Column("file", Text, nullable=False),
    Column("variant", Integer, nullable=False),
    Column("practice", Boolean, nullable=False),
    Column("begun_s", Float, nullable=False),
)
actions = Table(
    "actions",
    metadata,
    Column("attempt_id", Integer, ForeignKey("attempts.id", ondelete="CASCADE"), primary_key=True),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("action", Text, nullable=False),
    Column("minutes", Float, nullable=False),
    Column("done_s", Float, nullable=False),
    Column("taken_back", Boolean, nullable=False, default=False),
)
notes = Table(
    "notes",
    metadata,
    _own_number(),
    _belongs_to("attempts"),
    Column("note", Text, nullable=False),
    Column("written_s", Float, nullable=False),
)
hints = Table(
    "hints",
    metadata,
    Column("attempt_id", Integer, ForeignKey("attempts.id", ondelete="CASCADE"), primary_key=True),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("taken_s", Float, nullable=False),
)
results = Table(
    "results",
    metadata,
    Column("attempt_id", Integer, ForeignKey("attempts.id", ondelete="CASCADE"), primary_key=True),
    Column("named", Text, nullable=False),
    Column("evidence", Text, nullable=False),
    Column("complete", Boolean, nullable=False),
    Column("credit", Float, nullable=False),
    Column("minutes", Float, nullable=False),
    Column("cost", Float, nullable=False),
    Column("handed_in_s", Float, nullable=False),
)
messages = Table(
    "messages",
    metadata,
    _own_number(),
    _belongs_to("classes"),
    _belongs_to("students", nullable=True),  # none: to the whole class
    Column("words", Text, nullable=False),
    Column("sent_s", Float, nullable=False),
)
passphrases = Table(
    "passphrases",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("hash", Text, nullable=False),
    Column("wrong_in_a_row", Integer, nullable=False),
    Column("closed_until_s", Float, nullable=False),
)
logins = Table(
    "logins",
    metadata,
    _own_number(),
    Column("tried_s", Float, nullable=False, index=True),
    Column("source", String(80), nullable=False),
    Column("outcome", String(12), nullable=False),
)
tokens = Table(
    "tokens",
    metadata,
    Column("token_hash", String(64), primary_key=True),
    Column("until_s", Float, nullable=False),
)


def connected(url: str) -> Engine:
    """An engine for a database whose tables are those of this version; raises `Problem` in a sentence."""
    try:
        engine = create_engine(make_url(url), pool_pre_ping=True)
    except (ArgumentError, NoSuchModuleError, ModuleNotFoundError) as error:
        raise Problem(f"this is no database that can be used here: {_first_line(error)}") from None
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
    try:
        with writing(engine) as connection:
            _upgrade(connection)
    except DatabaseError as error:
        engine.dispose()
        raise Problem(f"the records cannot be opened: {_first_line(error)}") from None
    except Problem:
        engine.dispose()
        raise
    return engine


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """A transaction that writes: whole or not at all, one after the other."""
    with engine.connect().execution_options(writes=True) as connection, connection.begin():
        yield connection


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """A transaction that only reads, of one moment."""
    with engine.connect() as connection, connection.begin():
        yield connection


def hashed(key: str) -> str:
    """The hash of a key: a key is random and long, so a fast hash does not give it away."""
    return hashlib.sha256(key.encode()).hexdigest()


def _prepare_sqlite(connection: Any, record: object) -> None:
    connection.isolation_level = None  # transactions begin where we say so, not where the driver thinks
    for pragma in (
        "journal_mode = WAL",
        "synchronous = FULL",
        "foreign_keys = ON",
        "secure_delete = ON",
        f"busy_timeout = {BUSY_S * 1000:.0f}",
    ):
        connection.execute(f"PRAGMA {pragma}")


def _begin_sqlite(connection: Connection) -> None:
    # a reader that later wants to write could find itself overtaken: a writer says so at once
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _to_version_2(connection: Connection) -> None:
    for table, column in (
        ("classes", "private BOOLEAN NOT NULL DEFAULT false"),
        ("classes", "paused BOOLEAN NOT NULL DEFAULT false"),
        ("classes", "news INTEGER NOT NULL DEFAULT 0"),
        ("assignments", "revealed BOOLEAN NOT NULL DEFAULT false"),
    ):
        connection.execute(text(f"ALTER TABLE {table} ADD COLUMN {column}"))
    metadata.create_all(connection, [messages, tokens])


def _to_version_3(connection: Connection) -> None:
    connection.execute(text("ALTER TABLE assignments ADD COLUMN shown_s FLOAT"))
    # the time is not known: what has been handed in by now keeps its result
    seen = assignments.update().where(assignments.c.revealed.is_(true()))
    connection.execute(seen.values(shown_s=time.time()))


# what leads to a version from the one before it
MIGRATIONS: dict[int, Callable[[Connection], None]] = {2: _to_version_2, 3: _to_version_3}


def _upgrade(connection: Connection) -> None:
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(:number)"), {"number": UPGRADE_LOCK})
    if not inspect(connection).has_table("about"):
        metadata.create_all(connection)
        connection.execute(about.insert().values(version=VERSION))
        return
    found = connection.execute(select(about.c.version)).scalar_one()
    if found > VERSION:
        raise Problem(
            f"these records are of version {found}, and this program knows up to {VERSION}: update busbay"
        )
    for version in range(found + 1, VERSION + 1):
        MIGRATIONS[version](connection)
    if found < VERSION:
        connection.execute(about.update().values(version=VERSION))


def _first_line(error: Exception) -> str:
    return str(getattr(error, "orig", None) or error).splitlines()[0]
