"""Records of a class: kept before shown, the same on SQLite and PostgreSQL, erased when asked to."""

import csv
import io
import os
import random
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import TextIO

import pytest
from sqlalchemy import inspect, select, text

from sim.catalogue import shipped_exercises
from sim.training.kept_attempts import Elsewhere, KeptAttempt
from sim.training.passphrase import Door
from sim.training.records import Records
from sim.training.rows import AssignmentRow, StudentRow
from sim.training.schema import metadata
from sim.training.store import VERSION, writing
from sim.vehicle.problems import EditProblem, Problem
from tests.training.seen import seen

FIRST = shipped_exercises()["02-left-in-storage"].read_text(encoding="utf-8")
OTHER = shipped_exercises()["01-first-scan"].read_text(encoding="utf-8")
SOLUTION = ["press start", "wait 5 s", "scan", "save before", "press start", "look F2", "fit F2"]
SOLUTION += ["press start", "wait 5 s", "clear", "wait 10 s", "scan", "save after"]
WRITER = Path(__file__).with_name("writer.py")
KILLS = 20


def begun(
    records: Records, name: str = "Amara", practice: bool = False
) -> tuple[AssignmentRow, StudentRow, KeptAttempt]:
    group = records.classes.open("Tuesday")
    student, _ = records.students.join(group.join_code, name)
    task = records.assignments.give(group.id, FIRST, practice=practice)
    return task, student, records.attempts.begin(task, student.id)


def test_a_whole_exercise_is_kept_and_comes_back(records: Records) -> None:
    """An attempt with hints, notes and result is resumed exactly as it was."""
    task, student, work = begun(records)
    for action in SOLUTION[:6]:
        work.do(action)
    work.hint()
    work.note("only two complain")
    again = records.attempts.begin(task, student.id)
    assert again.id == work.id
    assert seen(again.attempt) == seen(work.attempt)
    for action in SOLUTION[6:]:
        again.do(action)
    assert again.hand_in(["pull F2"], "the holder was empty").complete
    third = records.attempts.resume(work.id)
    assert seen(third.attempt) == seen(again.attempt)
    assert third.attempt.result == again.attempt.result
    with pytest.raises(EditProblem, match="has been handed in"):
        third.do("scan")


def test_what_makes_no_sense_and_what_was_in_vain(records: Records) -> None:
    """A sentence that makes no sense is not kept; work in vain is."""
    _, _, work = begun(records)
    with pytest.raises(EditProblem, match="no action begins with"):
        work.do("smash ECM")
    assert "TCM.C1.1 has nothing to repair" == work.do("repair TCM.C1.1").vain
    assert ["repair TCM.C1.1"] == records.attempts.resume(work.id).attempt.log


def test_students_come_back_with_their_key(records: Records) -> None:
    """A key finds its student until a new one replaces it."""
    group = records.classes.open("  Evening   class ")
    assert "Evening class" == group.name
    student, key = records.students.join(group.join_code.lower(), "Wei")
    assert student == records.students.with_key(key)
    other = records.students.new_key(student.id)
    assert student == records.students.with_key(other)
    for wrong in (key, "", group.join_code):
        with pytest.raises(Problem, match="there is no such student with this key"):
            records.students.with_key(wrong)


@pytest.mark.parametrize(
    ("code", "name", "sentence"),
    [
        ("XXXXXXX", "Ola", "no open class has this code"),
        ("", "Ola", "no open class has this code"),
        (None, "  ", "the name of a student has 1 to 60 characters"),
        (None, "x" * 61, "has 1 to 60 characters .here: 61"),
        (None, "a\x00b", "the name of a student"),
        (None, "AMARA", "there is a 'AMARA' in this class already"),
    ],
)
def test_who_cannot_join(records: Records, code: str | None, name: str, sentence: str) -> None:
    """A wrong code, a bad name or a taken name is refused in one sentence."""
    group = records.classes.open("Tuesday")
    records.students.join(group.join_code, "Amara")
    with pytest.raises(Problem, match=sentence):
        records.students.join(group.join_code if code is None else code, name)


def test_no_key_token_pin_or_passphrase_is_in_the_records(records: Records) -> None:
    """What is in the database lets no one in: it has hashes only."""
    door, group = Door(records.engine), records.classes.open("Tuesday")
    door.set_passphrase("correct horse battery")
    student, key = records.students.join(group.join_code, "Wei", "a browser")
    records.pins.choose(student.id, "24681357")
    _, visit = records.pins.come_back(group.join_code, "Wei", "24681357")
    secrets = (key, visit, door.open("correct horse battery"), "24681357", "correct horse", "a browser")
    with records.engine.connect() as connection:
        rows = [row for table in metadata.sorted_tables for row in connection.execute(select(table))]
    assert "Wei" in str(rows)
    assert [] == [one for one in secrets if one in str(rows)]


def test_a_closed_class_cannot_be_joined(records: Records) -> None:
    """A closed class takes no students until it is open again."""
    group = records.classes.open("Tuesday")
    records.classes.close(group.id)
    assert records.classes.listed()[0].closed_s is not None
    with pytest.raises(Problem, match="no open class has this code"):
        records.students.join(group.join_code, "Amara")
    records.classes.close(group.id, closed=False)
    assert "Amara" == records.students.join(group.join_code, "Amara")[0].name


def test_join_codes_have_no_letters_that_look_alike(records: Records) -> None:
    """Join codes differ and use no letters that look alike."""
    codes = {records.classes.open(f"class {k}").join_code for k in range(20)}
    assert 20 == len(codes)
    assert not set("".join(codes)) & set("0O1IL5S8B2Z")


def test_two_windows_do_not_both_write_the_same_line(records: Records) -> None:
    """The later of two windows is told to catch up, and its line is not written."""
    task, student, one = begun(records)
    other = records.attempts.begin(task, student.id)
    one.do("press start")
    with pytest.raises(Elsewhere, match="continued in another window"):
        other.do("scan")
    assert ["press start"] == other.attempt.log
    other.do("scan")
    assert ["press start", "scan"] == records.attempts.resume(one.id).attempt.log


def test_a_window_left_behind_by_a_rewind_or_a_hand_in_is_told(records: Records) -> None:
    """A window whose attempt was rewound or handed in elsewhere is told so."""
    task, student, one = begun(records, practice=True)
    for action in SOLUTION[:4]:
        one.do(action)
    other = records.attempts.begin(task, student.id)
    one.rewind(2)
    with pytest.raises(Elsewhere):
        other.do("look F2")
    assert ["press start", "wait 5 s"] == other.attempt.log
    other.do("look F2")
    again = records.attempts.resume(one.id)
    assert ["press start", "wait 5 s", "look F2"] == again.attempt.log
    again.hand_in(["pull F2"])
    with pytest.raises(Elsewhere, match="handed in, in another window"):
        other.do("scan")


def test_what_cannot_be_kept_is_not_shown(records: Records) -> None:
    """A step of an erased attempt is refused."""
    _, student, work = begun(records)
    work.do("press start")
    records.students.delete(student.id)
    with pytest.raises(Problem, match="there is no such attempt"):
        work.do("scan")


def test_neighbors_of_a_varied_exercise_have_different_cars(records: Records) -> None:
    """A varied exercise gives neighbors different faults."""
    group = records.classes.open("Tuesday")
    task = records.assignments.give(group.id, FIRST, varied=True)
    hidden = []
    for name in ("Amara", "Bo", "Cy", "Dara"):
        student, _ = records.students.join(group.join_code, name)
        hidden.append(records.attempts.begin(task, student.id).attempt.exercise.arrives)
    assert {("pull F2",), ("pull F3",), ("pull F1",)} >= set(hidden)
    assert all(one != other for one, other in pairwise(hidden))


def test_an_exercise_with_one_fault_is_not_called_varied(records: Records) -> None:
    """The instructor who asks for different faults is told that there is but one."""
    group = records.classes.open("Tuesday")
    alone = shipped_exercises()["32-after-summer-camp"].read_text(encoding="utf-8")
    given = [records.assignments.give(group.id, file, varied=True) for file in (FIRST, alone)]
    assert [True, False] == [one.varied for one in given]


def test_an_exercise_stays_as_it_was_given(records: Records) -> None:
    """An attempt keeps the text of the exercise file that was given."""
    _, _, work = begun(records)
    with writing(records.engine) as connection:
        file = connection.execute(text("SELECT file FROM attempts")).scalar_one()
    assert FIRST == file
    assert "Left in storage" == work.attempt.exercise.exercise


def test_the_board_shows_where_each_student_is_and_who_may_be_stuck(url: str) -> None:
    """The board shows each student's progress, and signs of being stuck."""
    now_s = [1_000_000.0]
    records = Records(url, clock=lambda: now_s[0])
    task, amara, work = begun(records)
    code = records.classes.listed()[0].join_code
    late, _ = records.students.join(code, "Bo")
    guess, _ = records.students.join(code, "Cy")
    for action in SOLUTION:
        work.do(action)
    work.hand_in(["pull F2"])
    other = records.attempts.begin(task, guess.id)
    for part in ("ECM.C1.3", "TCM.C1.3", "ABS.C1.3"):
        other.do(f"repair {part}")
    other.hint()
    other.hint()
    now_s[0] += 400.0
    first, second, third = records.board(task.class_id)
    assert (amara.id, True, 1.0, ()) == (first.student_id, first.complete, first.credit, first.signs)
    assert len(SOLUTION) == first.steps
    assert pytest.approx(work.attempt.minutes) == first.minutes
    assert (late.id, None, ("has not begun",)) == (second.student_id, second.attempt_id, second.signs)
    assert ("repair ABS.C1.3", 2) == (third.last_action, third.hints)
    assert ("quiet for 7 min", "several repairs", "2 hints taken") == third.signs
    records.close()


def test_results_as_a_table_without_formulas(records: Records) -> None:
    """The results as CSV hold one line per attempt and no cell that is a formula."""
    task, _, work = begun(records, name="=HYPERLINK(1)")
    for action in SOLUTION:
        work.do(action)
    work.hand_in(["pull F2"])
    table = list(csv.DictReader(io.StringIO(records.export_csv(task.class_id)[1:])))
    assert 1 == len(table)
    assert "'=HYPERLINK(1)" == table[0]["student"]
    assert ("yes", "1.0", "pull F2") == (table[0]["complete"], table[0]["credit"], table[0]["named"])
    assert round(work.attempt.minutes, 1) == float(table[0]["minutes"])
    assert table[0]["handed in"].endswith("+00:00")
    code = records.classes.get(task.class_id).join_code
    for sign in "+-@":
        records.attempts.begin(task, records.students.join(code, f"{sign}1")[0].id)
    names = [row["student"] for row in csv.DictReader(io.StringIO(records.export_csv(task.class_id)[1:]))]
    assert ["'+1", "'-1", "'@1"] == names[1:]


def test_what_was_handed_in_after_the_solution_was_shown_is_marked_so_and_the_rest_is_not(url: str) -> None:
    """Hidden again or not, a student who had not handed in has had the chance to see it."""
    records = Records(url, clock=iter(range(1000, 2000)).__next__)
    task, early, work = begun(records)
    group = records.classes.get(task.class_id)
    late, waiting = (records.students.join(group.join_code, name)[0] for name in ("Bo", "Cy"))
    work.do("press start")
    work.hand_in(["pull F2"])
    open_work = records.attempts.begin(task, late.id)
    assert not any(row.after_showing for row in records.board(group.id))
    records.assignments.reveal(task.id)
    records.assignments.reveal(task.id, False)
    records.assignments.reveal(task.id)
    records.assignments.reveal(task.id, False)
    assert [False, True, False] == [row.after_showing for row in records.board(group.id)]
    open_work.hand_in(["pull F2"])
    assert [False, True, False] == [row.after_showing for row in records.board(group.id)]
    desks = [records.assignments.desk(student.id)[0].after_showing for student in (early, late, waiting)]
    assert [False, True, False] == desks
    assert [False, True] == [records.attempts.after_showing(one.id) for one in (work, open_work)]
    table = csv.DictReader(io.StringIO(records.export_csv(group.id)[1:]))
    assert ["no", "yes", ""] == [row["after the solution was shown"] for row in table]
    records.close()


def test_an_exercise_of_one_class_is_not_begun_by_another_s_student(records: Records) -> None:
    """A student begins only exercises of the own class."""
    task, _, _ = begun(records)
    stranger, _ = records.practice_alone()
    with pytest.raises(Problem, match="was given to another class"):
        records.attempts.begin(task, stranger.id)
    assert [None] == [row.attempt_id for row in records.board(stranger.class_id)]


def test_erasing_leaves_nothing(records: Records) -> None:
    """Erasing a student or class removes every row, and its bytes from the file."""
    task, student, work = begun(records, name="Zebulon Quixano")
    work.do("press start")
    work.hint()
    work.note("my secret note")
    work.hand_in(["pull F2"], "secret evidence")
    keep, _ = records.students.join(records.classes.listed()[0].join_code, "Bo")
    records.students.delete(student.id)
    assert [keep] == records.students.of_class(task.class_id)
    assert 0 == sum(rows_of(records, name) for name in ("attempts", "actions", "notes", "hints", "results"))
    if records.engine.dialect.name == "sqlite":
        folder = Path(str(records.engine.url.database)).parent
        left = _bytes_in(folder)
        for secret in (b"Zebulon", b"my secret note", b"secret evidence"):
            assert secret not in left
    records.classes.delete(task.class_id)
    assert [] == records.classes.listed()
    assert 0 == rows_of(records, "assignments")
    with pytest.raises(Problem, match="there is no such class"):
        records.classes.delete(task.class_id)


def test_erasing_overwrites_also_where_sqlite_leaves_what_was_deleted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLite zeroes deleted rows by itself only where it was built to (SECURE_DELETE): here as most are."""

    def connect(*args: object, **more: object) -> sqlite3.Connection:
        connection = sqlite3.Connection(*args, **more)  # type: ignore[arg-type]
        connection.execute("PRAGMA secure_delete = OFF")
        return connection

    monkeypatch.setattr(sqlite3.dbapi2, "connect", connect)
    records = Records(f"sqlite:///{tmp_path}/class.sqlite")
    _, student, work = begun(records, name="Zebulon Quixano")
    work.note("my secret note")
    secrets = (b"Zebulon", b"my secret note")
    assert secrets == tuple(one for one in secrets if one in _bytes_in(tmp_path))
    records.students.delete(student.id)
    assert [] == [one for one in secrets if one in _bytes_in(tmp_path)]
    records.close()
    assert [] == [one for one in secrets if one in _bytes_in(tmp_path)]


def _bytes_in(folder: Path) -> bytes:
    return b"".join(path.read_bytes() for path in sorted(folder.iterdir()))


def rows_of(records: Records, table: str) -> int:
    with records.engine.connect() as connection:
        return int(connection.execute(text(f"SELECT count(*) FROM {table}")).scalar_one())


def test_thirty_students_write_at_once(records: Records) -> None:
    """Every line is there in the end, in order."""
    group = records.classes.open("Tuesday")
    task = records.assignments.give(group.id, FIRST)
    works = [
        records.attempts.begin(task, records.students.join(group.join_code, f"student {k}")[0].id).id
        for k in range(30)
    ]
    errors: list[BaseException] = []

    def write(attempt: int) -> None:
        try:
            for number in range(1, 11):
                records.attempts.add_action(attempt, number, f"wait {number} s", 0.1, number - 1)
        except BaseException as error:
            errors.append(error)

    threads = [threading.Thread(target=write, args=(attempt,)) for attempt in works]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [] == errors
    assert 300 == rows_of(records, "actions")


# -- killed at any moment ----------------------------------------------------------------------------------


def test_killed_at_any_moment_nothing_acknowledged_is_lost(url: str) -> None:
    """A process that writes for four students is killed twenty times, each time at another moment."""
    records = Records(url)
    group = records.classes.open("Tuesday")
    task = records.assignments.give(group.id, FIRST)
    works = [
        records.attempts.begin(task, records.students.join(group.join_code, f"s{k}")[0].id).id
        for k in range(4)
    ]
    acknowledged = dict.fromkeys(works, 0)
    dice = random.Random(7)
    with writers(url, KILLS, works) as out:
        for _ in range(KILLS):
            pid = int(out.readline().removeprefix("writer "))
            time.sleep(dice.uniform(0.0, 0.25))
            os.kill(pid, signal.SIGKILL)
            for attempt, number in told(out):
                acknowledged[attempt] = max(acknowledged[attempt], number)
            for attempt in works:
                with records.engine.connect() as connection:
                    wanted = text("SELECT number FROM actions WHERE attempt_id = :id ORDER BY number")
                    stored = list(connection.execute(wanted, {"id": attempt}).scalars())
                assert list(range(1, len(stored) + 1)) == stored
                assert len(stored) >= acknowledged[attempt]
    assert sum(acknowledged.values()) > KILLS
    records.close()


def test_an_exercise_goes_on_after_the_server_was_killed(url: str) -> None:
    """An attempt goes on after the process that wrote it was killed."""
    records = Records(url)
    _, _, work = begun(records)
    work.do("press start")
    records.close()
    with writers(url, 1, [work.id]) as out:
        pid = int(out.readline().removeprefix("writer "))
        assert out.readline()
        os.kill(pid, signal.SIGKILL)
    after = Records(url)
    again = after.attempts.resume(work.id)
    assert "press start" == again.attempt.log[0]
    assert len(again.attempt.log) >= 2
    again.do("scan")
    after.close()


@contextmanager
def writers(url: str, lives: int, attempts: list[int]) -> Iterator[TextIO]:
    """What writers say; see `writer.py`."""
    command = [sys.executable, str(WRITER), url, str(lives), *map(str, attempts)]
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as nursery:
        assert nursery.stdout is not None
        yield nursery.stdout
        nursery.stdout.read()


def told(out: TextIO) -> Iterator[tuple[int, int]]:
    """The lines that a writer has acknowledged; one that was cut off in the middle says nothing."""
    for line in out:
        if line.endswith("gone\n"):
            return
        words = line.split()
        if len(words) == 2:
            yield int(words[0]), int(words[1])


# -- versions ----------------------------------------------------------------------------------------------


def test_new_records_have_this_version(records: Records) -> None:
    """A new database has the version of this program."""
    with records.engine.connect() as connection:
        assert VERSION == connection.execute(text("SELECT version FROM about")).scalar_one()


def test_records_of_a_later_version_are_left_alone(url: str) -> None:
    """A database of a later version is refused and unchanged."""
    records = Records(url)
    with writing(records.engine) as connection:
        connection.execute(text("UPDATE about SET version = 99"))
    records.close()
    with pytest.raises(Problem, match="these records are of version 99, and this program knows up to"):
        Records(url)


def test_two_servers_that_start_at_once_make_one_set_of_tables(url: str) -> None:
    """Servers that start at once on an empty database share its tables."""
    errors: list[BaseException] = []

    def start() -> None:
        try:
            Records(url).close()
        except BaseException as error:
            errors.append(error)

    threads = [threading.Thread(target=start) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [] == errors
    records = Records(url)
    assert 1 == rows_of(records, "about")
    assert "actions" in inspect(records.engine).get_table_names()
    records.close()


@pytest.mark.parametrize(
    ("bad", "sentence"),
    [
        ("class.sqlite", "this is no database that can be used here"),
        ("nosuch://x/y", "this is no database that can be used here"),
        (
            "sqlite:////no/such/folder/class.sqlite",
            "the records cannot be opened: their file cannot be opened",
        ),
        (
            "postgresql+psycopg://nobody@127.0.0.1:1/none",
            "the records cannot be opened: their server does not answer .connection",
        ),
    ],
)
def test_a_database_that_is_none(bad: str, sentence: str) -> None:
    """An address that is no database is refused in one sentence."""
    with pytest.raises(Problem, match=sentence):
        Records(bad)


def test_a_file_that_is_no_database(tmp_path: Path) -> None:
    """A file that is no database is refused in one sentence."""
    (tmp_path / "class.sqlite").write_text("my shopping list, long enough to be read as a page " * 100)
    with pytest.raises(Problem, match="the records cannot be opened: their file is no database"):
        Records(f"sqlite:///{tmp_path}/class.sqlite")


def test_a_student_alone(records: Records) -> None:
    """A person who practices alone has a class that is neither listed nor joined."""
    student, key = records.practice_alone()
    task = records.assignments.give(student.class_id, FIRST, practice=True)
    work = records.attempts.begin(task, records.students.with_key(key).id)
    for action in SOLUTION[:3]:
        work.do(action)
    work.rewind(1)
    assert ["press start"] == records.attempts.resume(work.id).attempt.log
    assert [] == records.classes.listed()
    with pytest.raises(Problem, match="no open class"):
        records.students.join(records.classes.get(student.class_id).join_code, "Eve")


# -- desk and the instructor's word ------------------------------------------------------------------------


def test_a_desk_tells_what_was_given_and_how_far_it_is(records: Records) -> None:
    """The desk lists every assignment with steps, minutes and result of the latest attempt."""
    task, amara, work = begun(records, practice=True)
    later = records.assignments.give(task.class_id, OTHER)
    work.do("press start")
    work.do("scan")
    first, second = records.assignments.desk(amara.id)
    assert (task, work.id, 2, None) == (first.assignment, first.attempt_id, first.steps, first.complete)
    assert pytest.approx(work.attempt.minutes) == first.minutes
    assert (later, None, 0, 0.0) == (second.assignment, second.attempt_id, second.steps, second.minutes)
    work.hand_in(["pull F3"])
    done = records.assignments.desk(amara.id)[0]
    assert (False, 0.0) == (done.complete, done.credit)
    other, _ = records.students.join(records.classes.get(task.class_id).join_code, "Bo")
    assert [None, None] == [row.attempt_id for row in records.assignments.desk(other.id)]


def test_what_the_instructor_says_reaches_whom_it_is_meant_for(records: Records) -> None:
    """Messages reach one student or the whole class, and each counts up the news."""
    task, amara, _ = begun(records)
    other, _ = records.students.join(records.classes.get(task.class_id).join_code, "Bo")
    before = records.notices.latest(task.class_id)
    assert not before.paused
    records.notices.pause(task.class_id, True)
    records.assignments.reveal(task.id)
    records.notices.tell(task.class_id, "Hands off, please.")
    records.notices.tell(task.class_id, "Have a look at F2.", amara.id)
    after = records.notices.latest(task.class_id)
    assert (True, before.news + 4) == (after.paused, after.news)
    assert records.assignments.of_class(task.class_id)[0].revealed
    told = [row.words for row in records.notices.messages(amara.id)]
    assert ["Have a look at F2.", "Hands off, please."] == told
    assert ["Hands off, please."] == [row.words for row in records.notices.messages(other.id)]
    stranger, _ = records.practice_alone()
    assert [] == records.notices.messages(stranger.id)
    with pytest.raises(Problem, match="there is no such student in this class"):
        records.notices.tell(task.class_id, "who?", stranger.id)
    with pytest.raises(Problem, match="a message has 1 to 600 characters"):
        records.notices.tell(task.class_id, " ")
    records.students.delete(amara.id)
    assert 1 == rows_of(records, "messages")
