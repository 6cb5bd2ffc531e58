"""Statements to a learning record store, kept in the records until the store has them.

What there is to tell is found in the records, so nothing is lost that happened while no store was known, and
nothing is told twice: each statement has its number from the moment it is made.

    outbox.connect(RecordStore("https://lrs.school.example/xapi", "https://school.example", "busbay", "..."))
    outbox.collect(); outbox.send()

Not modeled: several stores at once.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import uuid4

from sqlalchemy import Connection, Select, and_, delete, exists, func, or_, select

from sim.training import xapi
from sim.training.record_store import (
    NotReached,
    RecordStore,
    Refused,
    ask_about,
    checked,
    send_all,
    send_one,
)
from sim.training.rubric import from_json, marks_from_json, total, weights_of
from sim.training.schema import (
    assignments,
    attempts,
    classes,
    record_stores,
    results,
    reviews,
    statements,
    students,
)
from sim.training.store import Store, alone, reading, writing
from sim.training.work_done import work_done

THE_STORE = 1
AT_ONCE = 50  # statements in one request
HELD_S = 60.0  # so long another sender leaves alone what this one has in hand
FIRST_WAIT_S, LONGEST_WAIT_S = 15.0, 3600.0


@dataclass(frozen=True, slots=True)
class OutboxState:
    """How far the sending is: statements waiting and sent, when the store was reached, what is wrong."""

    endpoint: str
    home_page: str
    username: str
    version: str
    waiting: int
    sent: int
    reached_s: float | None
    problem: str


class Outbox:
    """The statements of one database."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def connect(self, known: RecordStore) -> str:
        """Send to this store from now on; returns the versions it knows, raises `Problem` if it is none."""
        known = checked(known)
        versions = ask_about(known)
        row = {
            "id": THE_STORE, "endpoint": known.endpoint, "home_page": known.home_page,
            "username": known.username, "secret": known.secret, "version": known.version,
            "reached_s": self._store.clock(), "problem": "",
        }  # fmt: skip
        with writing(self._store.engine) as connection:
            connection.execute(delete(record_stores))
            connection.execute(record_stores.insert().values(**row))
            waiting = statements.update().where(statements.c.sent_s.is_(None))
            connection.execute(waiting.values(next_try_s=0.0))
        return versions

    def disconnect(self) -> None:
        """Send no more, and forget the secret; what was sent is not sent again to another store."""
        with writing(self._store.engine) as connection:
            connection.execute(delete(record_stores))
            connection.execute(delete(statements).where(statements.c.sent_s.is_(None)))

    def state(self) -> OutboxState | None:
        """How far the sending is; None if no store is known."""
        waiting = func.count().filter(statements.c.sent_s.is_(None))
        with reading(self._store.engine) as connection:
            row = connection.execute(select(record_stores)).mappings().first()
            if row is None:
                return None
            counts = connection.execute(select(waiting, func.count(statements.c.sent_s))).one()
        names = ("endpoint", "home_page", "username", "version", "reached_s", "problem")
        return OutboxState(**{name: row[name] for name in names}, waiting=counts[0], sent=counts[1])

    def collect(self) -> int:
        """Write down everything that the store has not been told; returns how many statements that are."""
        if self._known() is None:
            return 0
        return alone(self._store.engine, self._collect)

    def _collect(self, connection: Connection) -> int:
        known = connection.execute(select(record_stores)).mappings().first()
        if known is None:
            return 0
        rows = connection.execute(_untold()).mappings().all()
        made = [one for row in rows for one in _statements(dict(row), known["home_page"])]
        known_ones = connection.execute(select(statements.c.attempt_id, statements.c.verb)).all()
        told = {(one.attempt_id, one.verb) for one in known_ones}
        new = [
            {"id": body["id"], "attempt_id": attempt_id, "verb": verb, "body": json.dumps(body),
             "made_s": self._store.clock(), "problem": ""}
            for attempt_id, verb, body in made if (attempt_id, verb) not in told
        ]  # fmt: skip
        if new:
            connection.execute(statements.insert(), new)
        return len(new)

    def send(self) -> int:
        """Send what is due; returns how many the store has taken. The others are tried again later."""
        known = self._known()
        if known is None:
            return 0
        sent = 0
        while due := alone(self._store.engine, self._take_in_hand):
            try:
                sent += self._sent(known, due)
            except NotReached as problem:
                self._put_off([one["id"] for one in due], problem.what)
                self._note(problem.what)
                return sent
        return sent

    def _take_in_hand(self, connection: Connection) -> Sequence[Any]:
        now_s = self._store.clock()
        due = select(statements).where(statements.c.sent_s.is_(None), statements.c.next_try_s <= now_s)
        rows = connection.execute(due.order_by(statements.c.made_s, statements.c.attempt_id).limit(AT_ONCE))
        found = rows.mappings().all()
        here = statements.update().where(statements.c.id.in_([row["id"] for row in found]))
        connection.execute(here.values(next_try_s=now_s + HELD_S))
        return found

    def _sent(self, known: RecordStore, due: Sequence[Any]) -> int:
        try:
            send_all(known, [one["body"] for one in due])
        except Refused:  # of one of them, or because it has one already: each by itself
            return sum(self._sent_alone(known, one) for one in due)
        self._mark([one["id"] for one in due])
        return len(due)

    def _sent_alone(self, known: RecordStore, one: Any) -> bool:
        try:
            send_one(known, one["id"], one["body"])
        except Refused as problem:
            self._put_off([one["id"]], problem.what)
            self._note(problem.what)
            return False
        self._mark([one["id"]])
        return True

    def _mark(self, ids: Sequence[str]) -> None:
        now_s = self._store.clock()
        with writing(self._store.engine) as connection:
            here = statements.update().where(statements.c.id.in_(ids))
            connection.execute(here.values(sent_s=now_s, problem=""))
            connection.execute(record_stores.update().values(reached_s=now_s, problem=""))

    def _put_off(self, ids: Sequence[str], problem: str) -> None:
        """Try again later, each time after twice as long."""
        now_s = self._store.clock()
        with writing(self._store.engine) as connection:
            wanted = select(statements.c.id, statements.c.tries).where(statements.c.id.in_(ids))
            for row in connection.execute(wanted).all():
                wait_s = min(FIRST_WAIT_S * 2 ** min(row.tries, 20), LONGEST_WAIT_S)
                here = statements.update().where(statements.c.id == row.id)
                late = {"tries": row.tries + 1, "next_try_s": now_s + wait_s, "problem": problem}
                connection.execute(here.values(**late))

    def _note(self, problem: str) -> None:
        with writing(self._store.engine) as connection:
            connection.execute(record_stores.update().values(problem=problem))

    def _known(self) -> RecordStore | None:
        with reading(self._store.engine) as connection:
            row = connection.execute(select(record_stores)).mappings().first()
        names = ("endpoint", "home_page", "username", "secret", "version")
        return None if row is None else RecordStore(**{name: row[name] for name in names})


# -- what there is to tell -----------------------------------------------------------------------------------


def _untold() -> Select[Any]:
    """Attempts of classes of which something has happened that no statement tells."""
    _, minutes, *_ = work_done(attempts.c.id)
    released = or_(
        attempts.c.practice, attempts.c.released_s.is_not(None), assignments.c.released_s.is_not(None)
    )
    handed_in = results.c.attempt_id.is_not(None)
    after_mark = exists().where(
        statements.c.attempt_id == attempts.c.id, statements.c.made_s >= reviews.c.written_s,
        statements.c.verb.startswith("scored"),
    )  # fmt: skip
    return (
        select(
            attempts.c.id.label("attempt_id"), attempts.c.begun_s, attempts.c.practice,
            students.c.id.label("student_id"), students.c.name, students.c.outside_id,
            classes.c.id.label("class_id"), classes.c.name.label("class_name"), classes.c.weights,
            assignments.c.id.label("assignment_id"), assignments.c.entry, assignments.c.points,
            assignments.c.exercise.label("title"), results.c.handed_in_s, results.c.complete,
            results.c.credit, results.c.rubric, func.coalesce(results.c.minutes, minutes).label("minutes"),
            reviews.c.marks, reviews.c.written_s, released.label("released"),
        )
        .join(students, students.c.id == attempts.c.student_id)
        .join(classes, classes.c.id == students.c.class_id)
        .join(assignments, assignments.c.id == attempts.c.assignment_id)
        .outerjoin(results, results.c.attempt_id == attempts.c.id)
        .outerjoin(reviews, reviews.c.attempt_id == attempts.c.id)
        .where(
            classes.c.private.is_(False), attempts.c.superseded == 0,
            or_(
                ~_is_told("attempted"), and_(handed_in, ~_is_told("completed")),
                and_(handed_in, released, ~_is_told("judged")),
                and_(handed_in, released, reviews.c.written_s.is_not(None), ~after_mark),
            ),
        )
    )  # fmt: skip


def _is_told(verb: str) -> Any:
    return exists().where(statements.c.attempt_id == attempts.c.id, statements.c.verb == verb)


Told = tuple[int, str, dict[str, Any]]


def _statements(row: dict[str, Any], home_page: str) -> Iterator[Told]:
    """Every statement that there is to make of an attempt, by its verb."""
    deed = _deed(row, home_page)

    def told(verb: str, make: Callable[[xapi.Deed, str], dict[str, Any]]) -> Told:
        return deed.attempt_id, verb, make(deed, str(uuid4()))

    yield told("attempted", xapi.attempted)
    if deed.handed_in_s is None:
        return
    yield told("completed", xapi.completed)
    if not row["released"]:
        return
    yield told("judged", xapi.judged)
    marked_s = row["written_s"]
    if marked_s is not None:
        yield told(f"scored {marked_s:.0f}", lambda one, number: xapi.scored(one, number, marked_s))


def _deed(row: dict[str, Any], home_page: str) -> xapi.Deed:
    marks = {name: one.score for name, one in from_json(row["rubric"]).items()}
    worth = total(marks | marks_from_json(row["marks"]), weights_of(row["weights"])) if marks else None
    names = (
        "name", "class_id", "class_name", "assignment_id", "entry", "title", "practice", "points",
        "attempt_id", "begun_s", "handed_in_s", "minutes",
    )  # fmt: skip
    return xapi.Deed(
        home_page=home_page,
        account=row["outside_id"] or f"busbay-student-{row['student_id']}",
        complete=bool(row["complete"]),
        worth=(row["credit"] or 0.0) if worth is None else worth,
        **{name: row[name] for name in names},
    )
