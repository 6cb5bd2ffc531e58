"""A PostgreSQL server of the tests' own, where one can start; `pytest.skip` says why it cannot."""

import os
import pwd
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text

PLACES = ("/usr/lib/postgresql",)


@contextmanager
def postgresql_server() -> Iterator[str]:
    """The URL of a server up to the name of the database: the one in BUSBAY_TEST_POSTGRESQL, or a new one."""
    known = os.environ.get("BUSBAY_TEST_POSTGRESQL")
    if known:
        yield known.rstrip("/")
        return
    initdb, pg_ctl = _program("initdb"), _program("pg_ctl")
    folder = Path(tempfile.mkdtemp(prefix="pg", dir="/tmp"))  # the name of a socket may not be long
    as_user = _as_ordinary_user(folder)
    port = _free_port()
    options = f"-p {port} -k {folder} -c listen_addresses=127.0.0.1 -c fsync=off"
    try:
        _run([*as_user, initdb, "-N", "-D", f"{folder}/data", "-A", "trust", "-U", "busbay"])
        _run([*as_user, pg_ctl, "-D", f"{folder}/data", "-w", "-o", options, "-l", f"{folder}/log", "start"])
        yield f"postgresql+psycopg://busbay@127.0.0.1:{port}"
    finally:
        stop = [*as_user, pg_ctl, "-D", f"{folder}/data", "-m", "immediate", "stop"]
        subprocess.run(stop, capture_output=True, check=False)
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def server_stopped(data: Path) -> Iterator[None]:
    """Stop the server that keeps its data in a folder, and start it again as it was started."""
    pg_ctl = [*_as_its_owner(data), _program("pg_ctl"), "-D", str(data), "-w"]
    _run([*pg_ctl, "-m", "fast", "stop"])
    try:
        yield
    finally:
        _run([*pg_ctl, "-l", f"{data.parent}/log", "restart"])  # with the options that it had


def new_database(server: str) -> str:
    """The URL of a database of this process's own on a server."""
    name = f"class_{os.getpid()}"
    engine = create_engine(f"{server}/postgres", isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(text(f"DROP DATABASE IF EXISTS {name}"))
        connection.execute(text(f"CREATE DATABASE {name}"))
    engine.dispose()
    return f"{server}/{name}"


def emptied(database: str) -> str:
    """A database without what the last test left in it."""
    engine = create_engine(database, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(text("DROP SCHEMA IF EXISTS public CASCADE"))
        connection.execute(text("CREATE SCHEMA public"))
    engine.dispose()
    return database


def _program(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        places = [path for place in PLACES for path in Path(place).glob(f"*/bin/{name}")]
        found = str(max(places)) if places else None
    if found is None:
        pytest.skip(f"no PostgreSQL here: the program {name} is not installed")
    return found


def _as_ordinary_user(folder: Path) -> list[str]:
    """PostgreSQL does not start as the superuser."""
    if os.geteuid() != 0:
        return []
    runuser = shutil.which("runuser")
    try:
        user = pwd.getpwnam("postgres")
    except KeyError:
        user = None
    if runuser is None or user is None:
        pytest.skip("no PostgreSQL here: it does not start as the superuser, and there is no user 'postgres'")
    os.chown(folder, user.pw_uid, user.pw_gid)
    return [runuser, "-u", "postgres", "--"]


def _as_its_owner(folder: Path) -> list[str]:
    owner = folder.stat().st_uid
    return [] if owner == os.geteuid() else ["runuser", "-u", pwd.getpwuid(owner).pw_name, "--"]


def _run(command: list[str]) -> None:
    done = subprocess.run(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, check=False, cwd="/tmp"
    )
    if done.returncode:
        pytest.skip(f"no PostgreSQL here: {' '.join(command[-3:])} ended with {done.stderr.strip()[-300:]}")


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        return int(probe.getsockname()[1])
