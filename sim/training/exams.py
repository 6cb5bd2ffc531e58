"""Exams: when they begin and end, who may see how they went, and what stays shut while one is open.

An exam is open from the moment it is given until it is released to all. Until then a student who has handed
it in sees that and nothing else, and the same exercise, under whatever title, is not to be had elsewhere: at
no desk at home on this server, and in no other class with a browser, or under a name, that joined the class
that writes it. Two of one name are two people if the school's platform knows them by two ids. In another
class, who is neither on its list nor let in by approval may be anybody: where an instructor teaches both
classes the exercise stays shut to them, where not it is shut to who joined while the exam was open. The
instructor of the exam sees in which classes the same exercise has been opened since.

Not modeled: who had joined a class of other instructors before the exam with another browser and another
name, knows the exercise from earlier, or has a copy of busbay: an exam needs faults of its own.
"""

from __future__ import annotations

import secrets
from collections import Counter
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, Select, and_, exists, func, or_, select

from sim.training.classes import FIRST_INSTRUCTOR
from sim.training.exercise import Exercise, exercise_from_text
from sim.training.schema import assignments, attempts, class_lists, classes, co_teachers, results, students
from sim.training.store import Store, notify, one, reading, writing
from sim.vehicle.problems import Problem
from sim.wiring.recent import Recent

HELD_BACK = "this exercise is an exam now; it can be opened again when the exam is released"
TAKEN_BACK = "the instructor has taken this exercise back"
LONGEST_EXAM_MIN = 600

_exercises: Recent[Exercise] = Recent(200)


class Exams:
    """The exams of all classes of one database."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def release(self, assignment_id: int) -> None:
        """Show everybody who has handed an exam in how it went, for good; who is still at work goes on."""
        with writing(self._store.engine) as connection:
            release(connection, assignment_id, self._store.clock())
            row = one(connection, select(assignments).where(assignments.c.id == assignment_id), "assignment")
            notify(connection, row["class_id"])

    def release_one(self, attempt_id: int) -> None:
        """Show one student how an exam went; raises `Problem` before the hand-in is there."""
        with writing(self._store.engine) as connection:
            wanted = select(attempts, assignments.c.class_id).join(assignments)
            row = one(connection, wanted.where(attempts.c.id == attempt_id), "attempt")
            here = attempts.update().where(attempts.c.id == attempt_id)
            connection.execute(here.values(released_s=self._store.clock()))
            notify(connection, row["class_id"])

    def end_at(self, assignment_id: int, due_s: float | None) -> None:
        """Set when an exercise is due; what is handed in later is marked as late. None: it has no end."""
        with writing(self._store.engine) as connection:
            row = one(connection, select(assignments).where(assignments.c.id == assignment_id), "assignment")
            if due_s is not None and due_s <= (row["begins_s"] or row["assigned_s"]):
                raise Problem("an exercise ends after it begins")
            connection.execute(
                assignments.update().where(assignments.c.id == assignment_id).values(due_s=due_s)
            )
            notify(connection, row["class_id"])

    def is_released(self, attempt_id: int) -> bool:
        """Whether a student may see how an attempt went: practice always, an exam when it is released."""
        wanted = select(attempts.c.practice, attempts.c.released_s, assignments.c.released_s.label("to_all"))
        row = self._store.one(
            wanted.outerjoin(assignments, assignments.c.id == attempts.c.assignment_id).where(
                attempts.c.id == attempt_id
            ),
            "attempt",
        )
        return bool(row["practice"]) or row["released_s"] is not None or row["to_all"] is not None

    def is_held_back(self, student_id: int, assignment_id: int) -> bool:
        """Whether a student may not open this, because the same exercise is an open exam."""
        with reading(self._store.engine) as connection:
            return is_held_back(connection, student_id, assignment_id)

    def shut_for(self, student_id: int) -> frozenset[int]:
        """Which exercises of the own class are shut for a student, because they are open exams elsewhere."""
        with reading(self._store.engine) as connection:
            student = one(connection, select(students).where(students.c.id == student_id), "student")
            files = connection.scalars(_exams_against(student)).all()
            if not files:
                return frozenset()
            own = select(assignments.c.id, assignments.c.file)
            own = own.where(assignments.c.class_id == student["class_id"], ~_is_open())
            given = connection.execute(own).all()
        return frozenset(row.id for row in given if _is_one_of(row.file, files))

    def opened_elsewhere(self, assignment_id: int) -> dict[str, int]:
        """How many students of other classes began the same exercise since an exam was given, by class."""
        with reading(self._store.engine) as connection:
            exam = one(connection, select(assignments).where(assignments.c.id == assignment_id), "assignment")
            begun = (
                select(classes.c.name, assignments.c.file, attempts.c.student_id)
                .select_from(attempts.join(assignments).join(classes))
                .where(classes.c.private.is_(False), classes.c.id != exam["class_id"])
                .where(attempts.c.begun_s >= exam["assigned_s"])
            )
            rows = connection.execute(begun.distinct()).all()
        of_exam = exercise_of(exam["file"])
        same = {(row.name, row.student_id) for row in rows if is_same(exercise_of(row.file), of_exam)}
        return dict(Counter(name for name, _ in sorted(same)))

    def shut_in(self, class_id: int) -> dict[str, str]:
        """The exercises of a class that are open exams of the same instructors, and the class that writes."""
        elsewhere = select(assignments.c.file, classes.c.name).join(classes).where(_is_open())
        elsewhere = elsewhere.where(_is_of_the_same_instructors(class_id), assignments.c.class_id != class_id)
        here = select(assignments.c.exercise, assignments.c.file).where(
            assignments.c.class_id == class_id, assignments.c.withdrawn_s.is_(None), ~_is_open()
        )
        with reading(self._store.engine) as connection:
            exams, own = connection.execute(elsewhere).all(), connection.execute(here).all()
        return {
            one.exercise: exam.name
            for one in own
            for exam in exams
            if is_same(exercise_of(one.file), exercise_of(exam.file))
        }

    def open_now(self) -> list[Exercise]:
        """The open exams of all classes of this server."""
        with reading(self._store.engine) as connection:
            files = connection.scalars(select(assignments.c.file).where(_is_open())).all()
        return [exercise_of(file) for file in dict.fromkeys(files)]


def release(connection: Connection, assignment_id: int, now_s: float) -> None:
    """Release an exam to all, if it was not yet; what is handed in later counts as after the showing."""
    row = one(connection, select(assignments).where(assignments.c.id == assignment_id), "assignment")
    if row["practice"] or row["released_s"] is not None:
        return
    here = assignments.update().where(assignments.c.id == assignment_id)
    connection.execute(here.values(released_s=now_s, shown_s=row["shown_s"] or now_s))


def check_may_begin(connection: Connection, student_id: int, assignment_id: int, now_s: float) -> None:
    """Raise `Problem` where a student may not open an exercise, or not yet."""
    if not one(connection, select(students).where(students.c.id == student_id), "student")["admitted"]:
        raise Problem("the instructor has not let you in yet")
    row = one(connection, select(assignments).where(assignments.c.id == assignment_id), "assignment")
    if row["withdrawn_s"] is not None:
        raise Problem(TAKEN_BACK)
    if row["begins_s"] is not None and now_s < row["begins_s"]:
        raise Problem(f"this exam begins in {max((row['begins_s'] - now_s) / 60, 1):.0f} min")
    if is_held_back(connection, student_id, assignment_id):
        raise Problem(HELD_BACK)


def is_held_back(connection: Connection, student_id: int, assignment_id: int) -> bool:
    """Whether the same exercise is an open exam that this student could be writing."""
    student = one(connection, select(students).where(students.c.id == student_id), "student")
    row = one(connection, select(assignments).where(assignments.c.id == assignment_id), "assignment")
    if not row["practice"] and row["released_s"] is None:
        return False  # an exam itself, which tells nothing
    return _is_one_of(row["file"], connection.scalars(_exams_against(student)).all())


def _is_one_of(file: str, exams: Sequence[str]) -> bool:
    return any(is_same(exercise_of(file), exercise_of(exam)) for exam in exams)


def _exams_against(student: Any) -> Select[Any]:
    """The files of open exams: all of them for a desk at home, which anybody can have, else one's own."""
    alone = select(classes.c.private).where(classes.c.id == student["class_id"]).scalar_subquery()
    near = _is_of_the_same_instructors(student["class_id"])
    unknown = and_(~_is_vouched_for(student), or_(near, assignments.c.assigned_s <= student["joined_s"]))
    his = [alone, assignments.c.class_id == student["class_id"], _of_a_namesake(student), unknown]
    if student["browser_hash"]:
        # on a shared computer, who has handed it in holds up no one who comes later
        over = exists().where(
            attempts.c.student_id == students.c.id, attempts.c.assignment_id == assignments.c.id,
            results.c.attempt_id == attempts.c.id,
        )  # fmt: skip
        others = exists().where(
            students.c.browser_hash == student["browser_hash"],
            students.c.class_id == assignments.c.class_id,
            ~over,
        )
        his.append(others)
    return select(assignments.c.file).where(_is_open(), or_(*his))


def _is_of_the_same_instructors(class_id: int) -> Any:
    """Whether an instructor of the exam's class teaches this one, too; where none is known, the first."""
    opened_by = func.coalesce(classes.c.opened_by, FIRST_INSTRUCTOR)
    beside = select(co_teachers.c.instructor_id).where(co_teachers.c.class_id == class_id)
    who = select(opened_by).where(classes.c.id == class_id).union(beside).scalar_subquery()
    theirs = select(classes.c.id).where(opened_by.in_(who))
    shared = select(co_teachers.c.class_id).where(co_teachers.c.instructor_id.in_(who))
    return or_(assignments.c.class_id.in_(theirs), assignments.c.class_id.in_(shared))


def _of_a_namesake(student: Any) -> Any:
    """Whether one of the same name, who is not known to be another person, is in the class of an exam."""
    same = [students.c.name_key == student["name_key"], students.c.class_id == assignments.c.class_id]
    if student["outside_id"]:
        same.append(students.c.outside_id.in_(("", student["outside_id"])))
    return exists().where(*same)


def _is_vouched_for(student: Any) -> Any:
    """Whether an instructor knows who this is: by the class's list, or by having let the student in."""
    asks = exists().where(classes.c.id == student["class_id"], classes.c.by_approval)
    listed = exists().where(
        class_lists.c.class_id == student["class_id"], class_lists.c.name_key == student["name_key"]
    )
    return or_(asks, listed)


def _is_open() -> Any:
    kept = assignments.c.withdrawn_s.is_(None)
    return and_(assignments.c.practice.is_(False), assignments.c.released_s.is_(None), kept)


def is_same(one: Exercise, other: Exercise) -> bool:
    """Whether two exercises have one title, or a car with the same hidden edits."""
    if one.exercise.casefold() == other.exercise.casefold():
        return True
    return one.car == other.car and not _all_faults(one).isdisjoint(_all_faults(other))


def _all_faults(exercise: Exercise) -> set[frozenset[str]]:
    return {frozenset(exercise.arrives), *(frozenset(other.arrives) for other in exercise.others)}


def exercise_of(file: str, variant: int = 0) -> Exercise:
    """An exercise, read once for the whole class with its car, even if all begin at once."""
    first = _exercises.get((file, 0), lambda: exercise_from_text(file, "exercise file"))
    place = variant % (1 + len(first.others))
    return _exercises.get((file, place), lambda: first.variant(place))


# -- which of several faults ---------------------------------------------------------------------------------


def draw_variant(connection: Connection, assignment: Any, student_id: int) -> int:
    """One of an exercise's faults at random; not one that a neighbor on the list has, if there is another.

    With two faults the first draw settles who has which: they alternate along the list.
    """
    count = 1 + len(exercise_of(assignment["file"]).others)
    if count == 1 or not assignment["varied"]:
        return 0
    order = _seats(connection, assignment["class_id"])
    wanted = select(attempts.c.student_id, attempts.c.variant).where(
        attempts.c.assignment_id == assignment["id"], attempts.c.superseded == 0
    )
    drawn: dict[int | None, int] = {row.student_id: row.variant % count for row in connection.execute(wanted)}
    if count == 2 and drawn:
        return _alternating(order, drawn, student_id)
    here = order.index(student_id)
    beside = {drawn.get(order[k]) for k in (here - 1, here + 1) if 0 <= k < len(order)}
    return secrets.choice([one for one in range(count) if one not in beside])


def _alternating(order: Sequence[int | None], drawn: dict[int | None, int], student_id: int) -> int:
    here = order.index(student_id)
    nearest = min((k for k, one in enumerate(order) if one in drawn), key=lambda k: abs(k - here))
    return (drawn[order[nearest]] + abs(here - nearest)) % 2


def _seats(connection: Connection, class_id: int) -> list[int | None]:
    """Who is beside whom: the class's list, with None where one has not joined, then the others as they came.

    Who joins later changes no place on the list.
    """
    listed = select(class_lists.c.name_key).where(class_lists.c.class_id == class_id)
    here = select(students.c.name_key, students.c.id).where(students.c.class_id == class_id)
    joined = {row.name_key: row.id for row in connection.execute(here.order_by(students.c.id))}
    seats = [joined.pop(key, None) for key in connection.scalars(listed.order_by(class_lists.c.id)).all()]
    return [*seats, *joined.values()]
