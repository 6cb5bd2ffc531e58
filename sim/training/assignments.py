"""What an instructor gives and tells a class: exercises, pauses, messages, and how far each student is."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Subquery, func, select

from sim.training.exams import release
from sim.training.exercise import exercise_from_text
from sim.training.rows import AssignmentRow, ClassNotice, MessageRow, TaskRow, is_late, shown_before
from sim.training.schema import actions, assignments, attempts, classes, messages, results, students
from sim.training.store import Store, class_of, insert, notify, one, writing
from sim.vehicle.problems import Problem

COLUMNS = tuple(assignments.c[name] for name in AssignmentRow.__slots__)


class Assignments:
    """The assignments of all classes of one database."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def give(
        self,
        class_id: int,
        file: str,
        practice: bool = False,
        varied: bool = False,
        *,
        begins_in_min: float = 0.0,
        lasts_min: float = 0.0,
    ) -> AssignmentRow:
        """Give a class an exercise; the text of its file is kept, so that it stays as it was given.

        An exam may begin later and have an end; `lasts_min` 0: it has none.
        """
        exercise = exercise_from_text(file, "exercise file")
        begins_s = self._store.clock() + 60 * begins_in_min
        row: dict[str, Any] = {
            "class_id": class_id,
            "exercise": exercise.exercise,
            "practice": practice,
            "varied": varied,
            "assigned_s": self._store.clock(),
            "begins_s": begins_s if begins_in_min and not practice else None,
            "due_s": begins_s + 60 * lasts_min if lasts_min and not practice else None,
        }
        with writing(self._store.engine) as connection:
            notify(connection, class_id)
            number = insert(connection, assignments, {**row, "file": file})
        return AssignmentRow(number, **row)

    def of_class(self, class_id: int) -> list[AssignmentRow]:
        """What a class was given, in order."""
        wanted = select(*COLUMNS).where(assignments.c.class_id == class_id).order_by(assignments.c.id)
        return self._store.rows(AssignmentRow, wanted)

    def file_of(self, assignment_id: int) -> str:
        """The text of the exercise file that was given."""
        wanted = select(assignments.c.file).where(assignments.c.id == assignment_id)
        return str(self._store.one(wanted, "assignment")["file"])

    def reveal(self, assignment_id: int, revealed: bool = True) -> None:
        """Show the students of an assignment what is hidden in its car, or hide it again."""
        with writing(self._store.engine) as connection:
            found = select(assignments).where(assignments.c.id == assignment_id)
            class_id = one(connection, found, "assignment")["class_id"]
            here = assignments.update().where(assignments.c.id == assignment_id)
            connection.execute(here.values(revealed=revealed))
            if revealed:
                release(connection, assignment_id, self._store.clock())
                first = here.where(assignments.c.shown_s.is_(None))
                connection.execute(first.values(shown_s=self._store.clock()))
            notify(connection, class_id)

    def desk(self, student_id: int) -> list[TaskRow]:
        """Every exercise that a student's class was given, in order, with the student's latest attempt."""
        latest, done = _latest_attempts(student_id), _work_done()
        wanted = (
            select(
                *COLUMNS,
                latest.c.id.label("attempt_id"),
                latest.c.released_s.label("released_to_one_s"),
                func.coalesce(done.c.steps, 0).label("steps"),
                func.coalesce(results.c.minutes, done.c.minutes, 0.0).label("minutes"),
                results.c.complete,
                results.c.credit,
                results.c.handed_in_s,
            )
            .outerjoin(latest, latest.c.assignment_id == assignments.c.id)
            .outerjoin(done, done.c.attempt_id == latest.c.id)
            .outerjoin(results, results.c.attempt_id == latest.c.id)
            .where(assignments.c.class_id == class_of(student_id))
            .order_by(assignments.c.id)
        )
        return self._store.rows(_task, wanted)


def _latest_attempts(student_id: int) -> Subquery:
    """A student's latest attempt at each assignment."""
    wanted = select(attempts.c.assignment_id, attempts.c.id, attempts.c.released_s)
    return wanted.where(attempts.c.student_id == student_id, attempts.c.superseded == 0).subquery()


def _work_done() -> Subquery:
    """Steps and minutes of each attempt, without what was taken back."""
    totals = (func.count().label("steps"), func.sum(actions.c.minutes).label("minutes"))
    wanted = select(actions.c.attempt_id, *totals).where(actions.c.taken_back.is_(False))
    return wanted.group_by(actions.c.attempt_id).subquery()


def _task(*, handed_in_s: float | None, released_to_one_s: float | None, **row: Any) -> TaskRow:
    given = AssignmentRow(**{name: row.pop(name) for name in AssignmentRow.__slots__})
    if not given.practice and given.released_s is None and released_to_one_s is None:
        row |= {"complete": None, "credit": None}  # of an exam a student knows that it is handed in
    begun = row["attempt_id"] is not None
    return TaskRow(
        given,
        **row,
        after_showing=begun and shown_before(given.shown_s, handed_in_s),
        handed_in=handed_in_s is not None,
        late=is_late(given.due_s, handed_in_s),
    )


LONGEST_MESSAGE = 600


class Notices:
    """The instructor's notices to all classes of one database."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def pause(self, class_id: int, paused: bool) -> None:
        """Pause the work of a class, or let it go on."""
        with writing(self._store.engine) as connection:
            notify(connection, class_id, paused=paused)

    def tell(self, class_id: int, words: str, student_id: int | None = None) -> MessageRow:
        """Send a message to one student of a class, or to all."""
        if not words.strip() or len(words) > LONGEST_MESSAGE:
            raise Problem(f"a message has 1 to {LONGEST_MESSAGE} characters (here: {len(words.strip())})")
        row: dict[str, Any] = {
            "class_id": class_id, "student_id": student_id, "words": words.strip(),
            "sent_s": self._store.clock(),
        }  # fmt: skip
        with writing(self._store.engine) as connection:
            if student_id is not None:
                found = select(students).where(students.c.id == student_id, students.c.class_id == class_id)
                one(connection, found, "student in this class")
            notify(connection, class_id)
            number = insert(connection, messages, row)
        return MessageRow(number, **row)

    def latest(self, class_id: int) -> ClassNotice:
        """The one row that tells whether a student's page has to read again."""
        wanted = select(classes.c.paused, classes.c.news).where(classes.c.id == class_id)
        return ClassNotice(**self._store.one(wanted, "class"))

    def messages(self, student_id: int) -> list[MessageRow]:
        """The messages to a student, alone or with the class, the latest first."""
        mine = (messages.c.student_id == student_id) | messages.c.student_id.is_(None)
        wanted = select(messages).where(messages.c.class_id == class_of(student_id), mine)
        return self._store.rows(MessageRow, wanted.order_by(messages.c.id.desc()))
