"""The results of a class as comma-separated values, one line per attempt."""

from __future__ import annotations

import csv
import io
import json
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import select

from sim.training.rows import shown_before
from sim.training.schema import assignments, attempts, reading, results, students
from sim.training.store import Store

HEAD = (
    "student", "exercise", "begun", "handed in", "complete", "credit", "minutes", "cost", "named",
    "after the solution was shown",
)  # fmt: skip
FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r")


def results_csv(store: Store, class_id: int) -> str:
    """The results of a class, in the order of joining; times are UTC, open attempts have empty cells."""
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
    write.writerow(HEAD)
    with reading(store.engine) as connection:
        for row in connection.execute(wanted).mappings():
            write.writerow([_cell(value) for value in _cells(row)])
    return out.getvalue()


def _cells(row: Any) -> list[Any]:
    named = "" if row["named"] is None else "; ".join(json.loads(row["named"]))
    handed = "" if row["handed_in_s"] is None else _day(row["handed_in_s"])
    shown = [row["complete"], row["credit"], row[results.c.minutes], row["cost"]]
    after = "yes" if shown_before(row["shown_s"], row["handed_in_s"]) else "no"
    return [row["name"], row["exercise"], _day(row["begun_s"]), handed, *shown, named, after]


def _day(time_s: float) -> str:
    return datetime.fromtimestamp(time_s, UTC).isoformat(timespec="seconds")


def _cell(value: Any) -> Any:
    """A cell that no spreadsheet takes for a formula."""
    if isinstance(value, str) and value[:1] in FORMULA_SIGNS:
        return f"'{value}"
    return "" if value is None else value
