"""The results of a class as tables of comma-separated values, for a spreadsheet and for a gradebook.

Both begin with a byte order mark, so that a spreadsheet reads names in UTF-8 (Unicode 17, section 23.8), end
their lines as RFC 4180 says, and have no cell that a spreadsheet takes for a formula.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime
from typing import Any

from sim.training.rows import AssignmentRow, StudentRow
from sim.training.rubric import NAMES
from sim.training.term import Term, TermCell

BYTE_ORDER_MARK = "\ufeff"
FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r")
HEAD = (
    "student", "id", "exercise", "topic", "car", "mode", "variant", "state", "begun", "handed in", "complete",
    "credit", "minutes", "cost", "steps", "hints", "steps taken back", "named", "evidence",
    "after the solution was shown", "late", "rubric", *(f"mark: {name}" for name in NAMES),
    "comment", "marked by",
)  # fmt: skip


def results_csv(term: Term) -> str:
    """A line per student and exercise, who did not begin as well; times are UTC, open cells are empty."""
    return _table(HEAD, _lines(term))


def _lines(term: Term) -> Iterator[list[Any]]:
    for student in term.students:
        for given, cell in term.of_student(student.id):
            if cell is not None or given.withdrawn_s is None:
                yield _line(student, given, cell)


def _line(student: StudentRow, given: AssignmentRow, cell: TermCell | None) -> list[Any]:
    mode = "practice" if (cell or given).practice else "exam"
    known = [student.name, student.outside_id, given.exercise, given.topic, given.car, mode]
    if cell is None:
        return [*known, "", "not begun"]
    over = cell.handed_in_s is not None
    state = ["handed in" if over else "at work", _day(cell.begun_s), _day(cell.handed_in_s)]
    worth = [_yes(cell.complete), _rounded(cell.credit, 2), _rounded(cell.minutes, 1), _rounded(cell.cost, 2)]
    done = [cell.steps, cell.hints, cell.taken_back, "; ".join(json.loads(cell.named)), cell.evidence]
    marks = [
        _rounded(cell.rubric, 2),
        *(_rounded(cell.marks.get(name), 2) for name in NAMES),
        cell.comment,
        cell.marked_by,
    ]
    held = [_yes(cell.after_showing), _yes(cell.late)]
    return [*known, cell.variant + 1, *state, *worth, *done, *held, *marks]


def gradebook_csv(term: Term) -> str:
    """A line per student with the points of each exercise: what a school's platform reads in.

    The first three columns name the student: the platform's id, the name, this class's number. The column of
    an exercise has its number, its title and the points that it is worth. What is not released is empty.
    """
    given = [one for one in term.assignments if one.withdrawn_s is None]
    head = ["id", "name", "student number", *(column_name(one) for one in given)]
    return _table(head, (_grades(term, student, given) for student in term.students))


def column_name(given: AssignmentRow) -> str:
    """The name of an exercise's column in the gradebook."""
    return f"{given.id}: {given.exercise} ({given.points:g} points)"


def _grades(term: Term, student: StudentRow, given: Sequence[AssignmentRow]) -> list[Any]:
    cells = (term.cells.get((student.id, one.id)) for one in given)
    points = [_points(one, cell) for one, cell in zip(given, cells, strict=True)]
    return [student.outside_id, student.name, student.id, *points]


def _points(given: AssignmentRow, cell: TermCell | None) -> float | str:
    """The mark by the rubric, in points; the credit for a hand-in that has no rubric."""
    if cell is None or cell.handed_in_s is None or not cell.released:
        return ""
    return round(cell.worth * given.points, 2)


def _table(head: Sequence[str], lines: Iterable[Sequence[Any]]) -> str:
    out = io.StringIO()
    write = csv.writer(out)
    write.writerow([_cell(value) for value in head])
    for line in lines:
        write.writerow([_cell(value) for value in (*line, *[""] * (len(head) - len(line)))])
    return BYTE_ORDER_MARK + out.getvalue()


def _day(time_s: float | None) -> str:
    return "" if time_s is None else datetime.fromtimestamp(time_s, UTC).isoformat(timespec="seconds")


def _yes(value: bool | None) -> str:
    return "" if value is None else "yes" if value else "no"


def _rounded(value: float | None, digits: int) -> float | str:
    return "" if value is None else round(value, digits)


def _cell(value: Any) -> Any:
    """A cell that no spreadsheet takes for a formula."""
    if isinstance(value, str) and value[:1] in FORMULA_SIGNS:
        return f"'{value}"
    return value
