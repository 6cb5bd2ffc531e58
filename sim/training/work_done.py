"""How much was done in an attempt, by queries: the one home of steps, minutes, hints and steps taken back.

Minutes are those of the lines that count, and of the hints that were paid for, as `Attempt.minutes` has them.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import ColumnElement, Label, func, select

from sim.training.attempt import HINT_MINUTES
from sim.training.schema import actions, hints


def work_done(attempt_id: ColumnElement[Any]) -> tuple[Label[Any], ...]:
    """Columns `steps`, `minutes`, `hints` and `taken_back` of the attempt whose number a column holds."""
    counts = actions.c.taken_back.is_(False)
    taken = _of(hints, func.count(), attempt_id)
    minutes = _of(actions, func.coalesce(func.sum(actions.c.minutes), 0.0), attempt_id, counts)
    return (
        _of(actions, func.count(), attempt_id, counts).label("steps"),
        (minutes + HINT_MINUTES * taken).label("minutes"),
        taken.label("hints"),
        _of(actions, func.count(), attempt_id, actions.c.taken_back.is_(True)).label("taken_back"),
    )


def _of(table: Any, total: Any, attempt_id: ColumnElement[Any], *which: Any) -> Any:
    wanted = select(total).select_from(table).where(table.c.attempt_id == attempt_id, *which)
    return wanted.correlate_except(table).scalar_subquery()
