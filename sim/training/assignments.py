"""What an instructor gives and tells a class: exercises, pauses, messages, and how far each student is."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, Subquery, delete, func, select

from sim.training.exams import TAKEN_BACK, release
from sim.training.exercise import exercise_from_text
from sim.training.rows import AssignmentRow, ClassNotice, MessageRow, TaskRow, is_late, shown_before
from sim.training.schema import assignments, attempts, classes, messages, results, students
from sim.training.store import Store, class_of, insert, notify, one, writing
from sim.training.work_done import work_done
from sim.vehicle.problems import Problem

COLUMNS = tuple(assignments.c[name] for name in AssignmentRow.__slots__)
IN_ORDER = (assignments.c.place, assignments.c.id)
MOST_POINTS = 1000.0


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
        entry: str = "",
    ) -> AssignmentRow:
        """Give a class an exercise; the text of its file is kept, so that it stays as it was given.

        An exam may begin later and have an end; `lasts_min` 0: it has none. `entry`: its name in the library.
        """
        exercise = exercise_from_text(file, "exercise file")
        begins_s = self._store.clock() + 60 * begins_in_min
        row: dict[str, Any] = {
            "class_id": class_id,
            "exercise": exercise.exercise,
            "practice": practice,
            "varied": varied and bool(exercise.others),  # with one fault there is nothing to vary
            "assigned_s": self._store.clock(),
            "begins_s": begins_s if begins_in_min and not practice else None,
            "due_s": begins_s + 60 * lasts_min if lasts_min and not practice else None,
            "entry": entry,
            "topic": exercise.topic,
            "car": exercise.car,
            "level": exercise.level,
            "aim_min": exercise.minutes,
        }
        with writing(self._store.engine) as connection:
            notify(connection, class_id)
            last = select(func.max(assignments.c.place)).where(assignments.c.class_id == class_id)
            row["place"] = (connection.scalar(last) or 0.0) + 1
            number = insert(connection, assignments, {**row, "file": file})
        return AssignmentRow(number, **row)

    def of_class(self, class_id: int, *, withdrawn: bool = False) -> list[AssignmentRow]:
        """What a class has to do, in order; `withdrawn`: and what was taken back."""
        wanted = select(*COLUMNS).where(assignments.c.class_id == class_id)
        if not withdrawn:
            wanted = wanted.where(assignments.c.withdrawn_s.is_(None))
        return self._store.rows(AssignmentRow, wanted.order_by(*IN_ORDER))

    def withdraw(self, assignment_id: int) -> bool:
        """Take an exercise back: erased if no student has begun it, otherwise kept with its results only.

        Returns whether it is erased.
        """
        with writing(self._store.engine) as connection:
            class_id = self._class_of(connection, assignment_id)
            begun = select(attempts.c.id).where(attempts.c.assignment_id == assignment_id)
            here = assignments.c.id == assignment_id
            notify(connection, class_id)
            if connection.execute(begun).first() is None:
                connection.execute(delete(assignments).where(here))
                return True
            connection.execute(assignments.update().where(here).values(withdrawn_s=self._store.clock()))
            return False

    def move(self, assignment_id: int, by: int) -> None:
        """Move an exercise by so many places in the order of its class, at most to one of its ends."""
        with writing(self._store.engine) as connection:
            class_id = self._class_of(connection, assignment_id)
            known = select(assignments.c.id).where(
                assignments.c.class_id == class_id, assignments.c.withdrawn_s.is_(None)
            )
            order = list(connection.scalars(known.order_by(*IN_ORDER)).all())
            if assignment_id not in order:
                raise Problem(TAKEN_BACK)
            place = order.index(assignment_id)
            order.insert(max(place + by, 0), order.pop(place))
            for number, one_id in enumerate(order, start=1):
                here = assignments.update().where(assignments.c.id == one_id)
                connection.execute(here.values(place=number))
            notify(connection, class_id)

    def change_to(self, assignment_id: int, practice: bool) -> None:
        """Make an exam of a practice, or the other way round; what was handed in stays as it was.

        Who has handed in an exam that becomes practice sees how it went.
        """
        with writing(self._store.engine) as connection:
            class_id = self._class_of(connection, assignment_id)
            handed_in = attempts.c.id.in_(select(results.c.attempt_id))
            mine = attempts.update().where(attempts.c.assignment_id == assignment_id)
            if practice:
                over = mine.where(handed_in, attempts.c.released_s.is_(None))
                connection.execute(over.values(released_s=self._store.clock()))
            here = assignments.update().where(assignments.c.id == assignment_id)
            again = {} if practice else {"released_s": None}
            connection.execute(here.values(practice=practice, **again))
            connection.execute(mine.where(~handed_in).values(practice=practice))
            notify(connection, class_id)

    def set_points(self, assignment_id: int, points: float) -> None:
        """Set what an exercise is worth in the gradebook."""
        if not 0 <= points <= MOST_POINTS:
            raise Problem(f"an exercise is worth 0 to {MOST_POINTS:g} points (here: {points:g})")
        with writing(self._store.engine) as connection:
            self._class_of(connection, assignment_id)
            here = assignments.update().where(assignments.c.id == assignment_id)
            connection.execute(here.values(points=points))

    def _class_of(self, connection: Connection, assignment_id: int) -> int:
        found = select(assignments.c.class_id).where(assignments.c.id == assignment_id)
        return int(one(connection, found, "assignment")["class_id"])

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
        latest = _latest_attempts(student_id)
        steps, minutes, *_ = work_done(latest.c.id)
        wanted = (
            select(
                *COLUMNS,
                latest.c.id.label("attempt_id"),
                latest.c.released_s.label("released_to_one_s"),
                steps,
                func.coalesce(results.c.minutes, minutes).label("minutes"),
                results.c.complete,
                results.c.credit,
                results.c.handed_in_s,
            )
            .outerjoin(latest, latest.c.assignment_id == assignments.c.id)
            .outerjoin(results, results.c.attempt_id == latest.c.id)
            .where(assignments.c.class_id == class_of(student_id), assignments.c.withdrawn_s.is_(None))
            .order_by(*IN_ORDER)
        )
        return self._store.rows(_task, wanted)


def _latest_attempts(student_id: int) -> Subquery:
    """A student's latest attempt at each assignment."""
    wanted = select(attempts.c.assignment_id, attempts.c.id, attempts.c.released_s)
    return wanted.where(attempts.c.student_id == student_id, attempts.c.superseded == 0).subquery()


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

    def tell(
        self,
        class_id: int,
        words: str,
        student_id: int | None = None,
        *,
        assignment_id: int | None = None,
        hint: int | None = None,
    ) -> MessageRow:
        """Send a message to one student of a class, or to all.

        It may be about one exercise, and give its hint of that number, which then costs nothing.
        """
        if not words.strip() or len(words) > LONGEST_MESSAGE:
            raise Problem(f"a message has 1 to {LONGEST_MESSAGE} characters (here: {len(words.strip())})")
        row: dict[str, Any] = {
            "class_id": class_id, "student_id": student_id, "words": words.strip(),
            "sent_s": self._store.clock(), "assignment_id": assignment_id, "hint": hint,
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
