"""What a class has done, kept so that nothing acknowledged is ever lost.

    records = Records("sqlite:///class.sqlite")
    group = records.open_class("Tuesday")
    student, key = records.join(group.join_code, "Amara")
    task = records.assign(group.id, find_exercise_text("01-first-scan"))
    work = records.begin(task, student.id)
    step = work.do("key run")            # on disk before it comes back

An attempt is its exercise file and its list of sentences; `resume` replays them, on any machine. Two browser
windows on one attempt cannot both add the same line: the later one is told to catch up.

Not modelled: several servers that work on the same attempt at the same time without catching up.
"""

from __future__ import annotations

import csv
import io
import json
import os
import secrets
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, Select, delete, func, select
from sqlalchemy.exc import DatabaseError, IntegrityError

from sim.paths import data_folder
from sim.training.attempt import Attempt, HandIn, Step
from sim.training.exercise import Exercise, exercise_from_text
from sim.training.schema import (
    actions,
    assignments,
    attempts,
    classes,
    connected,
    hashed,
    hints,
    messages,
    notes,
    reading,
    results,
    students,
    writing,
)
from sim.vehicle.problems import Problem
from sim.wiring.recent import Recent

# no letters or digits that look or sound alike
CODE_LETTERS = "ACDEFHJKMNPRTUVWXY34679"
CODE_LENGTH = 7
LONGEST_CLASS_NAME, LONGEST_NAME, LONGEST_MESSAGE = 80, 60, 600
QUIET_S = 300.0  # so long without a line, somebody may be stuck; our own choice
WITH_PARTS = ("mend", "fit", "unshort", "unswap", "unterminate", "replace")
VAIN_REPAIRS = 2  # repairs in vain after which somebody may be guessing; our own choice


EXPORTED = (
    "student", "exercise", "begun", "handed in", "complete", "credit", "minutes", "cost", "named",
    "after the solution was shown",
)  # fmt: skip

RECORDS_VARIABLE = "BUSBAY_RECORDS"  # environment variable with the URL of the records
GONE_ON = "this exercise has gone on in another window; here it is again"


class Elsewhere(Problem):
    """The attempt has gone on in another window: resume it."""


@dataclass(frozen=True, slots=True)
class ClassRow:
    """A class. Students join with its code while it is open."""

    id: int
    name: str
    join_code: str
    opened_s: float
    closed_s: float | None = None
    private: bool = False
    paused: bool = False
    news: int = 0


@dataclass(frozen=True, slots=True)
class StudentRow:
    """A student of a class."""

    id: int
    class_id: int
    name: str
    joined_s: float


@dataclass(frozen=True, slots=True)
class AssignmentRow:
    """An exercise given to a class; `varied`: neighbours get different faults behind the same words.

    `revealed`: its solution is shown now; `shown_s`: when it was first shown.
    """

    id: int
    class_id: int
    exercise: str
    practice: bool
    varied: bool
    assigned_s: float
    revealed: bool = False
    shown_s: float | None = None


@dataclass(frozen=True, slots=True)
class TaskRow:
    """An exercise on a student's desk and how far it is; `complete`: None until it is handed in.

    `after_showing`: the class had seen the solution before this was handed in.
    """

    assignment: AssignmentRow
    attempt_id: int | None
    steps: int
    minutes: float
    complete: bool | None
    credit: float | None
    after_showing: bool = False


@dataclass(frozen=True, slots=True)
class Signal:
    """What the instructor lets a class know: is it paused, and has anything changed (`news` counts up)."""

    paused: bool
    news: int


@dataclass(frozen=True, slots=True)
class MessageRow:
    """Words of the instructor: to one student, or to everybody (`student_id` None)."""

    id: int
    class_id: int
    student_id: int | None
    words: str
    sent_s: float


@dataclass(frozen=True, slots=True)
class BoardRow:
    """Where one student is. `signs`: reasons to go and ask, in words; empty while all goes well.

    `after_showing`: the class had seen the solution before this was handed in.
    """

    student_id: int
    student: str
    attempt_id: int | None
    exercise: str
    steps: int
    minutes: float
    hints: int
    last_action: str
    quiet_s: float
    complete: bool | None
    credit: float | None
    signs: tuple[str, ...]
    after_showing: bool = False


@dataclass(frozen=True, slots=True)
class AttemptRow:
    """An attempt that can be looked at again, and whose it is."""

    attempt_id: int
    class_id: int
    student: str
    exercise: str


def records_url() -> str:
    """The URL of the records: the one in BUSBAY_RECORDS, or that of a file in the user's data folder."""
    return os.environ.get(RECORDS_VARIABLE) or f"sqlite:///{data_folder()}/classes.sqlite"


class Records:
    """The records of all classes in one database."""

    def __init__(self, url: str, clock: Callable[[], float] = time.time) -> None:
        self.engine = connected(url)
        self.clock = clock

    def close(self) -> None:
        """Let the connections go."""
        self.engine.dispose()

    # -- classes and students --------------------------------------------------------------------------

    def open_class(self, name: str, private: bool = False) -> ClassRow:
        """A new class with a join code of its own."""
        name = _named(name, "class", LONGEST_CLASS_NAME)
        while True:
            code = "".join(secrets.choice(CODE_LETTERS) for _ in range(CODE_LENGTH))
            now_s = self.clock()
            row = {"name": name, "join_code": code, "opened_s": now_s, "private": private}
            try:
                with writing(self.engine) as connection:
                    return ClassRow(_insert(connection, classes, row), name, code, now_s, None, private)
            except IntegrityError:  # the one code in billions that is taken
                continue

    def close_class(self, class_id: int, closed: bool = True) -> None:
        """Nobody joins any more, what is begun may be finished; or, not closed, it is open again."""
        with writing(self.engine) as connection:
            self._one(connection, select(classes).where(classes.c.id == class_id), "class")
            found = classes.update().where(classes.c.id == class_id)
            connection.execute(found.values(closed_s=self.clock() if closed else None))

    def classes(self) -> list[ClassRow]:
        """All classes, the newest first; nobody's private one."""
        wanted = select(classes).where(classes.c.private.is_(False))
        return self._rows(ClassRow, wanted.order_by(classes.c.id.desc()))

    def class_of(self, class_id: int) -> ClassRow:
        """One class."""
        with reading(self.engine) as connection:
            row = self._one(connection, select(classes).where(classes.c.id == class_id), "class")
        return ClassRow(**row)

    def alone(self) -> tuple[StudentRow, str]:
        """Somebody who practises at home: a class of one that nobody else joins, and the key to it."""
        group = self.open_class("at home", private=True)
        student, key = self.join(group.join_code, "you")
        self.close_class(group.id)
        return student, key

    def join(self, code: str, name: str) -> tuple[StudentRow, str]:
        """A new student of an open class, and the key with which the student comes back."""
        name = _named(name, "student", LONGEST_NAME)
        key = secrets.token_urlsafe(24)
        with writing(self.engine) as connection:
            wanted = select(classes).where(classes.c.join_code == code.strip().upper())
            group = connection.execute(wanted).mappings().first()
            if group is None or group["closed_s"] is not None:
                raise Problem("no open class has this code; ask the instructor for it")
            row: dict[str, Any] = {"class_id": group["id"], "name": name, "joined_s": self.clock()}
            taken = select(students.c.id).where(
                students.c.class_id == group["id"], func.lower(students.c.name) == name.lower()
            )
            if connection.execute(taken).first():
                raise Problem(f"there is a '{name}' in this class already; add a letter")
            number = _insert(connection, students, {**row, "key_hash": hashed(key)})
        return StudentRow(number, **row), key

    def student(self, key: str) -> StudentRow:
        """The student who holds this key."""
        wanted = select(students).where(students.c.key_hash == hashed(key))
        with reading(self.engine) as connection:
            row = self._one(connection, wanted, "student with this key")
        return StudentRow(row["id"], row["class_id"], row["name"], row["joined_s"])

    def new_key(self, student_id: int) -> str:
        """A new key for a student who has lost the old one, which is good no more."""
        key = secrets.token_urlsafe(24)
        with writing(self.engine) as connection:
            self._one(connection, select(students).where(students.c.id == student_id), "student")
            found = students.update().where(students.c.id == student_id)
            connection.execute(found.values(key_hash=hashed(key)))
        return key

    def students(self, class_id: int) -> list[StudentRow]:
        """The students of a class in the order in which they came."""
        wanted = select(students.c.id, students.c.class_id, students.c.name, students.c.joined_s)
        return self._rows(StudentRow, wanted.where(students.c.class_id == class_id).order_by(students.c.id))

    # -- exercises and attempts ------------------------------------------------------------------------

    def assign(self, class_id: int, file: str, practice: bool = False, varied: bool = False) -> AssignmentRow:
        """Give a class an exercise: the text of its file is kept, so that it stays as it was given."""
        exercise = exercise_from_text(file, "exercise file")
        row: dict[str, Any] = {
            "class_id": class_id,
            "exercise": exercise.exercise,
            "practice": practice,
            "varied": varied,
            "assigned_s": self.clock(),
        }
        with writing(self.engine) as connection:
            self._let_know(connection, class_id)
            number = _insert(connection, assignments, {**row, "file": file})
        return AssignmentRow(number, **row)

    def assignments(self, class_id: int) -> list[AssignmentRow]:
        """What a class has been given, in order."""
        wanted = select(*(assignments.c[name] for name in AssignmentRow.__slots__))
        chosen = wanted.where(assignments.c.class_id == class_id).order_by(assignments.c.id)
        return self._rows(AssignmentRow, chosen)

    def file_of(self, assignment_id: int) -> str:
        """The text of the exercise file that was given."""
        wanted = select(assignments.c.file).where(assignments.c.id == assignment_id)
        with reading(self.engine) as connection:
            return str(self._one(connection, wanted, "assignment")["file"])

    def begin(self, assignment: AssignmentRow, student_id: int) -> Work:
        """A student's attempt at an assignment; the one that is there already, if any."""
        with writing(self.engine) as connection:
            wanted = select(students).where(students.c.id == student_id)
            if self._one(connection, wanted, "student")["class_id"] != assignment.class_id:
                raise Problem("this exercise was given to another class")
            same = select(attempts.c.id).where(
                attempts.c.student_id == student_id, attempts.c.assignment_id == assignment.id
            )
            known = connection.execute(same.order_by(attempts.c.id.desc())).scalar()
            if known is None:
                given = select(assignments).where(assignments.c.id == assignment.id)
                row = {
                    "student_id": student_id,
                    "assignment_id": assignment.id,
                    "file": self._one(connection, given, "assignment")["file"],
                    "variant": self._place(connection, student_id) if assignment.varied else 0,
                    "practice": assignment.practice,
                    "begun_s": self.clock(),
                }
                known = _insert(connection, attempts, row)
        return self.resume(known)

    def resume(self, attempt_id: int) -> Work:
        """An attempt where it was left, on whatever machine."""
        with reading(self.engine) as connection:
            wanted = select(attempts).where(attempts.c.id == attempt_id)
            row = self._one(connection, wanted, "attempt")
            log = connection.execute(_log_of(attempt_id)).scalars().all()
            numbers = select(func.max(actions.c.number)).where(actions.c.attempt_id == attempt_id)
            last = connection.execute(numbers).scalar() or 0
            count = select(func.count()).where(hints.c.attempt_id == attempt_id)
            taken = connection.execute(count).scalar_one()
            written = select(notes.c.note).where(notes.c.attempt_id == attempt_id).order_by(notes.c.id)
            said = connection.execute(written).scalars().all()
            handed = select(results).where(results.c.attempt_id == attempt_id)
            result = connection.execute(handed).mappings().first()
        exercise = _exercise(row["file"], row["variant"])
        attempt = Attempt.replay(exercise, log, taken, row["practice"])
        attempt.notes = list(said)
        if result is not None:
            attempt.hand_in(json.loads(result["named"]), result["evidence"])
        return Work(self, attempt_id, attempt, last)

    def desk(self, student_id: int) -> list[TaskRow]:
        """Every exercise that a student's class was given, in order, with the student's latest attempt."""
        own = select(students.c.class_id).where(students.c.id == student_id).scalar_subquery()
        latest = (
            select(attempts.c.assignment_id, func.max(attempts.c.id).label("id"))
            .where(attempts.c.student_id == student_id)
            .group_by(attempts.c.assignment_id)
            .subquery()
        )
        lines = (func.count().label("steps"), func.sum(actions.c.minutes).label("minutes"))
        done = (
            select(actions.c.attempt_id, *lines)
            .where(actions.c.taken_back.is_(False))
            .group_by(actions.c.attempt_id)
            .subquery()
        )
        wanted = (
            select(
                *(assignments.c[name] for name in AssignmentRow.__slots__),
                latest.c.id.label("attempt_id"),
                func.coalesce(done.c.steps, 0).label("steps"),
                func.coalesce(results.c.minutes, done.c.minutes, 0.0).label("minutes"),
                results.c.complete,
                results.c.credit,
                results.c.handed_in_s,
            )
            .outerjoin(latest, latest.c.assignment_id == assignments.c.id)
            .outerjoin(done, done.c.attempt_id == latest.c.id)
            .outerjoin(results, results.c.attempt_id == latest.c.id)
            .where(assignments.c.class_id == own)
            .order_by(assignments.c.id)
        )
        with reading(self.engine) as connection:
            return [_task(dict(row)) for row in connection.execute(wanted).mappings()]

    def after_showing(self, attempt_id: int) -> bool:
        """Had the class seen the solution before this attempt was handed in?"""
        wanted = (
            select(assignments.c.shown_s, results.c.handed_in_s)
            .join(attempts, attempts.c.assignment_id == assignments.c.id)
            .outerjoin(results, results.c.attempt_id == attempts.c.id)
            .where(attempts.c.id == attempt_id)
        )
        with reading(self.engine) as connection:
            return _after_showing(**self._one(connection, wanted, "attempt"))

    def attempts_of(self, student_id: int) -> list[int]:
        """The numbers of a student's attempts, in order."""
        wanted = select(attempts.c.id).where(attempts.c.student_id == student_id).order_by(attempts.c.id)
        with reading(self.engine) as connection:
            return list(connection.execute(wanted).scalars())

    # -- writing a line --------------------------------------------------------------------------------

    def add_action(self, attempt_id: int, number: int, action: str, minutes: float, behind: int) -> None:
        """Write a line of a log behind so many others, and return when it is safe.

        Raises `Elsewhere` where the log has another length, or this number is taken.
        """
        row = {"attempt_id": attempt_id, "number": number, "action": action, "minutes": minutes}
        self.add(actions, {**row, "done_s": self.clock(), "taken_back": False}, behind)

    def add(self, table: Any, row: dict[str, Any], behind: int) -> None:
        """Write a row of an attempt whose log has so many lines."""
        try:
            with writing(self.engine) as connection:
                self._check_length(connection, row["attempt_id"], behind)
                handed = select(results.c.attempt_id).where(results.c.attempt_id == row["attempt_id"])
                if connection.execute(handed).first():
                    raise Elsewhere("this exercise has been handed in, in another window")
                connection.execute(table.insert().values(**row))
        except IntegrityError:
            raise Elsewhere(GONE_ON) from None
        except DatabaseError as error:
            raise Problem(f"this could not be kept, so it was not done: {error.orig}") from None

    def take_back(self, attempt_id: int, keep: int, of: int) -> None:
        """Mark all lines of a log of this length but the first ones as taken back."""
        with writing(self.engine) as connection:
            self._check_length(connection, attempt_id, of)
            here = actions.c.attempt_id == attempt_id
            open_lines = select(actions.c.number).where(here, actions.c.taken_back.is_(False))
            numbers = connection.execute(open_lines.order_by(actions.c.number)).scalars().all()
            gone = actions.c.number.in_(numbers[keep:])
            connection.execute(actions.update().where(here, gone).values(taken_back=True))

    def _check_length(self, connection: Connection, attempt_id: int, expected: int) -> None:
        if len(connection.execute(_log_of(attempt_id)).all()) != expected:
            raise Elsewhere(GONE_ON)

    # -- the instructor's word -------------------------------------------------------------------------

    def pause(self, class_id: int, paused: bool) -> None:
        """Hands off the cars, or go on."""
        with writing(self.engine) as connection:
            self._let_know(connection, class_id, paused=paused)

    def reveal(self, assignment_id: int, revealed: bool = True) -> None:
        """Show those who work on an exercise what is hidden in its car, or hide it again."""
        with writing(self.engine) as connection:
            found = select(assignments).where(assignments.c.id == assignment_id)
            class_id = self._one(connection, found, "assignment")["class_id"]
            here = assignments.update().where(assignments.c.id == assignment_id)
            connection.execute(here.values(revealed=revealed))
            if revealed:
                connection.execute(here.where(assignments.c.shown_s.is_(None)).values(shown_s=self.clock()))
            self._let_know(connection, class_id)

    def tell(self, class_id: int, words: str, student_id: int | None = None) -> MessageRow:
        """Say something to one student of a class, or to all."""
        if not words.strip() or len(words) > LONGEST_MESSAGE:
            raise Problem(f"a message has 1 to {LONGEST_MESSAGE} letters (here: {len(words.strip())})")
        row: dict[str, Any] = {
            "class_id": class_id, "student_id": student_id, "words": words.strip(), "sent_s": self.clock()
        }  # fmt: skip
        with writing(self.engine) as connection:
            if student_id is not None:
                found = select(students).where(students.c.id == student_id, students.c.class_id == class_id)
                self._one(connection, found, "student in this class")
            self._let_know(connection, class_id)
            number = _insert(connection, messages, row)
        return MessageRow(number, **row)

    def signal(self, class_id: int) -> Signal:
        """One row that tells whether a student's page has to look again."""
        wanted = select(classes.c.paused, classes.c.news).where(classes.c.id == class_id)
        with reading(self.engine) as connection:
            row = self._one(connection, wanted, "class")
        return Signal(row["paused"], row["news"])

    def messages(self, student_id: int) -> list[MessageRow]:
        """What a student has been told, alone or with the class, the latest first."""
        own = select(students.c.class_id).where(students.c.id == student_id).scalar_subquery()
        mine = (messages.c.student_id == student_id) | messages.c.student_id.is_(None)
        wanted = select(messages).where(messages.c.class_id == own, mine)
        return self._rows(MessageRow, wanted.order_by(messages.c.id.desc()))

    def _let_know(self, connection: Connection, class_id: int, **changes: Any) -> None:
        self._one(connection, select(classes).where(classes.c.id == class_id), "class")
        here = classes.update().where(classes.c.id == class_id)
        connection.execute(here.values(news=classes.c.news + 1, **changes))

    # -- the instructor's view -------------------------------------------------------------------------

    def board(self, class_id: int) -> list[BoardRow]:
        """Where every student of a class is: the latest attempt of each."""
        now_s = self.clock()
        with reading(self.engine) as connection:
            return [self._board_row(connection, one, now_s) for one in self.students(class_id)]

    def attempts_of_classes(self) -> list[AttemptRow]:
        """All attempts of all classes, the newest class first; nobody's private ones."""
        wanted = (
            select(
                attempts.c.id.label("attempt_id"),
                students.c.class_id,
                students.c.name.label("student"),
                assignments.c.exercise,
            )
            .join(students, students.c.id == attempts.c.student_id)
            .join(assignments, assignments.c.id == attempts.c.assignment_id)
            .join(classes, classes.c.id == students.c.class_id)
            .where(classes.c.private.is_(False))
            .order_by(classes.c.id.desc(), students.c.id, attempts.c.id)
        )
        return self._rows(AttemptRow, wanted)

    def export_csv(self, class_id: int) -> str:
        """The results of a class as comma-separated values, one line per attempt."""
        wanted = (
            select(students.c.name, assignments.c.exercise, assignments.c.shown_s, attempts, results)
            .join(attempts, attempts.c.student_id == students.c.id)
            .join(assignments, assignments.c.id == attempts.c.assignment_id)
            .outerjoin(results, results.c.attempt_id == attempts.c.id)
            .where(students.c.class_id == class_id)
            .order_by(students.c.id, attempts.c.id)
        )
        out = io.StringIO()
        write = csv.writer(out)
        write.writerow(EXPORTED)
        with reading(self.engine) as connection:
            for row in connection.execute(wanted).mappings():
                write.writerow([_cell(value) for value in _exported(row)])
        return out.getvalue()

    def delete_student(self, student_id: int) -> None:
        """Erase a student with everything that was written."""
        self._erase(students, student_id, "student")

    def delete_class(self, class_id: int) -> None:
        """Erase a class with its students and everything that they have written."""
        self._erase(classes, class_id, "class")

    def _erase(self, table: Any, number: int, what: str) -> None:
        with writing(self.engine) as connection:
            self._one(connection, select(table).where(table.c.id == number), what)
            connection.execute(delete(table).where(table.c.id == number))
        if self.engine.dialect.name == "sqlite":
            # what was erased still stands in the journal until that is folded in
            raw = self.engine.raw_connection()
            try:
                raw.cursor().execute("PRAGMA wal_checkpoint(TRUNCATE)")
            finally:
                raw.close()

    def _board_row(self, connection: Connection, student: StudentRow, now_s: float) -> BoardRow:
        wanted = (
            select(attempts, assignments.c.exercise, assignments.c.shown_s)
            .join(assignments, assignments.c.id == attempts.c.assignment_id)
            .where(attempts.c.student_id == student.id)
            .order_by(attempts.c.id.desc())
        )
        row = connection.execute(wanted).mappings().first()
        if row is None:
            signs = ("has not begun",) if now_s - student.joined_s > QUIET_S else ()
            quiet_s = now_s - student.joined_s
            return BoardRow(student.id, student.name, None, "", 0, 0.0, 0, "", quiet_s, None, None, signs)
        log = connection.execute(
            select(actions)
            .where(actions.c.attempt_id == row["id"], actions.c.taken_back.is_(False))
            .order_by(actions.c.number)
        )
        lines = log.mappings().all()
        taken = connection.execute(select(func.count()).where(hints.c.attempt_id == row["id"])).scalar_one()
        handed = select(results).where(results.c.attempt_id == row["id"])
        result = connection.execute(handed).mappings().first()
        quiet_s = now_s - (lines[-1]["done_s"] if lines else row["begun_s"])
        minutes = sum(line["minutes"] for line in lines)
        return BoardRow(
            student_id=student.id,
            student=student.name,
            attempt_id=row["id"],
            exercise=row["exercise"],
            steps=len(lines),
            minutes=minutes,
            hints=taken,
            last_action=lines[-1]["action"] if lines else "",
            quiet_s=quiet_s,
            complete=None if result is None else result["complete"],
            credit=None if result is None else result["credit"],
            signs=() if result else tuple(_signs(lines, quiet_s, taken)),
            after_showing=_after_showing(row["shown_s"], result["handed_in_s"] if result else None),
        )

    # -- small things ----------------------------------------------------------------------------------

    def _place(self, connection: Connection, student_id: int) -> int:
        """Which of the class this student is, counted from 0 in the order of joining."""
        own = select(students.c.class_id).where(students.c.id == student_id).scalar_subquery()
        earlier = select(func.count()).where(students.c.class_id == own, students.c.id < student_id)
        return int(connection.execute(earlier).scalar_one())

    def _one(self, connection: Connection, wanted: Select[Any], what: str) -> Any:
        row = connection.execute(wanted).mappings().first()
        if row is None:
            raise Problem(f"there is no such {what}")
        return row

    def _rows(self, make: Callable[..., Any], wanted: Select[Any]) -> list[Any]:
        with reading(self.engine) as connection:
            return [make(**row) for row in connection.execute(wanted).mappings()]


class Work:
    """A kept attempt in progress. Whatever comes back from it stands in the records already."""

    def __init__(self, records: Records, attempt_id: int, attempt: Attempt, last: int) -> None:
        self.records = records
        self.id = attempt_id
        self.attempt = attempt
        self._last = last

    def do(self, text: str, progress: Callable[[float], None] | None = None) -> Step:
        """Do an action and keep it. Where it cannot be kept, the car is as before."""
        step = self.attempt.do(text, progress)
        number, behind = self._last + 1, len(self.attempt.steps) - 1
        self._kept(lambda: self.records.add_action(self.id, number, step.action, step.minutes, behind))
        self._last = number
        return step

    def hint(self) -> str:
        """The next hint."""
        words = self.attempt.hint()
        row = {"attempt_id": self.id, "number": self.attempt.hints_taken, "taken_s": self.records.clock()}
        self._kept(lambda: self.records.add(hints, row, len(self.attempt.steps)))
        return words

    def note(self, text: str) -> None:
        """Write something down."""
        self.attempt.note(text)
        row = {"attempt_id": self.id, "note": self.attempt.notes[-1], "written_s": self.records.clock()}
        self._kept(lambda: self.records.add(notes, row, len(self.attempt.steps)))

    def rewind(self, keep: int) -> None:
        """In practice: go back to the first `keep` lines; the others stay, marked as taken back."""
        earlier = self.attempt.rewind(keep)
        self._kept(lambda: self.records.take_back(self.id, keep, len(self.attempt.steps)))
        self.attempt = earlier

    def hand_in(self, named: Sequence[str], evidence: str = "") -> HandIn:
        """Hand in and keep the result."""
        result = self.attempt.hand_in(named, evidence)
        row = {
            "attempt_id": self.id,
            "named": json.dumps(list(result.named)),
            "evidence": evidence,
            "complete": result.complete,
            "credit": result.credit,
            "minutes": self.attempt.minutes,
            "cost": self.attempt.cost,
            "handed_in_s": self.records.clock(),
        }
        self._kept(lambda: self.records.add(results, row, len(self.attempt.steps)))
        return result

    def _kept(self, keep: Callable[[], None]) -> None:
        """What was done but cannot be kept is not shown: the attempt is as the records have it."""
        try:
            keep()
        except Problem:
            again = self.records.resume(self.id)
            self.attempt, self._last = again.attempt, again._last
            raise


_exercises: Recent[Exercise] = Recent(200)


def _exercise(file: str, variant: int) -> Exercise:
    """An exercise is read once for the whole class, and so is its car, even if all come at once."""
    first = _exercises.get((file, 0), lambda: exercise_from_text(file, "exercise file"))
    place = variant % (1 + len(first.others))
    return _exercises.get((file, place), lambda: first.variant(place))


def _log_of(attempt_id: int) -> Select[Any]:
    wanted = select(actions.c.action).where(actions.c.attempt_id == attempt_id)
    return wanted.where(actions.c.taken_back.is_(False)).order_by(actions.c.number)


def _task(row: dict[str, Any]) -> TaskRow:
    given = AssignmentRow(**{name: row.pop(name) for name in AssignmentRow.__slots__})
    handed_in_s = row.pop("handed_in_s")
    begun = row["attempt_id"] is not None
    return TaskRow(given, **row, after_showing=begun and _after_showing(given.shown_s, handed_in_s))


def _after_showing(shown_s: float | None, handed_in_s: float | None) -> bool:
    """Had the class seen the solution before this was handed in? What is still open goes on after it."""
    return shown_s is not None and (handed_in_s is None or shown_s < handed_in_s)


def _insert(connection: Connection, table: Any, row: dict[str, Any]) -> int:
    key = connection.execute(table.insert().values(**row)).inserted_primary_key
    assert key is not None
    return int(key[0])


def _named(name: str, what: str, longest: int) -> str:
    name = " ".join(name.split())
    if not 1 <= len(name) <= longest or not name.isprintable():
        raise Problem(f"the name of a {what} has 1 to {longest} letters (here: {len(name)})")
    return name


def _signs(lines: Sequence[Any], quiet_s: float, taken: int) -> Iterable[str]:
    if quiet_s > QUIET_S:
        yield f"quiet for {quiet_s / 60:.0f} min"
    verbs = [line["action"].split()[0] for line in lines]
    if len(verbs) >= 12 and "scan" not in verbs:
        yield "many steps and no scan"
    if sum(verb in WITH_PARTS for verb in verbs) > VAIN_REPAIRS:
        yield "several repairs"
    if taken >= VAIN_REPAIRS:
        yield f"{taken} hints taken"


def _exported(row: Any) -> list[Any]:
    named = "" if row["named"] is None else "; ".join(json.loads(row["named"]))
    handed = "" if row["handed_in_s"] is None else _day(row["handed_in_s"])
    shown = [row["complete"], row["credit"], row[results.c.minutes], row["cost"]]
    after = "yes" if _after_showing(row["shown_s"], row["handed_in_s"]) else "no"
    return [row["name"], row["exercise"], _day(row["begun_s"]), handed, *shown, named, after]


def _day(time_s: float) -> str:
    return datetime.fromtimestamp(time_s, UTC).isoformat(timespec="seconds")


def _cell(value: Any) -> Any:
    """A cell that no table program takes for a formula."""
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return f"'{value}"
    return "" if value is None else value
