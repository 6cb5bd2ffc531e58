"""One database of records: its engine, version and clock, and what every part of the records does with it.

SQLite by default, any database by its URL through SQLAlchemy: `sqlite:///class.sqlite`,
`postgresql+psycopg://user@host/name`.

Not modeled: going back to an older version.
"""

from __future__ import annotations

import hashlib
import random
import time
import unicodedata
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any, TypeVar

from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError
from sqlalchemy import (
    Connection,
    Engine,
    RowMapping,
    ScalarSelect,
    Select,
    Table,
    create_engine,
    delete,
    event,
    func,
    inspect,
    select,
    text,
    true,
)
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DatabaseError, NoSuchModuleError

from sim.training.out_of_reach import OutOfReach
from sim.training.schema import (
    about,
    assignments,
    attempts,
    class_lists,
    classes,
    co_teachers,
    deeds,
    knocks,
    messages,
    metadata,
    passphrases,
    record_stores,
    results,
    reviews,
    statements,
    students,
    tokens,
    visits,
)
from sim.training.upkeep import check_whole, copy_before_version, make_private
from sim.vehicle.problems import Problem

VERSION = 9
BUSY_S = 10.0  # how long a writer waits for another
CONNECT_S = 5  # how long a server may take to answer
MOST_CONNECTIONS = 60  # to a server; a file has one writer anyhow
# two transactions that cannot both be alone: SQLSTATE of PostgreSQL, appendix A (serialization_failure,
# deadlock_detected), and a key that the other took first (unique_violation)
COLLISIONS = ("40001", "40P01", "23505")
RETRIES, RETRY_WITHIN_S = 100, 0.05
UPGRADE_LOCK = 20_250  # any number that no other program takes for an advisory lock in this database

Row = TypeVar("Row")


@dataclass(frozen=True, slots=True)
class Store:
    """A database and the clock that dates what is written into it, in seconds since 1970 (UTC)."""

    engine: Engine
    clock: Callable[[], float]

    def one(self, wanted: Select[Any], what: str) -> Any:
        """The only row of a query by column; raises `Problem` where there is none."""
        with reading(self.engine) as connection:
            return one(connection, wanted, what)

    def rows(self, make: Callable[..., Row], wanted: Select[Any]) -> list[Row]:
        """What `make` builds from each row of a query, its columns given by name."""
        with reading(self.engine) as connection:
            return [make(**row) for row in connection.execute(wanted).mappings()]

    def erase(self, table: Table, number: int, what: str) -> None:
        """Delete a row with all that belongs to it, so that its bytes are gone from the disk, too."""
        with writing(self.engine) as connection:
            one(connection, select(table).where(table.c.id == number), what)
            connection.execute(delete(table).where(table.c.id == number))
        if self.engine.dialect.name == "sqlite":
            # the journal still holds what was erased until it is folded in
            raw = self.engine.raw_connection()
            try:
                raw.cursor().execute("PRAGMA wal_checkpoint(TRUNCATE)")
            finally:
                raw.close()


def one(connection: Connection, wanted: Select[Any], what: str) -> Any:
    """The first row of a query by column; raises `Problem` where there is none."""
    row = connection.execute(wanted).mappings().first()
    if row is None:
        raise Problem(f"there is no such {what}")
    return row


def insert(connection: Connection, table: Table, row: dict[str, Any]) -> int:
    """Insert a row and return its number."""
    key = connection.execute(table.insert().values(**row)).inserted_primary_key
    assert key is not None
    return int(key[0])


def notify(connection: Connection, class_id: int, **changes: Any) -> None:
    """Change columns of a class and count up its news, so that its students' pages read again."""
    one(connection, select(classes).where(classes.c.id == class_id), "class")
    here = classes.update().where(classes.c.id == class_id)
    connection.execute(here.values(news=classes.c.news + 1, **changes))


def class_of(student_id: int) -> ScalarSelect[Any]:
    """The number of a student's class, inside a query."""
    return select(students.c.class_id).where(students.c.id == student_id).scalar_subquery()


def result_of(connection: Connection, attempt_id: int) -> RowMapping | None:
    """What was handed in of an attempt; None while it is open."""
    return connection.execute(select(results).where(results.c.attempt_id == attempt_id)).mappings().first()


def checked_name(name: str, what: str, longest: int) -> str:
    """A name with single spaces; raises `Problem` where it is empty, too long or not printable."""
    name = " ".join(name.split())
    if not 1 <= len(name) <= longest or not name.isprintable():
        raise Problem(f"the name of a {what} has 1 to {longest} characters (here: {len(name)})")
    return name


def name_key(name: str) -> str:
    """What is the same for names that differ by letter case or by the form of their letters only."""
    return unicodedata.normalize("NFKC", name).casefold()


def connected(url: str) -> Engine:
    """An engine for a database whose tables are those of this version; raises `Problem` in a sentence."""
    try:
        place = make_url(url)
        make_private(place)
        engine = create_engine(place, pool_pre_ping=True, **_waits(place))
    except (ArgumentError, NoSuchModuleError, ModuleNotFoundError) as error:
        raise Problem(f"this is no database that can be used here: {_first_line(error)}") from None
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
    try:
        with engine.connect().execution_options(writes=True) as connection, connection.begin():
            check_whole(connection)
            _upgrade(connection)
            _check_complete(connection)
    except DatabaseError as error:
        engine.dispose()
        raise OutOfReach(error, _first_line(error)) from None
    except Problem:
        engine.dispose()
        raise
    return engine


def _waits(place: URL) -> dict[str, Any]:
    """How long a server is waited for; SQLite is told by `_prepare_sqlite`."""
    if place.get_backend_name() != "postgresql":
        return {}
    options = f"-c lock_timeout={BUSY_S * 1000:.0f}"
    told = {"connect_timeout": CONNECT_S, "options": options}
    return {"connect_args": told, "max_overflow": MOST_CONNECTIONS}


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """A transaction that writes: whole or not at all, one after the other.

    Other programs may write, too: what they left in another version is brought to this one, or told.
    """
    with engine.connect().execution_options(writes=True) as connection, connection.begin():
        _of_this_version(connection)
        yield connection


def alone(engine: Engine, work: Callable[[Connection], Row]) -> Row:
    """What `work` returns from a transaction that writes as if no other ran at the same time.

    On a server others do run, so it is done again where one of them came between: `work` changes nothing but
    the database.
    """
    retries = RETRIES
    while True:
        try:
            with _serializable(engine) as connection, connection.begin():
                _of_this_version(connection)
                return work(connection)
        except DatabaseError as error:
            retries -= 1
            if retries < 0 or getattr(error.orig, "sqlstate", "") not in COLLISIONS:
                raise
            time.sleep(RETRY_WITHIN_S * random.random())


def _serializable(engine: Engine) -> Connection:
    options: dict[str, Any] = {"writes": True}
    if engine.dialect.name == "postgresql":
        options["isolation_level"] = "SERIALIZABLE"
    return engine.connect().execution_options(**options)


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


def _to_version_4(connection: Connection) -> None:
    for table, column in (
        ("classes", "by_approval BOOLEAN NOT NULL DEFAULT false"),
        ("students", "name_key VARCHAR(200) NOT NULL DEFAULT ''"),
        ("students", "admitted BOOLEAN NOT NULL DEFAULT true"),
        ("students", "browser_hash VARCHAR(64)"),
        ("assignments", "begins_s FLOAT"),
        ("assignments", "due_s FLOAT"),
        ("assignments", "released_s FLOAT"),
        ("attempts", "released_s FLOAT"),
        ("attempts", "superseded INTEGER NOT NULL DEFAULT 0"),
    ):
        connection.execute(text(f"ALTER TABLE {table} ADD COLUMN {column}"))
    metadata.create_all(connection, [class_lists])
    _tell_names_apart(connection)
    _number_double_attempts(connection)
    # debriefs that could be seen so far stay open
    handed_in = attempts.update().where(attempts.c.id.in_(select(results.c.attempt_id)))
    connection.execute(handed_in.values(released_s=time.time()))
    over = select(attempts.c.assignment_id).where(attempts.c.id.in_(select(results.c.attempt_id)))
    exams = assignments.update().where(assignments.c.practice.is_(False), assignments.c.id.in_(over))
    connection.execute(exams.values(released_s=time.time()))
    for index in (*students.indexes, *attempts.indexes):
        index.create(connection, checkfirst=True)


def _to_version_5(connection: Connection) -> None:
    metadata.create_all(connection, [knocks])
    for column in ("wrong_in_a_row", "closed_until_s"):
        connection.execute(text(f"ALTER TABLE passphrases DROP COLUMN {column}"))


def _add_column(connection: Connection, table: str, column: str) -> None:
    """Add a column that is not there yet: a table that came on the way has those of this version."""
    known = {one["name"] for one in inspect(connection).get_columns(table)}
    if column.partition(" ")[0] not in known:
        connection.execute(text(f"ALTER TABLE {table} ADD COLUMN {column}"))


def _to_version_6(connection: Connection) -> None:
    for table, column in (
        ("classes", "weights TEXT"),
        ("students", "outside_id VARCHAR(120) NOT NULL DEFAULT ''"),
        ("students", "partner VARCHAR(60) NOT NULL DEFAULT ''"),
        ("students", "pin_hash VARCHAR(200)"),
        ("students", "hand_up_s FLOAT"),
        ("class_lists", "outside_id VARCHAR(120) NOT NULL DEFAULT ''"),
        ("assignments", "entry VARCHAR(60) NOT NULL DEFAULT ''"),
        ("assignments", "place FLOAT NOT NULL DEFAULT 0"),
        ("assignments", "points FLOAT NOT NULL DEFAULT 100"),
        ("assignments", "withdrawn_s FLOAT"),
        ("assignments", "topic VARCHAR(60) NOT NULL DEFAULT ''"),
        ("assignments", "car VARCHAR(60) NOT NULL DEFAULT ''"),
        ("assignments", "level INTEGER NOT NULL DEFAULT 1"),
        ("assignments", "aim_min FLOAT NOT NULL DEFAULT 0"),
        ("actions", "by_whom VARCHAR(60) NOT NULL DEFAULT ''"),
        ("results", "rubric TEXT"),
        ("messages", "assignment_id INTEGER REFERENCES assignments (id) ON DELETE CASCADE"),
        ("messages", "hint INTEGER"),
    ):
        _add_column(connection, table, column)
    metadata.create_all(connection, [reviews, record_stores, statements, visits])
    for row in connection.execute(select(assignments.c.id, assignments.c.file)).all():
        here = assignments.update().where(assignments.c.id == row.id)
        connection.execute(here.values(place=row.id, **_told_by(row.file)))
    for index in messages.indexes:
        index.create(connection, checkfirst=True)


def _to_version_7(connection: Connection) -> None:
    _add_column(connection, "attempts", "program VARCHAR(40) NOT NULL DEFAULT ''")


def _to_version_8(connection: Connection) -> None:
    for table, column in (
        ("classes", "opened_by INTEGER"),
        ("passphrases", "name VARCHAR(60) NOT NULL DEFAULT ''"),
        ("passphrases", "name_key VARCHAR(200) NOT NULL DEFAULT ''"),
        ("tokens", "instructor_id INTEGER NOT NULL DEFAULT 1"),
        ("logins", "name VARCHAR(60) NOT NULL DEFAULT ''"),
    ):
        _add_column(connection, table, column)
    metadata.create_all(connection, [co_teachers])
    for index in passphrases.indexes:
        index.create(connection, checkfirst=True)


def _to_version_9(connection: Connection) -> None:
    _add_column(connection, "reviews", "by_whom VARCHAR(60) NOT NULL DEFAULT ''")
    metadata.create_all(connection, [deeds])


def _told_by(file: str) -> dict[str, Any]:
    """Topic, car, level and minutes of an exercise file; what cannot be read stays as it is by default."""
    with suppress(YAMLError, KeyError, TypeError, ValueError):
        told = YAML(typ="safe", pure=True).load(file)
        minutes = float(told.get("minutes", 30))
        topic, car = str(told["topic"])[:60], str(told["car"])[:60]
        return {"topic": topic, "car": car, "level": int(told.get("level", 1)), "aim_min": minutes}
    return {}


def _tell_names_apart(connection: Connection) -> None:
    """Of names that differ by letter case the first has the plain key."""
    taken = set()
    # of this version, which later columns are not in
    old = select(students.c.id, students.c.class_id, students.c.name).order_by(students.c.id)
    for row in connection.execute(old).mappings().all():
        key = name_key(row["name"])
        if (row["class_id"], key) in taken:
            key = f"{key} #{row['id']}"
        taken.add((row["class_id"], key))
        connection.execute(students.update().where(students.c.id == row["id"]).values(name_key=key))


def _number_double_attempts(connection: Connection) -> None:
    """Of two attempts of one student the last counts, as it did so far."""
    last = select(func.max(attempts.c.id)).group_by(attempts.c.student_id, attempts.c.assignment_id)
    double = attempts.update().where(attempts.c.student_id.is_not(None), attempts.c.id.not_in(last))
    connection.execute(double.values(superseded=attempts.c.id))


# what leads to a version from the one before it
MIGRATIONS: dict[int, Callable[[Connection], None]] = {
    2: _to_version_2,
    3: _to_version_3,
    4: _to_version_4,
    5: _to_version_5,
    6: _to_version_6,
    7: _to_version_7,
    8: _to_version_8,
    9: _to_version_9,
}


def _of_this_version(connection: Connection) -> None:
    """Upgrade records that became older while they were open, as by a restored copy; refuse newer ones."""
    if connection.scalar(select(about.c.version)) != VERSION:
        _upgrade(connection)


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
    if found < VERSION:
        copy_before_version(connection, VERSION)
    for version in range(found + 1, VERSION + 1):
        MIGRATIONS[version](connection)
    if found < VERSION:
        connection.execute(about.update().values(version=VERSION))


def _check_complete(connection: Connection) -> None:
    """Raise `Problem` if a table or a column is not there, at the start and not at some student's click."""
    found = inspect(connection).get_multi_columns().items()
    there = {name: {one["name"] for one in columns} for (_, name), columns in found}
    lacking = [
        table.name if table.name not in there else f"{table.name}.{column.name}"
        for table in metadata.sorted_tables
        for column in table.columns
        if column.name not in there.get(table.name, ())
    ]
    if lacking:
        missing = ", ".join(dict.fromkeys(lacking))
        raise Problem(f"the records are damaged (missing: {missing}): restore a copy with 'busbay restore'")


def _first_line(error: Exception) -> str:
    return str(getattr(error, "orig", None) or error).splitlines()[0]
