"""What an instructor sees of a class at work: where each student is, and who may need help."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import Connection, select

from sim.training.jobs import PART_COST
from sim.training.rows import BoardRow, StudentRow, is_late, shown_before
from sim.training.schema import actions, assignments, attempts
from sim.training.store import Store, reading, result_of
from sim.training.work_done import work_done
from sim.vehicle.edits import verb_of

QUIET_S = 300.0  # so long without a line, a student may be stuck; our own choice
VAIN_REPAIRS = 2  # more repairs than this may be guesses; our own choice
MANY_HINTS = 2
MANY_STEPS = 12  # so many of them without a scan are worth a question; our own choice


def board(
    store: Store, students: Sequence[StudentRow], second_names: Mapping[int, Sequence[str]]
) -> list[BoardRow]:
    """Where each of these students is: the latest attempt of each.

    `second_names`: who else joined with the same browser, by student.
    """
    now_s = store.clock()
    with reading(store.engine) as connection:
        rows = [_board_row(connection, one, now_s) for one in students]
    rows = [_with_hand(row, one, now_s) for row, one in zip(rows, students, strict=True)]
    return [_with_second_names(row, second_names.get(row.student_id, ())) for row in rows]


def needs_first(rows: Sequence[BoardRow]) -> list[BoardRow]:
    """Who needs help first: the longest hand, then the most reasons to ask, then the longest quiet."""
    return sorted(rows, key=lambda row: (-(row.hand_up_s or 0.0), -len(row.signs), -_quiet(row), row.student))


def _quiet(row: BoardRow) -> float:
    return row.quiet_s if row.complete is None else 0.0


def _with_hand(row: BoardRow, student: StudentRow, now_s: float) -> BoardRow:
    name = f"{student.name} and {student.partner}" if student.partner else student.name
    if student.hand_up_s is None:
        return replace(row, student=name)
    up_s = max(now_s - student.hand_up_s, 1.0)
    words = f"hand up for {up_s / 60:.0f} min" if up_s >= 60 else "hand up"
    return replace(row, student=name, hand_up_s=up_s, signs=(words, *row.signs))


def _with_second_names(row: BoardRow, names: Sequence[str]) -> BoardRow:
    return replace(row, signs=(*row.signs, f"same browser as {', '.join(names)}")) if names else row


def _board_row(connection: Connection, student: StudentRow, now_s: float) -> BoardRow:
    row = _latest_attempt(connection, student)
    if row is None:
        quiet_s = now_s - student.joined_s
        signs = ("has not begun",) if quiet_s > QUIET_S else ()
        return BoardRow(student.id, student.name, None, "", 0, 0.0, 0, "", quiet_s, None, None, signs)
    lines = _lines(connection, row["id"])
    result = result_of(connection, row["id"])
    quiet_s = now_s - (lines[-1]["done_s"] if lines else row["begun_s"])
    return BoardRow(
        student_id=student.id,
        student=student.name,
        attempt_id=row["id"],
        exercise=row["exercise"],
        steps=len(lines),
        minutes=row["minutes"] if result is None else result["minutes"],
        hints=row["hints"],
        last_action=lines[-1]["action"] if lines else "",
        quiet_s=quiet_s,
        complete=None if result is None else result["complete"],
        credit=None if result is None else result["credit"],
        signs=() if result else tuple(_signs(lines, quiet_s, row["hints"])),
        after_showing=shown_before(row["shown_s"], result["handed_in_s"] if result else None),
        late=is_late(row["due_s"], result["handed_in_s"] if result else None),
        released=row["practice"] or row["to_all_s"] is not None or row["released_s"] is not None,
    )


def _latest_attempt(connection: Connection, student: StudentRow) -> Any:
    _, minutes, hints, _ = work_done(attempts.c.id)
    wanted = (
        select(
            attempts.c.id,
            attempts.c.begun_s,
            attempts.c.practice,
            attempts.c.released_s,
            minutes,
            hints,
            assignments.c.exercise,
            assignments.c.shown_s,
            assignments.c.due_s,
            assignments.c.released_s.label("to_all_s"),
        )
        .join(assignments, assignments.c.id == attempts.c.assignment_id)
        .where(attempts.c.student_id == student.id)
        .order_by(attempts.c.id.desc())
        .limit(1)
    )
    return connection.execute(wanted).mappings().first()


def _lines(connection: Connection, attempt_id: int) -> Sequence[Any]:
    here = (actions.c.attempt_id == attempt_id, actions.c.taken_back.is_(False))
    return connection.execute(select(actions).where(*here).order_by(actions.c.number)).mappings().all()


def _signs(lines: Sequence[Any], quiet_s: float, hints_taken: int) -> Iterator[str]:
    """Reasons to go and ask a student who is at work."""
    if quiet_s > QUIET_S:
        yield f"quiet for {quiet_s / 60:.0f} min"
    verbs = [verb_of(line["action"]) for line in lines]
    if len(verbs) >= MANY_STEPS and "scan" not in verbs:
        yield "many steps and no scan"
    if sum(PART_COST.get(verb, 0.0) > 0 for verb in verbs) > VAIN_REPAIRS:
        yield "several repairs"
    if hints_taken >= MANY_HINTS:
        yield f"{hints_taken} hints taken"
