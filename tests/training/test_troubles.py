"""Troubles of the records' database: told in words, nothing acknowledged is lost, and work goes on."""

import re
from pathlib import Path

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from sim.catalogue import shipped_exercises
from sim.training import store
from sim.training.out_of_reach import OutOfReach, why_out_of_reach
from sim.training.records import Records
from sim.vehicle.problems import Problem
from tests.training.troubles import TROUBLES, disk_really_full, small_disk

FIRST = shipped_exercises()["02-left-in-storage"].read_text(encoding="utf-8")


@pytest.fixture
def short_patience(monkeypatch: pytest.MonkeyPatch) -> None:
    """A writer that does not wait long for another."""
    monkeypatch.setattr(store, "BUSY_S", 0.3)


@pytest.mark.usefixtures("short_patience")
@pytest.mark.parametrize("trouble", TROUBLES)
def test_what_goes_wrong_is_told_and_undone(url: str, trouble: str, tmp_path: Path) -> None:
    """An action that cannot be kept is refused with its reason; then the log goes on where it was."""
    if url.startswith("sqlite"):
        (tmp_path / "records").mkdir()
        url = f"sqlite:///{tmp_path}/records/class.sqlite"
    records = Records(url)
    group = records.classes.open("Tuesday")
    student, key = records.students.join(group.join_code, "Amara")
    task = records.assignments.give(group.id, FIRST)
    work = records.attempts.begin(task, student.id)
    work.do("press start")
    begin, why = TROUBLES[trouble]
    with begin(records.engine):
        told = ""
        for number in range(400):  # until the last page is full
            try:
                work.do(f"wait {1 + number % 2} s")
            except (Problem, DBAPIError) as error:
                told = str(error) if isinstance(error, Problem) else why_out_of_reach(error)
                break
        done = number
    assert re.search(why, told), told
    assert student == records.students.with_key(key)
    again = records.attempts.begin(task, student.id)
    assert (work.id, 1 + done) == (again.id, len(again.attempt.log))
    again.do("scan")
    assert "scan" == records.attempts.resume(work.id).attempt.log[-1]
    records.close()


@pytest.mark.usefixtures("short_patience")
@pytest.mark.parametrize("trouble", ["stopped", "locked"])
def test_records_that_cannot_be_opened_are_opened_later(url: str, trouble: str, tmp_path: Path) -> None:
    """A program that starts in the middle of it says so in a sentence, and opens them when it is over."""
    if url.startswith("sqlite"):
        (tmp_path / "records").mkdir()
        url = f"sqlite:///{tmp_path}/records/class.sqlite"
    records = Records(url)
    with records.engine.begin() as connection:  # an older version needs to be written to
        connection.execute(text("UPDATE about SET version = version"))
    if trouble == "stopped" or records.engine.dialect.name == "sqlite":
        with TROUBLES[trouble][0](records.engine), pytest.raises(OutOfReach, match="cannot be opened"):
            Records(url)
    Records(url).close()
    records.close()


def test_a_full_disk_is_told_to_who_connects_anew(tmp_path: Path) -> None:
    """Without room for the index of its journal a file of SQLite says so, open or not, and opens later.

    Source: SQLITE_IOERR_SHMSIZE, https://www.sqlite.org/rescode.html#ioerr_shmsize
    """
    with small_disk(tmp_path):
        if not tmp_path.is_mount():
            pytest.skip("this user may not mount a small disk")
        (tmp_path / "records").mkdir()
        url = f"sqlite:///{tmp_path}/records/class.sqlite"
        records = Records(url)
        with disk_really_full(records.engine):
            with pytest.raises(DBAPIError) as read:
                records.classes.listed()
            with pytest.raises(OutOfReach, match="cannot be opened: their disk is full") as opened:
                Records(url)
        assert ["their disk is full"] * 2 == [why_out_of_reach(one.value) for one in (read, opened)]
        assert [] == records.classes.listed()
        records.close()


def test_no_name_of_a_host_is_told_to_everybody() -> None:
    """A page says that a server does not answer; only who runs it is told which."""
    with pytest.raises(OutOfReach, match=r"127\.0\.0\.1") as opened:
        Records("postgresql+psycopg://teacher@127.0.0.1:1/none")
    assert "their server does not answer" == why_out_of_reach(opened.value)


def test_only_the_database_is_out_of_reach() -> None:
    """An error of the program is none of the records'."""
    assert "" == why_out_of_reach(ValueError("disk is full"))
