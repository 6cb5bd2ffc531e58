"""A student's PIN: with class code and name it opens the desk on a shared computer, for a school day.

Tries are counted as those at the instructor's door are, but by student: a computer that many use is never
closed to all of them for one who guesses.

Not modeled: a PIN that was forgotten is not told; the instructor gives a new address instead.
"""

from __future__ import annotations

import re
import secrets
from typing import Any

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError, VerifyMismatchError
from sqlalchemy import Connection, delete, select

from sim.training.passphrase import FORGOTTEN_AFTER_S, wait_after_s
from sim.training.rows import StudentRow
from sim.training.schema import classes, knocks, students, visits
from sim.training.store import Store, alone, hashed, name_key, one, writing
from sim.vehicle.problems import Problem

PIN = re.compile(r"[0-9]{4,8}")
LASTS_S = 12 * 3600.0  # a school day, as the instructor's visit does
KEY_BYTES = 24
UNKNOWN = "class code, name and PIN do not belong together"  # whichever of them is wrong


class PinStore:
    """The PINs of all students of one database."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._hasher = PasswordHasher()  # the library's defaults: RFC 9106, low-memory recommendation

    def choose(self, student_id: int, pin: str) -> None:
        """Set a student's PIN, or forget it where it is empty."""
        if pin and not PIN.fullmatch(pin):
            raise Problem("a PIN has 4 to 8 digits")
        kept = self._hasher.hash(pin) if pin else None
        with writing(self._store.engine) as connection:
            one(connection, select(students.c.id).where(students.c.id == student_id), "student")
            here = students.update().where(students.c.id == student_id)
            connection.execute(here.values(pin_hash=kept))

    def has_one(self, student_id: int) -> bool:
        """Whether a student has chosen a PIN."""
        wanted = select(students.c.pin_hash).where(students.c.id == student_id)
        return self._store.one(wanted, "student")["pin_hash"] is not None

    def come_back(self, code: str, name: str, pin: str) -> tuple[StudentRow, str]:
        """The student with this name and PIN, and a key for today; raises `Problem` otherwise."""
        student_id, known = alone(self._store.engine, lambda here: self._counted(here, code, name))
        if len(pin) > 8 or not self._is_right(known, pin):
            raise Problem(UNKNOWN)
        key, now_s = secrets.token_urlsafe(KEY_BYTES), self._store.clock()
        with writing(self._store.engine) as connection:
            connection.execute(delete(knocks).where(knocks.c.source == _source(student_id)))
            connection.execute(delete(visits).where(visits.c.until_s <= now_s))
            row = {"key_hash": hashed(key), "student_id": student_id, "until_s": now_s + LASTS_S}
            connection.execute(visits.insert().values(**row))
            found = one(connection, select(students).where(students.c.id == student_id), "student")
        return StudentRow(**{name: found[name] for name in StudentRow.__slots__}), key

    def leave(self, key: str) -> None:
        """End a visit that a PIN began: its key is no longer valid."""
        with writing(self._store.engine) as connection:
            connection.execute(delete(visits).where(visits.c.key_hash == hashed(key)))

    def _counted(self, connection: Connection, code: str, name: str) -> tuple[int, str]:
        """Count a try as wrong before it is looked at: whose it is, and the hash to compare with."""
        wanted = (
            select(students.c.id, students.c.pin_hash)
            .join(classes, classes.c.id == students.c.class_id)
            .where(classes.c.join_code == code.strip().upper())
            .where(students.c.name_key == name_key(" ".join(name.split())))
        )
        row = connection.execute(wanted).mappings().first()
        if row is None or row["pin_hash"] is None:
            raise Problem(UNKNOWN)
        now_s, source = self._store.clock(), _source(row["id"])
        tried: Any = connection.execute(select(knocks).where(knocks.c.source == source)).mappings().first()
        left_s = (tried["closed_until_s"] - now_s) if tried else 0.0
        if tried and 0 < left_s <= tried["closed_until_s"] - tried["tried_s"]:  # not after a clock set back
            raise Problem(f"too many wrong tries for this name: wait {left_s:.0f} s, then try again")
        fresh = tried is None or now_s - tried["tried_s"] > FORGOTTEN_AFTER_S
        wrong = 1 if fresh else tried["wrong_in_a_row"] + 1
        connection.execute(delete(knocks).where(knocks.c.source == source))
        count = {"tries": wrong, "wrong_in_a_row": wrong, "tried_s": now_s}
        closed = {"closed_until_s": now_s + wait_after_s(wrong)}
        connection.execute(knocks.insert().values(source=source, **count, **closed))
        return row["id"], row["pin_hash"]

    def _is_right(self, known: str, said: str) -> bool:
        try:
            return self._hasher.verify(known, said)
        except (VerifyMismatchError, VerificationError, InvalidHashError):
            return False


def _source(student_id: int) -> str:
    return f"student {student_id}"
