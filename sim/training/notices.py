"""What the instructor lets a class know: pauses and messages, and one row that tells of anything new."""

from __future__ import annotations

from typing import Any

from sqlalchemy import select

from sim.training.rows import ClassNotice, MessageRow
from sim.training.schema import classes, messages, students, writing
from sim.training.store import Store, insert, notify, one
from sim.vehicle.problems import Problem

LONGEST_MESSAGE = 600


class Notices:
    """The instructor's notices to all classes of one database."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def pause(self, class_id: int, paused: bool) -> None:
        """Pause the work of a class, or let it go on."""
        with writing(self._store.engine) as connection:
            notify(connection, class_id, paused=paused)

    def tell(self, class_id: int, words: str, student_id: int | None = None) -> MessageRow:
        """Send a message to one student of a class, or to all."""
        if not words.strip() or len(words) > LONGEST_MESSAGE:
            raise Problem(f"a message has 1 to {LONGEST_MESSAGE} letters (here: {len(words.strip())})")
        row: dict[str, Any] = {
            "class_id": class_id, "student_id": student_id, "words": words.strip(),
            "sent_s": self._store.clock(),
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
        own = select(students.c.class_id).where(students.c.id == student_id).scalar_subquery()
        mine = (messages.c.student_id == student_id) | messages.c.student_id.is_(None)
        wanted = select(messages).where(messages.c.class_id == own, mine)
        return self._store.rows(MessageRow, wanted.order_by(messages.c.id.desc()))
