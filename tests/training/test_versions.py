"""Records of version 1 are brought to this version with everything that stood in them."""

from importlib.metadata import version
from pathlib import Path

import pytest
from sqlalchemy import create_engine, inspect, text

from sim.catalogue import shipped_exercises
from sim.training.records import Records
from sim.training.schema import metadata
from sim.training.store import VERSION, hashed
from sim.vehicle.problems import Problem
from tests.training.troubles import newer, older

FILE = shipped_exercises()["02-left-in-storage"].read_text(encoding="utf-8")
KEY = "a key from before"
ROWS = (
    "INSERT INTO about (version) VALUES (1)",
    "INSERT INTO classes (id, name, join_code, opened_s) VALUES (1, 'Tuesday', 'ACDEFHJ', 1000.0)",
    "INSERT INTO students (id, class_id, name, key_hash, joined_s) VALUES (1, 1, 'Amara', :key, 1001.0)",
    "INSERT INTO assignments (id, class_id, exercise, file, practice, varied, assigned_s) "
    "VALUES (1, 1, 'Left in storage', :file, false, false, 1002.0)",
    "INSERT INTO attempts (id, student_id, assignment_id, file, variant, practice, begun_s) "
    "VALUES (1, 1, 1, :file, 0, false, 1003.0)",
    "INSERT INTO actions (attempt_id, number, action, minutes, done_s, taken_back) "
    "VALUES (1, 1, 'press start', 0.2, 1004.0, false), (1, 2, 'wait 5 s', 0.1, 1005.0, false)",
    "INSERT INTO notes (attempt_id, note, written_s) VALUES (1, 'lamp on', 1006.0)",
)


def make_version_1(url: str) -> None:
    """A database as version 1 left it."""
    engine = create_engine(url)
    script = Path(__file__).with_name(f"version_1_{engine.dialect.name}.sql").read_text(encoding="utf-8")
    with engine.begin() as connection:
        for statement in script.split(";"):
            if statement.strip():
                connection.execute(text(statement))
        for row in ROWS:
            connection.execute(text(row), {"key": hashed(KEY), "file": FILE})
    engine.dispose()


def test_records_of_version_1_go_on_in_this_version(url: str) -> None:
    """Students, attempts and notes of a version 1 database go on in this version."""
    make_version_1(url)
    records = Records(url)
    student = records.students.with_key(KEY)
    assert ("Amara", "Tuesday") == (student.name, records.classes.get(student.class_id).name)
    work = records.attempts.begin(records.assignments.of_class(1)[0], student.id)
    assert (1, ["press start", "wait 5 s"], ["lamp on"]) == (work.id, work.attempt.log, work.attempt.notes)
    work.do("scan")
    records.notices.pause(1, True)
    records.notices.tell(1, "look into the fuse box")
    records.close()
    again = Records(url)
    assert ["press start", "wait 5 s", "scan"] == again.attempts.resume(1).attempt.log
    assert again.notices.latest(1).paused
    assert "look into the fuse box" == again.notices.messages(student.id)[0].words
    again.close()


def test_what_was_brought_to_this_version_has_the_tables_of_a_new_one(url: str) -> None:
    """An upgraded database has the columns of a new one."""
    make_version_1(url)
    records = Records(url)
    with records.engine.connect() as connection:
        assert VERSION == connection.execute(text("SELECT version FROM about")).scalar_one()
    found = inspect(records.engine)
    for table in metadata.sorted_tables:
        columns = {column["name"]: column["nullable"] for column in found.get_columns(table.name)}
        assert {column.name: column.nullable for column in table.columns} == columns
    records.close()


def test_a_replay_that_differs_says_from_which_step(records: Records) -> None:
    """A step that took other labor time when it was done is named; one that took the same is not."""
    group = records.classes.open("Tuesday")
    student, _ = records.students.join(group.join_code, "Amara")
    work = records.attempts.begin(records.assignments.give(group.id, FILE), student.id)
    for action in ("press start", "look F2", "scan"):
        work.do(action)
    assert 0 == records.attempts.resume(work.id).differs_at
    with records.engine.begin() as connection:
        connection.execute(text("UPDATE actions SET minutes = minutes + 1 WHERE number >= 2"))
    assert 2 == records.attempts.resume(work.id).differs_at


def test_an_attempt_knows_the_version_that_it_was_begun_with(records: Records) -> None:
    """The version of the package is kept with an attempt, and stays when another version takes it up."""
    group = records.classes.open("Tuesday")
    student, _ = records.students.join(group.join_code, "Amara")
    work = records.attempts.begin(records.assignments.give(group.id, FILE), student.id)
    assert version("busbay") == work.program
    with records.engine.begin() as connection:
        connection.execute(text("UPDATE attempts SET program = '0.0.9'"))
    work = records.attempts.resume(work.id)
    work.do("press start")
    assert "0.0.9" == records.attempts.resume(work.id).program


def test_records_that_become_older_or_newer_while_they_are_open(records: Records) -> None:
    """What writes next brings restored records of the version before to this one, and refuses newer ones."""
    group = records.classes.open("Tuesday")
    with older(records.engine):
        records.classes.close(group.id)
    with newer(records.engine), pytest.raises(Problem, match="update busbay"):
        records.students.join(records.classes.open("Wednesday").join_code, "Amara")
    assert ["Tuesday"] == [one.name for one in records.classes.listed()]
