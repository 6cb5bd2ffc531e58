"""The records kept well: private, whole, copied before they change, saved and restored, folded when idle.

    save_copy("sqlite:///class.sqlite", Path("monday.backup"))
    before = restore_copy("sqlite:///class.sqlite", Path("monday.backup"))

A copy is made by the database's own means while a class works: SQLite's online backup, `pg_dump`.

Not modeled: a copy of one kind of database restored into the other.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from itertools import count
from pathlib import Path

from sqlalchemy import URL, Connection, Engine, event, inspect, text
from sqlalchemy.engine import make_url

from sim.vehicle.problems import Problem

FILE_MODE = 0o600
IDLE_S = 3.0  # without a change for so long, the journal is folded into the file
# how a file begins: https://www.sqlite.org/fileformat.html#magic_header_string, and pg_dump's own format
KINDS = {"sqlite": b"SQLite format 3\x00", "postgresql": b"PGDMP"}


def file_of(place: URL) -> Path | None:
    """The file of a database; None where a server has it, or where it is in memory."""
    if place.get_backend_name() != "sqlite" or place.database in (None, "", ":memory:"):
        return None
    return Path(str(place.database))


def make_private(place: URL) -> None:
    """Let only the owner read the file; what SQLite puts beside it gets the same mode."""
    file = file_of(place)
    if file is None or not file.parent.is_dir():
        return
    try:
        os.close(os.open(file, os.O_RDWR | os.O_CREAT, FILE_MODE))
        if file.stat().st_mode & 0o077:
            file.chmod(FILE_MODE)
    except OSError:  # opening it tells why
        return


def check_whole(connection: Connection) -> None:
    """Raise `Problem` if the file is damaged; a server checks its own."""
    if connection.dialect.name == "sqlite":
        found = connection.exec_driver_sql("PRAGMA quick_check(1)").scalar_one()
        if found != "ok":
            found = str(found).splitlines()[-1]
            raise Problem(f"the records are damaged ({found}): restore a copy with 'busbay restore'")


def copy_before_version(connection: Connection, version: int) -> None:
    """Copy everything as it is, before it becomes another version: beside the file, or into a schema."""
    name = f"before_version_{version}"
    file = file_of(connection.engine.url)
    if file is not None:
        with closing(sqlite3.connect(file)) as now:  # what this transaction has changed is not in it
            _write_copy(now, file.with_name(f"{file.name}.{name}"))
    elif connection.dialect.name == "postgresql":
        connection.execute(text(f"DROP SCHEMA IF EXISTS {name} CASCADE"))
        connection.execute(text(f"CREATE SCHEMA {name}"))
        for table in inspect(connection).get_table_names():
            connection.execute(text(f"CREATE TABLE {name}.{table} AS TABLE {table}"))


def save_copy(url: str, to: Path) -> None:
    """Write a copy of the records into one file; raises `Problem`."""
    place = make_url(url)
    file = file_of(place)
    try:
        if file is None:
            with _beside(to) as made:
                _run("pg_dump", place, "--format=custom", "--no-owner", f"--file={made}")
        elif not file.exists():
            raise Problem(f"there are no records at {file}")
        else:
            with closing(sqlite3.connect(f"{file.resolve().as_uri()}?mode=ro", uri=True)) as now:
                _write_copy(now, to)
    except (OSError, sqlite3.Error) as error:
        raise Problem(f"{to} cannot be written: {error}") from None


def restore_copy(url: str, copy: Path) -> Path | None:
    """Put a copy in the place of the records; where those of before are kept now, None if there were none.

    A front end that serves goes on with what was restored. Raises `Problem`, with nothing changed.
    """
    place = make_url(url)
    kind = place.get_backend_name()
    _check_copy(copy, kind)
    file = file_of(place)
    before = _unused(file or copy)
    if file is None:
        save_copy(url, before)
        _run("pg_restore", place, "--clean", "--if-exists", "--no-owner", "--single-transaction", str(copy))
        return before
    had_any = file.exists() and file.stat().st_size > 0
    if had_any:
        save_copy(url, before)
    make_private(place)
    with closing(sqlite3.connect(copy)) as kept, closing(sqlite3.connect(file)) as now:
        kept.backup(now)
    return before if had_any else None


def _check_copy(copy: Path, kind: str) -> None:
    try:
        with copy.open("rb") as file:
            begins = file.read(16)
    except OSError as error:
        raise Problem(f"{copy}: {error.strerror}") from None
    found = next((name for name, mark in KINDS.items() if begins.startswith(mark)), "")
    if found != kind:
        raise Problem(f"{copy} is no copy of records in {kind}{f', but in {found}' if found else ''}")
    if kind != "sqlite":
        return
    try:
        with closing(sqlite3.connect(f"{copy.resolve().as_uri()}?mode=ro", uri=True)) as kept:
            whole = kept.execute("PRAGMA quick_check(1)").fetchone()[0] == "ok"
            kept.execute("SELECT version FROM about").fetchone()
    except sqlite3.Error as error:
        raise Problem(f"{copy} is no copy of records: {error}") from None
    if not whole:
        raise Problem(f"{copy} is damaged")


def _write_copy(now: sqlite3.Connection, to: Path) -> None:
    with _beside(to) as made, closing(sqlite3.connect(made)) as copy:
        now.backup(copy)
        copy.execute("PRAGMA journal_mode = DELETE")  # one file, with nothing beside it


@contextmanager
def _beside(to: Path) -> Iterator[Path]:
    """A private file that takes its name when it is whole."""
    made = to.with_name(f"{to.name}.new")
    made.unlink(missing_ok=True)
    os.close(os.open(made, os.O_WRONLY | os.O_CREAT | os.O_EXCL, FILE_MODE))
    try:
        yield made
        made.replace(to)
    finally:
        made.unlink(missing_ok=True)


def _run(program: str, place: URL, *options: str) -> None:
    """Run a program of PostgreSQL's on the database; the password is in no list of processes."""
    found = shutil.which(program)
    if found is None:
        raise Problem(f"the program {program} of PostgreSQL is not installed on this computer")
    address = place.set(drivername="postgresql", password=None).render_as_string()
    environment = os.environ | ({"PGPASSWORD": str(place.password)} if place.password else {})
    done = subprocess.run(
        [found, f"--dbname={address}", *options], env=environment, capture_output=True, text=True, check=False
    )
    if done.returncode:
        words = done.stderr.strip().splitlines() or [f"ended with {done.returncode}"]
        raise Problem(words[0])


def _unused(file: Path) -> Path:
    """A name beside a file that none has yet."""
    name = f"{file.name}.before-restore-{datetime.now(UTC):%Y%m%d-%H%M%S}"
    several = (file.with_name(f"{name}{f'-{number}' if number else ''}") for number in count())
    return next(one for one in several if not one.exists())


def fold_when_idle(engine: Engine, idle_s: float = IDLE_S) -> None:
    """Have the journal of SQLite folded into the file whenever nothing was written for a while.

    A file that is copied by other means then has everything.
    """
    if file_of(engine.url) is None:
        return
    written_s = [0.0]
    at_work = threading.Lock()

    def wait_and_fold() -> None:
        while (left_s := written_s[0] + idle_s - time.monotonic()) > 0:
            time.sleep(left_s)
        at_work.release()  # what is written from here on begins another wait
        raw = engine.raw_connection()
        try:
            raw.cursor().execute("PRAGMA wal_checkpoint(TRUNCATE)")
        except sqlite3.Error:
            return  # the next change tries again
        finally:
            raw.close()

    def written(connection: Connection) -> None:
        if connection.get_execution_options().get("writes"):
            written_s[0] = time.monotonic()
            if at_work.acquire(blocking=False):
                threading.Thread(target=wait_and_fold, daemon=True).start()

    event.listen(engine, "commit", written)
