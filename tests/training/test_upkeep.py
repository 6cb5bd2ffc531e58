"""The records are private, checked when they are opened, copied by the database's means, and restored."""

import os
import sqlite3
import time
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import create_engine, text

from sim import cli
from sim.training.records import Records
from sim.training.store import VERSION
from sim.training.upkeep import fold_when_idle, restore_copy, save_copy
from sim.vehicle.problems import Problem
from tests.training.test_records import begun, rows_of
from tests.training.test_versions import make_version_1


def test_the_file_and_what_is_beside_it_are_for_the_owner_only(tmp_path: Path) -> None:
    """Mode 0600 for a new file, its journal and its copy; a file that others could read is shut."""
    before = os.umask(0o022)
    try:
        file = tmp_path / "class.sqlite"
        file.touch(0o644)
        records = Records(f"sqlite:///{file}")
        begun(records)
        save_copy(f"sqlite:///{file}", tmp_path / "copy")
        assert {0o600} == {one.stat().st_mode & 0o777 for one in tmp_path.iterdir()}
        assert {"class.sqlite", "class.sqlite-wal", "copy"} <= {one.name for one in tmp_path.iterdir()}
        records.close()
    finally:
        os.umask(before)


def test_a_copy_taken_while_a_class_works_is_restored(url: str, tmp_path: Path) -> None:
    """What was done after the copy is gone from the records, and kept in a file; the open records go on."""
    records = Records(url)
    _, _, work = begun(records)
    work.do("press start")
    copy = tmp_path / "monday.backup"
    save_copy(url, copy)
    work.do("scan")
    before = restore_copy(url, copy)
    again = records.attempts.resume(work.id)
    assert ["press start"] == again.attempt.log
    again.do("wait 5 s")
    records.students.join(records.classes.listed()[0].join_code, "Bo")
    assert before is not None
    restore_copy(url, before)
    assert ["press start", "scan"] == records.attempts.resume(work.id).attempt.log
    records.close()


def test_what_is_no_copy_is_refused(url: str, tmp_path: Path) -> None:
    """A file that is none, that is damaged, or of another kind of database changes nothing."""
    records = Records(url)
    begun(records)
    kind = records.engine.dialect.name
    other = {"sqlite": b"PGDMP and more of it", "postgresql": b"SQLite format 3\x00 and more"}[kind]
    for content in (b"", b"my shopping list", other):
        (tmp_path / "copy").write_bytes(content)
        with pytest.raises(Problem, match="is no copy of records in"):
            restore_copy(url, tmp_path / "copy")
    with pytest.raises(Problem, match="No such file"):
        restore_copy(url, tmp_path / "none")
    assert 1 == rows_of(records, "attempts")
    records.close()


def test_damaged_records_are_told_when_they_are_opened(tmp_path: Path) -> None:
    """A page of the file is overwritten: the sentence names the way back."""
    file = tmp_path / "class.sqlite"
    records = Records(f"sqlite:///{file}")
    for number in range(60):
        records.classes.open(f"class {number}")
    records.close()
    with sqlite3.connect(file) as raw:
        root = raw.execute("SELECT rootpage FROM sqlite_master WHERE name = 'classes'").fetchone()[0]
        size = raw.execute("PRAGMA page_size").fetchone()[0]
    raw.close()
    with file.open("r+b") as spoiled:
        spoiled.seek((root - 1) * size + 8)
        spoiled.write(b"\xff" * 64)
    with pytest.raises(Problem, match=r"damaged .*busbay restore|cannot be opened: their file is damaged"):
        Records(f"sqlite:///{file}")


def test_records_that_lack_a_table_or_a_column_are_told_when_they_are_opened(tmp_path: Path) -> None:
    """What is missing is named at the start; the file is not changed, so a restored copy takes its place."""
    file = tmp_path / "class.sqlite"
    Records(f"sqlite:///{file}").close()
    with closing(sqlite3.connect(file)) as raw:
        raw.execute("DROP TABLE visits")
        raw.execute("ALTER TABLE students DROP COLUMN partner")
    with pytest.raises(Problem, match=r"missing: students\.partner, visits\).*busbay restore"):
        Records(f"sqlite:///{file}")


def test_older_records_are_copied_before_they_change(url: str) -> None:
    """Beside the records of this version are those of before, as they were."""
    make_version_1(url)
    records = Records(url)
    if records.engine.dialect.name == "sqlite":
        old = create_engine(f"{url}.before_version_{VERSION}")
        schema = ""
    else:
        old, schema = records.engine, f"before_version_{VERSION}."
    with old.connect() as connection:
        found = connection.execute(text(f"SELECT version FROM {schema}about")).scalar_one()
        names = connection.execute(text(f"SELECT name FROM {schema}students")).scalars().all()
    assert (1, ["Amara"]) == (found, names)
    old.dispose()
    records.close()


def test_an_idle_file_has_everything(tmp_path: Path) -> None:
    """A plain copy of the one file, taken while the records are open, has the class."""
    file = tmp_path / "class.sqlite"
    records = Records(f"sqlite:///{file}")
    fold_when_idle(records.engine, idle_s=0.05)
    begun(records)
    journal, last_s = tmp_path / "class.sqlite-wal", time.monotonic() + 60
    while journal.stat().st_size and time.monotonic() < last_s:
        time.sleep(0.02)
    (tmp_path / "plain").write_bytes(file.read_bytes())
    other = Records(f"sqlite:///{tmp_path}/plain")
    assert ["Tuesday"] == [one.name for one in other.classes.listed()]
    other.close()
    records.close()


def test_the_commands_say_what_they_did(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`backup` and `restore` name the files."""
    url, copy = f"sqlite:///{tmp_path}/class.sqlite", tmp_path / "copy"
    Records(url).close()
    assert 0 == cli.main(["backup", "--out", str(copy), "--records", url])
    assert f"{copy} has all records." in capsys.readouterr().out
    assert 0 == cli.main(["restore", str(copy), "--records", url])
    assert "What was there before is in" in capsys.readouterr().out
    assert 1 == cli.main(["backup", "--out", str(copy), "--records", f"sqlite:///{tmp_path}/none"])
    assert "there are no records at" in capsys.readouterr().err
