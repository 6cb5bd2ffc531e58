"""Attempts that are kept: begun once, written line by line, and resumed from their log on any machine.

    work = records.attempts.begin(task, student.id)
    step = work.do("key run")            # on disk before it comes back

Two browser windows on one attempt cannot both add the same line: a writer says how long the log was, and the
later one is told to catch up.

Not modeled: several servers that work on the same attempt at the same time without catching up.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from importlib.metadata import version
from math import isclose
from typing import Any

from sqlalchemy import Connection, Select, Table, func, or_, select
from sqlalchemy.exc import DatabaseError, IntegrityError

from sim.training.attempt import Attempt
from sim.training.exams import check_may_begin, draw_variant, exercise_of
from sim.training.hand_in import HandIn
from sim.training.jobs import WorkStep
from sim.training.out_of_reach import why_out_of_reach
from sim.training.rows import AssignmentRow, AttemptRow, shown_before
from sim.training.rubric import as_json, rubric
from sim.training.schema import (
    actions,
    assignments,
    attempts,
    classes,
    hints,
    messages,
    notes,
    results,
    students,
)
from sim.training.store import Store, alone, insert, one, reading, result_of
from sim.vehicle.problems import Problem

PROGRAM = version("busbay")  # of this program, as the package has it
GONE_ON = "this exercise was continued in another window; here is how it is now"


class Elsewhere(Problem):
    """The attempt has continued in another window: resume it."""


class Attempts:
    """The attempts of all classes of one database."""

    def __init__(self, store: Store) -> None:
        self.store = store

    def begin(self, assignment: AssignmentRow, student_id: int) -> KeptAttempt:
        """A student's attempt at an assignment; the one that is there already, if any."""

        def known_or_new(connection: Connection) -> int:
            wanted = select(students).where(students.c.id == student_id)
            if one(connection, wanted, "student")["class_id"] != assignment.class_id:
                raise Problem("this exercise was given to another class")
            check_may_begin(connection, student_id, assignment.id, self.store.clock())
            same = select(attempts.c.id).where(
                attempts.c.student_id == student_id,
                attempts.c.assignment_id == assignment.id,
                attempts.c.superseded == 0,
            )
            return connection.scalar(same) or self._new(connection, assignment, student_id)

        return self.resume(alone(self.store.engine, known_or_new))

    def resume(self, attempt_id: int) -> KeptAttempt:
        """An attempt where it was left."""
        with reading(self.store.engine) as connection:
            row = one(connection, select(attempts).where(attempts.c.id == attempt_id), "attempt")
            lines = connection.execute(log_of(attempt_id).add_columns(actions.c.minutes)).all()
            numbers = select(func.max(actions.c.number)).where(actions.c.attempt_id == attempt_id)
            last = connection.scalar(numbers) or 0
            taken = select(hints.c.number).where(hints.c.attempt_id == attempt_id).order_by(hints.c.number)
            paid, given = list(connection.scalars(taken).all()), _given(connection, row)
            written = select(notes.c.note).where(notes.c.attempt_id == attempt_id).order_by(notes.c.id)
            said = connection.scalars(written).all()
            result = result_of(connection, attempt_id)
        log = [line.action for line in lines]
        attempt = Attempt.replay(exercise_of(row["file"], row["variant"]), log, 0, row["practice"])
        differs_at = _differs_at(attempt, [line.minutes for line in lines])
        attempt.paid_hints, attempt.given_hints = paid, given
        attempt.notes = list(said)
        if result is not None:
            attempt.hand_in(json.loads(result["named"]), result["evidence"])
        return KeptAttempt(self, attempt_id, attempt, last, differs_at, row["program"])

    def who_did(self, attempt_id: int) -> dict[str, int]:
        """How many steps each of two at one desk did; under "" those of the student whose desk it is."""
        counts = select(actions.c.by_whom, func.count()).where(
            actions.c.attempt_id == attempt_id, actions.c.taken_back.is_(False)
        )
        with reading(self.store.engine) as connection:
            return {row[0]: row[1] for row in connection.execute(counts.group_by(actions.c.by_whom)).all()}

    def given_hints(self, attempt_id: int) -> frozenset[int]:
        """The numbers of the hints that the instructor has given for an attempt."""
        with reading(self.store.engine) as connection:
            row = one(connection, select(attempts).where(attempts.c.id == attempt_id), "attempt")
            return _given(connection, row)

    def after_showing(self, attempt_id: int) -> bool:
        """Whether the class had seen the solution before this attempt was handed in."""
        wanted = (
            select(assignments.c.shown_s, results.c.handed_in_s)
            .join(attempts, attempts.c.assignment_id == assignments.c.id)
            .outerjoin(results, results.c.attempt_id == attempts.c.id)
            .where(attempts.c.id == attempt_id)
        )
        return shown_before(**self.store.one(wanted, "attempt"))

    def listed(self) -> list[AttemptRow]:
        """All attempts of all classes but the private ones, the newest class first."""
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
        return self.store.rows(AttemptRow, wanted)

    # -- lines of a log -----------------------------------------------------------------------------------

    def add_action(
        self, attempt_id: int, number: int, action: str, minutes: float, length: int, by_whom: str = ""
    ) -> None:
        """Write a line of a log that has `length` lines, and return when it is safe.

        `by_whom`: of two at one desk; empty: the student.
        Raises `Elsewhere` where the log has another length, or this number is taken.
        """
        row = {"attempt_id": attempt_id, "number": number, "action": action, "minutes": minutes}
        self.add(
            actions, {**row, "done_s": self.store.clock(), "taken_back": False, "by_whom": by_whom}, length
        )

    def add(self, table: Table, row: dict[str, Any], length: int) -> None:
        """Write a row of an attempt whose log has `length` lines; raises as `add_action` does."""

        def write(connection: Connection) -> None:
            _check_length(connection, row["attempt_id"], length)
            if result_of(connection, row["attempt_id"]):
                raise Elsewhere("this exercise has been handed in, in another window")
            connection.execute(table.insert().values(**row))

        try:
            alone(self.store.engine, write)
        except IntegrityError:
            raise Elsewhere(GONE_ON) from None
        except DatabaseError as error:
            why = why_out_of_reach(error) or str(error.orig)
            raise Problem(f"this could not be saved in the records, so it was not done: {why}") from None

    def take_back(self, attempt_id: int, keep: int, length: int) -> None:
        """Mark all lines of a log of this length but the first `keep` as taken back."""

        def write(connection: Connection) -> None:
            _check_length(connection, attempt_id, length)
            practice = select(attempts.c.practice).where(attempts.c.id == attempt_id)
            if not connection.scalar(practice):
                raise Elsewhere("this exercise has become an exam: every step stays")
            here = actions.c.attempt_id == attempt_id
            open_lines = select(actions.c.number).where(here, actions.c.taken_back.is_(False))
            numbers = connection.scalars(open_lines.order_by(actions.c.number)).all()
            gone = actions.c.number.in_(numbers[keep:])
            connection.execute(actions.update().where(here, gone).values(taken_back=True))

        alone(self.store.engine, write)

    def _new(self, connection: Connection, assignment: AssignmentRow, student_id: int) -> int:
        found = select(assignments).where(assignments.c.id == assignment.id)
        given = one(connection, found, "assignment")
        row: dict[str, Any] = {
            "student_id": student_id,
            "assignment_id": assignment.id,
            "file": given["file"],
            "variant": draw_variant(connection, given, student_id),
            "practice": given["practice"],
            "begun_s": self.store.clock(),
            "program": PROGRAM,
        }
        return insert(connection, attempts, row)


class KeptAttempt:
    """An attempt in progress; whatever comes back from it is in the records already."""

    def __init__(
        self, kept_in: Attempts, attempt_id: int, attempt: Attempt, last: int, differs_at: int, program: str
    ) -> None:
        """`last`: the highest number of a line of its log, taken back or not.

        `differs_at`: the first step that takes other labor time than it took when it was done, as busbay or
        a car was changed since; 0: none does. `program`: the version of busbay that it was begun with; empty:
        it is not known.
        """
        self.differs_at, self.program = differs_at, program
        self.id = attempt_id
        self.attempt = attempt
        self._kept_in = kept_in
        self._last = last
        self.by_whom = ""  # who has the tools now, of two at one desk

    @property
    def after_showing(self) -> bool:
        """Whether the class had seen the solution before this was handed in."""
        return self._kept_in.after_showing(self.id)

    def do(self, text: str, progress: Callable[[float], None] | None = None) -> WorkStep:
        """Do an action and keep it. Where it cannot be kept, the car is as before."""
        step = self.attempt.do(text, progress)
        number, length = self._last + 1, len(self.attempt.steps) - 1
        self._keep(
            lambda: self._kept_in.add_action(self.id, number, step.action, step.minutes, length, self.by_whom)
        )
        self._last = number
        return step

    def hint(self) -> str:
        """The next hint."""
        words = self.attempt.hint()
        self._add(hints, {"number": self.attempt.paid_hints[-1], "taken_s": self._now_s()})
        return words

    def note(self, text: str) -> None:
        """Write something down."""
        self.attempt.note(text)
        self._add(notes, {"note": self.attempt.notes[-1], "written_s": self._now_s()})

    def rewind(self, keep: int) -> None:
        """In practice: go back to the first `keep` lines; the others are kept, marked as taken back."""
        earlier = self.attempt.rewind(keep)
        self._keep(lambda: self._kept_in.take_back(self.id, keep, len(self.attempt.steps)))
        self.attempt = earlier

    def hand_in(self, named: Sequence[str], evidence: str = "") -> HandIn:
        """Hand in and keep the result."""
        result = self.attempt.hand_in(named, evidence)
        row = {
            "named": json.dumps(list(result.named)),
            "evidence": evidence,
            "complete": result.complete,
            "credit": result.credit,
            "minutes": self.attempt.minutes,
            "cost": self.attempt.cost,
            "handed_in_s": self._now_s(),
            "rubric": as_json(rubric(self.attempt)),
        }
        self._add(results, row)
        return result

    def _now_s(self) -> float:
        return self._kept_in.store.clock()

    def _add(self, table: Any, row: dict[str, Any]) -> None:
        length = len(self.attempt.steps)
        self._keep(lambda: self._kept_in.add(table, {"attempt_id": self.id, **row}, length))

    def _keep(self, write: Callable[[], None]) -> None:
        """Write; where that fails, the attempt is again as the records have it."""
        try:
            write()
        except Problem:
            again = self._kept_in.resume(self.id)
            self.attempt, self._last = again.attempt, again._last
            raise


def log_of(attempt_id: int) -> Select[Any]:
    """The actions of an attempt in order, without what was taken back."""
    wanted = select(actions.c.action).where(actions.c.attempt_id == attempt_id)
    return wanted.where(actions.c.taken_back.is_(False)).order_by(actions.c.number)


def _given(connection: Connection, attempt: Any) -> frozenset[int]:
    wanted = select(messages.c.hint).where(
        messages.c.assignment_id == attempt["assignment_id"],
        messages.c.hint.is_not(None),
        or_(messages.c.student_id.is_(None), messages.c.student_id == attempt["student_id"]),
    )
    return frozenset(connection.scalars(wanted).all())


def _differs_at(attempt: Attempt, minutes: Sequence[float]) -> int:
    """The number of the first step that a replay tells otherwise; 0 where all are as they were."""
    pairs = zip(attempt.steps, minutes, strict=True)
    differ = (number for number, (step, known) in enumerate(pairs, 1) if not isclose(step.minutes, known))
    return next(differ, 0)


def _check_length(connection: Connection, attempt_id: int, length: int) -> None:
    if len(connection.execute(log_of(attempt_id)).all()) != length:
        raise Elsewhere(GONE_ON)
