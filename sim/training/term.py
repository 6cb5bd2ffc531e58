"""A class over weeks: each student by each exercise, topics, trend, marks by the rubric.

    term = records.term.of_class(group.id)
    term.cells[student.id, assignment.id].credit

What counts as mastered and as a trend is our own choice, by the constants below.

Not modeled: attempts at home, which belong to no class.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from sqlalchemy import Select, func, select

from sim.training.assignments import COLUMNS, IN_ORDER
from sim.training.kept_attempts import Attempts
from sim.training.rows import AssignmentRow, ClassRow, StudentRow, is_late, shown_before
from sim.training.rubric import (
    Rubric,
    as_json,
    checked_review,
    checked_weights,
    from_json,
    marks_from_json,
    rubric,
    total,
    weights_of,
)
from sim.training.schema import assignments, attempts, classes, results, reviews, students
from sim.training.store import Store, one, reading, writing
from sim.training.work_done import work_done
from sim.vehicle.problems import Problem

MASTERED_BY = 2  # so many of a topic's latest hand-ins are complete, or all if there are fewer exercises
TREND_OF = 3  # hand-ins that are compared with as many before them
TREND_FROM = 0.05  # of the credit; less is steady
Trend = Literal["", "rising", "steady", "falling"]


@dataclass(frozen=True, slots=True)
class TermCell:
    """One student's attempt at one exercise. `credit`, `complete`: None while it is open.

    `marks`: by criterion, None: not called for; `reviewed`: what the instructor marked otherwise.
    `marked_by`: the instructor who did.
    `rubric`: the weighted mean, 0 to 1; None before the hand-in. `taken_back`: lines that were rewound.
    """

    attempt_id: int
    steps: int
    minutes: float
    hints: int
    taken_back: int
    variant: int
    practice: bool
    begun_s: float
    handed_in_s: float | None
    complete: bool | None
    credit: float | None
    cost: float | None
    evidence: str
    named: str
    late: bool
    after_showing: bool
    released: bool
    reasons: Rubric
    reviewed: Mapping[str, float]
    comment: str
    marked_by: str
    rubric: float | None

    @property
    def worth(self) -> float:
        """The mark by the rubric, 0 to 1; the credit for a hand-in that has none."""
        return (self.credit or 0.0) if self.rubric is None else self.rubric

    @property
    def marks(self) -> dict[str, float | None]:
        """The marks that count."""
        return {name: self.reviewed.get(name, mark.score) for name, mark in self.reasons.items()}


@dataclass(frozen=True, slots=True)
class TopicResult:
    """A topic of one student: exercises given, handed in, complete, and whether it is mastered."""

    topic: str
    given: int
    handed_in: int
    complete: int
    mastered: bool


@dataclass(frozen=True, slots=True)
class HandInSummary:
    """Hand-ins of one kind: how many, how many complete, their mean credit (0 to 1) and mean minutes."""

    count: int
    complete: int
    credit: float
    minutes: float


@dataclass(frozen=True, slots=True)
class Term:
    """A class over weeks; cells by student's and assignment's number, none where nothing was begun."""

    group: ClassRow
    students: tuple[StudentRow, ...]
    assignments: tuple[AssignmentRow, ...]
    cells: Mapping[tuple[int, int], TermCell]

    @property
    def weights(self) -> dict[str, float]:
        """What each criterion of the rubric weighs in this class."""
        return weights_of(self.group.weights)

    def of_student(self, student_id: int) -> list[tuple[AssignmentRow, TermCell | None]]:
        """A student's row, in the order of the exercises."""
        return [(given, self.cells.get((student_id, given.id))) for given in self.assignments]

    def not_begun(self, assignment_id: int) -> list[StudentRow]:
        """Who has not begun an exercise."""
        return [student for student in self.students if (student.id, assignment_id) not in self.cells]

    def topics(self, student_id: int) -> list[TopicResult]:
        """How a student does in each topic, in the order of the exercises."""
        by_topic: dict[str, list[TermCell | None]] = {}
        for given, cell in self.of_student(student_id):
            by_topic.setdefault(given.topic, []).append(cell)
        return [_topic(topic, cells) for topic, cells in by_topic.items()]

    def mean(self, student_id: int) -> float | None:
        """A student's mean mark over what was handed in and released, 0 to 1; None if that is nothing."""
        handed_in = [one for one in self._handed_in(student_id) if one.released]
        return _mean(one.worth for one in handed_in) if handed_in else None

    def trend(self, student_id: int) -> Trend:
        """Whether the latest hand-ins are better than those before; empty where there are too few."""
        worth = [one.credit or 0.0 for one in self._handed_in(student_id)]
        if len(worth) < 2 * TREND_OF:
            return ""
        change = _mean(worth[-TREND_OF:]) - _mean(worth[-2 * TREND_OF : -TREND_OF])
        return "steady" if abs(change) < TREND_FROM else "rising" if change > 0 else "falling"

    def compared(self) -> tuple[HandInSummary, HandInSummary]:
        """Hand-ins of practice that were never rewound, and those that were."""
        handed_in = [one for one in self.cells.values() if one.handed_in_s is not None and one.practice]
        straight = [one for one in handed_in if not one.taken_back]
        return _compared(straight), _compared([one for one in handed_in if one.taken_back])

    def _handed_in(self, student_id: int) -> list[TermCell]:
        """What a student handed in, the earliest first."""
        mine = [cell for (student, _), cell in self.cells.items() if student == student_id]
        handed_in = [one for one in mine if one.handed_in_s is not None]
        return sorted(handed_in, key=lambda one: one.handed_in_s or 0.0)


def _topic(topic: str, cells: Sequence[TermCell | None]) -> TopicResult:
    done = sorted(
        (one for one in cells if one and one.handed_in_s is not None), key=lambda one: one.handed_in_s or 0.0
    )
    whole = [bool(one.complete) and not one.after_showing for one in done]
    latest = whole[-MASTERED_BY:]
    enough = len(latest) == min(MASTERED_BY, len(cells))
    return TopicResult(topic, len(cells), len(done), sum(whole), enough and all(latest))


def _mean(numbers: Iterable[float]) -> float:
    known = list(numbers)
    return sum(known) / len(known) if known else 0.0


def _compared(cells: Sequence[TermCell]) -> HandInSummary:
    credit, minutes = _mean(one.credit or 0.0 for one in cells), _mean(one.minutes for one in cells)
    return HandInSummary(len(cells), sum(bool(one.complete) for one in cells), credit, minutes)


class Terms:
    """The terms of all classes of one database, and how an instructor marks."""

    def __init__(self, store: Store, kept: Attempts) -> None:
        self._store = store
        self._kept = kept

    def of_class(self, class_id: int) -> Term:
        """A class with all its attempts; exercises that were taken back are there if they were begun."""
        with reading(self._store.engine) as connection:
            group = ClassRow(**one(connection, select(classes).where(classes.c.id == class_id), "class"))
            known = select(*(students.c[name] for name in StudentRow.__slots__))
            here = known.where(students.c.class_id == class_id, students.c.admitted)
            people = connection.execute(here.order_by(students.c.id)).mappings().all()
            given = select(*COLUMNS).where(assignments.c.class_id == class_id).order_by(*IN_ORDER)
            tasks = connection.execute(given).mappings().all()
            here = _cells().where(students.c.class_id == class_id)
            rows = connection.execute(here).mappings().all()
        weights = weights_of(group.weights)
        cells = {(row["student_id"], row["assignment_id"]): _cell(row, weights) for row in rows}
        return Term(
            group,
            tuple(StudentRow(**row) for row in people),
            tuple(AssignmentRow(**row) for row in tasks),
            cells,
        )

    def of_attempt(self, attempt_id: int) -> tuple[TermCell, dict[str, float]]:
        """One attempt, and what each criterion weighs in its class."""
        wanted = _cells().add_columns(classes.c.weights).where(attempts.c.id == attempt_id)
        row = dict(self._store.one(wanted, "attempt"))
        weights = weights_of(row.pop("weights"))
        return _cell(row, weights), weights

    def set_weights(self, class_id: int, weights: Mapping[str, float]) -> None:
        """Set what each criterion weighs in a class."""
        known = checked_weights(weights)
        with writing(self._store.engine) as connection:
            one(connection, select(classes).where(classes.c.id == class_id), "class")
            connection.execute(classes.update().where(classes.c.id == class_id).values(weights=known))

    def review(self, attempt_id: int, marks: Mapping[str, float], comment: str, by_whom: str = "") -> None:
        """Mark criteria of an attempt otherwise than the rules do, and comment on it."""
        row = {"marks": checked_review(marks, comment), "comment": comment.strip(), "by_whom": by_whom}
        with writing(self._store.engine) as connection:
            wanted = select(results.c.attempt_id).where(results.c.attempt_id == attempt_id)
            if connection.execute(wanted).first() is None:
                raise Problem("an attempt is marked when it is handed in")
            here = reviews.c.attempt_id == attempt_id
            connection.execute(reviews.delete().where(here))
            now_s = self._store.clock()
            connection.execute(reviews.insert().values(attempt_id=attempt_id, written_s=now_s, **row))

    def work_out(self, attempt_id: int) -> Rubric:
        """The rubric of a hand-in of an older version, by playing its log once more; it is kept."""
        marks = rubric(self._kept.resume(attempt_id).attempt)
        with writing(self._store.engine) as connection:
            here = results.update().where(results.c.attempt_id == attempt_id)
            connection.execute(here.values(rubric=as_json(marks)))
        return marks


def _cells() -> Select[Any]:
    """Attempts with what was done in them, without the text of their files."""
    steps, minutes, hints, taken_back = work_done(attempts.c.id)
    return (
        select(
            attempts.c.id.label("attempt_id"), attempts.c.student_id, attempts.c.assignment_id,
            attempts.c.variant, attempts.c.practice, attempts.c.begun_s, steps, hints, taken_back,
            attempts.c.released_s.label("to_one_s"), assignments.c.released_s.label("to_all_s"),
            func.coalesce(results.c.minutes, minutes).label("minutes"),
            results.c.handed_in_s, results.c.complete, results.c.credit, results.c.cost, results.c.evidence,
            results.c.named, results.c.rubric, assignments.c.due_s, assignments.c.shown_s, reviews.c.marks,
            reviews.c.comment, reviews.c.by_whom,
        )
        .join(students, students.c.id == attempts.c.student_id)
        .join(assignments, assignments.c.id == attempts.c.assignment_id)
        .outerjoin(results, results.c.attempt_id == attempts.c.id)
        .outerjoin(reviews, reviews.c.attempt_id == attempts.c.id)
        .join(classes, classes.c.id == students.c.class_id)
        .where(attempts.c.superseded == 0)
    )  # fmt: skip


def _cell(row: Any, weights: Mapping[str, float]) -> TermCell:
    told = dict(row)
    for name in ("student_id", "assignment_id"):
        told.pop(name)
    marked_by = told.pop("by_whom") or ""
    due_s, shown_s = told.pop("due_s"), told.pop("shown_s")
    is_open = (told.pop("to_one_s"), told.pop("to_all_s")) == (None, None) and not told["practice"]
    reasons, reviewed = from_json(told.pop("rubric")), marks_from_json(told.pop("marks"))
    marks = {name: reviewed.get(name, mark.score) for name, mark in reasons.items()}
    handed_in_s = told["handed_in_s"]
    return TermCell(
        **told | {"evidence": told["evidence"] or "", "named": told["named"] or "[]"}
        | {"comment": told["comment"] or "", "marked_by": marked_by},
        late=is_late(due_s, handed_in_s), after_showing=shown_before(shown_s, handed_in_s),
        released=not is_open, reasons=reasons, reviewed=reviewed, rubric=total(marks, weights),
    )  # fmt: skip
