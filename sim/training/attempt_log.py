"""The log of a kept attempt, written line by line: nothing is shown before it is safe.

Two browser windows on one attempt cannot both add the same line: a writer says how long the log was, and the
later one is told to catch up.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, Select, Table, select
from sqlalchemy.exc import DatabaseError, IntegrityError

from sim.training.schema import actions, results, writing
from sim.training.store import Store
from sim.vehicle.problems import Problem

GONE_ON = "this exercise has gone on in another window; here it is again"


class Elsewhere(Problem):
    """The attempt has gone on in another window: resume it."""


class AttemptLog:
    """Writes what belongs to the attempts of one database."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def add_action(self, attempt_id: int, number: int, action: str, minutes: float, length: int) -> None:
        """Write a line of a log that has `length` lines, and return when it is safe.

        Raises `Elsewhere` where the log has another length, or this number is taken.
        """
        row = {"attempt_id": attempt_id, "number": number, "action": action, "minutes": minutes}
        self.add(actions, {**row, "done_s": self._store.clock(), "taken_back": False}, length)

    def add(self, table: Table, row: dict[str, Any], length: int) -> None:
        """Write a row of an attempt whose log has `length` lines; raises as `add_action` does."""
        try:
            with writing(self._store.engine) as connection:
                _check_length(connection, row["attempt_id"], length)
                handed = select(results.c.attempt_id).where(results.c.attempt_id == row["attempt_id"])
                if connection.execute(handed).first():
                    raise Elsewhere("this exercise has been handed in, in another window")
                connection.execute(table.insert().values(**row))
        except IntegrityError:
            raise Elsewhere(GONE_ON) from None
        except DatabaseError as error:
            raise Problem(f"this could not be kept, so it was not done: {error.orig}") from None

    def take_back(self, attempt_id: int, keep: int, length: int) -> None:
        """Mark all lines of a log of this length but the first `keep` as taken back."""
        with writing(self._store.engine) as connection:
            _check_length(connection, attempt_id, length)
            here = actions.c.attempt_id == attempt_id
            open_lines = select(actions.c.number).where(here, actions.c.taken_back.is_(False))
            numbers = connection.execute(open_lines.order_by(actions.c.number)).scalars().all()
            gone = actions.c.number.in_(numbers[keep:])
            connection.execute(actions.update().where(here, gone).values(taken_back=True))


def log_of(attempt_id: int) -> Select[Any]:
    """The actions of an attempt in order, without what was taken back."""
    wanted = select(actions.c.action).where(actions.c.attempt_id == attempt_id)
    return wanted.where(actions.c.taken_back.is_(False)).order_by(actions.c.number)


def _check_length(connection: Connection, attempt_id: int, length: int) -> None:
    if len(connection.execute(log_of(attempt_id)).all()) != length:
        raise Elsewhere(GONE_ON)
