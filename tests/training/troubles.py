"""What can happen to the records' database while a class works, made to happen on a real one."""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from pathlib import Path

from sqlalchemy import Engine, create_engine, event, text
from sqlalchemy.engine import make_url

from sim.training.store import VERSION
from tests.training.databases import server_stopped

REFUSES_CONNECTIONS = "their server does not answer"
FULL_DISK = """
CREATE FUNCTION full_disk() RETURNS trigger LANGUAGE plpgsql AS
$$BEGIN RAISE EXCEPTION 'could not extend file' USING ERRCODE = 'disk_full'; END$$;
DO $$DECLARE one text; BEGIN
  FOR one IN SELECT tablename FROM pg_tables WHERE schemaname = 'public' LOOP
    EXECUTE format('CREATE TRIGGER full_disk BEFORE INSERT OR UPDATE ON %I '
                   'FOR EACH STATEMENT EXECUTE FUNCTION full_disk()', one);
  END LOOP;
END$$;
"""
LAST_COLUMNS = (("reviews", "by_whom"),)  # those that the last change of the tables brought
DISK_BYTES = 2**22
Trouble = Callable[[Engine], AbstractContextManager[None]]


@contextmanager
def _each_connection(engine: Engine, during: str, after: str) -> Iterator[None]:
    """Say something to SQLite in every connection, and something else when it is over."""

    def say(connection: object, record: object) -> None:
        connection.execute(during)  # type: ignore[attr-defined]

    engine.dispose()
    event.listen(engine, "connect", say)
    try:
        yield
    finally:
        event.remove(engine, "connect", say)
        engine.dispose()
        with engine.connect() as connection:
            connection.exec_driver_sql(after)


@contextmanager
def disk_full(engine: Engine) -> Iterator[None]:
    """Have no page more to write on."""
    if engine.dialect.name == "sqlite":
        with engine.begin() as connection:  # rows fill what is free in the last page
            pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
        with _each_connection(engine, f"PRAGMA max_page_count = {pages}", "PRAGMA page_count"):
            yield
        return
    with engine.begin() as connection:
        connection.execute(text(FULL_DISK))
    yield
    with engine.begin() as connection:
        connection.exec_driver_sql("DROP FUNCTION full_disk CASCADE")


@contextmanager
def small_disk(folder: Path) -> Iterator[None]:
    """Put a disk of its own at a folder, which can be filled and made read-only, if this user may."""
    mount = ["mount", "-t", "tmpfs", "-o", f"size={DISK_BYTES}", "busbay", str(folder)]
    done = subprocess.run(mount, capture_output=True, check=False)
    try:
        yield
    finally:
        if not done.returncode:
            subprocess.run(["umount", "--lazy", str(folder)], check=True)


def is_on_its_disk(engine: Engine) -> bool:
    """Whether the records are in a file in a folder on a disk of its own."""
    return engine.dialect.name == "sqlite" and _disk_of(engine).is_mount()


def _disk_of(engine: Engine) -> Path:
    return Path(str(engine.url.database)).parent.parent


@contextmanager
def disk_really_full(engine: Engine) -> Iterator[None]:
    """Fill the disk that the records are on."""
    engine.dispose()  # what is written from now on needs room
    filler = Path(str(engine.url.database)).with_name("filler")
    with filler.open("wb", buffering=0) as file, suppress(OSError):
        while True:
            file.write(bytes(4096))
    yield
    filler.unlink()


@contextmanager
def folder_read_only(engine: Engine) -> Iterator[None]:
    """Have nothing written to the disk that the records are on."""
    _remount(engine, "ro")
    yield
    _remount(engine, "rw")


def _remount(engine: Engine, how: str) -> None:
    folder = _disk_of(engine)
    for _ in range(100):  # as long as a file is open for writing it is busy
        engine.dispose()
        if not subprocess.run(["mount", "-o", f"remount,{how}", str(folder)], capture_output=True).returncode:
            return
        time.sleep(0.1)
    raise RuntimeError(f"{folder} is busy")


@contextmanager
def locked(engine: Engine) -> Iterator[None]:
    """Have another program hold them."""
    other = create_engine(engine.url)
    with other.connect() as connection:
        if engine.dialect.name == "sqlite":
            raw = connection.connection.cursor()
            raw.execute("BEGIN IMMEDIATE")
        else:
            connection.execute(text("LOCK TABLE actions, attempts IN ACCESS EXCLUSIVE MODE"))
        yield
        connection.connection.rollback()
    other.dispose()


@contextmanager
def read_only(engine: Engine) -> Iterator[None]:
    """Have a folder, or a server, that may not be written to."""
    if engine.dialect.name == "sqlite":  # the result of a folder that is read-only, which no superuser meets
        with _each_connection(engine, "PRAGMA query_only = ON", "PRAGMA query_only = OFF"):
            yield
        return
    name = engine.url.database
    with _over(engine) as connection:
        connection.execute(text(f"ALTER DATABASE {name} SET default_transaction_read_only = on"))
    engine.dispose()
    yield
    with _over(engine) as connection:
        connection.execute(text(f"ALTER DATABASE {name} RESET default_transaction_read_only"))
    engine.dispose()


@contextmanager
def stopped(engine: Engine) -> Iterator[None]:
    """Have a server that ends every connection and takes no new one; for SQLite a file that is away."""
    if engine.dialect.name == "sqlite":
        file = Path(str(engine.url.database))
        engine.dispose()
        folder = file.parent.rename(file.parent.with_name("away"))
        yield
        folder.rename(file.parent)
        return
    name = engine.url.database
    with _over(engine) as connection:
        connection.execute(text(f"ALTER DATABASE {name} ALLOW_CONNECTIONS false"))
        connection.execute(
            text("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = :name"),
            {"name": name},
        )
    yield
    with _over(engine) as connection:
        connection.execute(text(f"ALTER DATABASE {name} ALLOW_CONNECTIONS true"))


@contextmanager
def server_really_stopped(engine: Engine) -> Iterator[None]:
    """Stop the server of PostgreSQL itself, and start it again."""
    with engine.connect() as connection:
        data = Path(connection.execute(text("SHOW data_directory")).scalar_one())
    engine.dispose()
    with server_stopped(data):
        yield


def is_on_its_server(engine: Engine) -> bool:
    """Whether the records are on a server that was started for them."""
    return engine.dialect.name == "postgresql" and "BUSBAY_TEST_POSTGRESQL" not in os.environ


@contextmanager
def newer(engine: Engine) -> Iterator[None]:
    """Have records that a newer program has taken over, until those of before are restored."""
    _set_version(engine, VERSION + 1)
    yield
    _set_version(engine, VERSION)


@contextmanager
def older(engine: Engine) -> Iterator[None]:
    """Have records of the version before this one: a copy that was restored while the program ran."""
    with engine.begin() as connection:
        for table, column in LAST_COLUMNS:
            connection.execute(text(f"ALTER TABLE {table} DROP COLUMN {column}"))
    _set_version(engine, VERSION - 1)
    yield


def _set_version(engine: Engine, version: int) -> None:
    with engine.begin() as connection:
        connection.execute(text(f"UPDATE about SET version = {version}"))


@contextmanager
def _over(engine: Engine) -> Iterator[object]:
    other = create_engine(make_url(engine.url).set(database="postgres"), isolation_level="AUTOCOMMIT")
    with other.connect() as connection:
        yield connection
    other.dispose()


TROUBLES: dict[str, tuple[Trouble, str]] = {
    "disk full": (disk_full, "their disk is full"),
    "locked": (locked, "another program holds them"),
    "read-only": (read_only, "they may not be written to"),
    "stopped": (stopped, "their (server does not answer|file cannot be opened)"),
}
ON_ITS_DISK: dict[str, tuple[Trouble, str]] = {  # of a file on a disk of its own
    "disk full": (disk_really_full, "their disk is full"),
    "read-only": (folder_read_only, "they may not be written to|their file cannot be opened"),
}
ON_ITS_SERVER: dict[str, tuple[Trouble, str]] = {
    "stopped": (server_really_stopped, "their server does not answer"),
}
VERSIONS: dict[str, tuple[Trouble, str]] = {
    "newer version": (newer, "update busbay"),
    "older version": (older, "they are of another version"),
}
