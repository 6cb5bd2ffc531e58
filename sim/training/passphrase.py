"""The instructor's passphrase: hashed by Argon2id, wrong tries slowed down and logged.

    door = Door(records.engine)
    door.set_passphrase("correct horse battery")
    token = door.open("correct horse battery", source="127.0.0.1")
    door.knows(token)                   # for so many hours, or until door.leave(token)

After a few wrong tries the door stays closed for a while, twice as long after each further one, for
everyone, whether or not the next try is right; a try at a closed door is not even looked at.

Not modelled: several instructors with passphrases of their own.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable
from typing import Literal

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError, VerifyMismatchError
from sqlalchemy import Connection, Engine, delete, select

from sim.training.schema import logins, passphrases, tokens
from sim.training.store import hashed, reading, writing
from sim.vehicle.problems import Problem

SHORTEST, LONGEST = 10, 200
FREE_TRIES = 5
FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 300.0
KEPT_LOGINS = 10_000
LONGEST_SOURCE = 80
INSTRUCTOR = 1
TryOutcome = Literal["right", "wrong", "closed"]
STAYS_OPEN_S = 12 * 3600.0  # a day of classes; our own choice


class WrongPassphrase(Problem):
    """The passphrase is not this one, or the door is closed for now; `wait_s`: for how long."""

    def __init__(self, what: str, wait_s: float) -> None:
        super().__init__(what)
        self.wait_s = wait_s


def check_length(new: str) -> None:
    """Raise `Problem` where this is too short or too long for a passphrase."""
    if not SHORTEST <= len(new) <= LONGEST:
        raise Problem(f"a passphrase has {SHORTEST} to {LONGEST} letters (here: {len(new)})")


class Door:
    """The guard of the instructor's pages."""

    def __init__(self, engine: Engine, clock: Callable[[], float] = time.time) -> None:
        self._engine = engine
        self._clock = clock
        self._hasher = PasswordHasher()  # the library's defaults: RFC 9106, low-memory recommendation

    @property
    def has_passphrase(self) -> bool:
        """Whether a passphrase has been set."""
        with reading(self._engine) as connection:
            return connection.execute(select(passphrases.c.id)).first() is not None

    def forget_passphrase(self) -> None:
        """Forget the passphrase and end all visits; the next one set is the first again."""
        with writing(self._engine) as connection:
            connection.execute(delete(passphrases))
            connection.execute(delete(tokens))

    def set_passphrase(self, new: str, old: str = "", source: str = "") -> None:
        """Set the passphrase; to change it takes the old one."""
        check_length(new)
        if self.has_passphrase:
            self.open(old, source)
        values = {"hash": self._hasher.hash(new), "wrong_in_a_row": 0, "closed_until_s": 0.0}
        with writing(self._engine) as connection:
            known = connection.execute(select(passphrases.c.hash)).scalar_one_or_none()
            if known is None:
                connection.execute(passphrases.insert().values(id=INSTRUCTOR, **values))
            elif old:
                connection.execute(passphrases.update().values(**values))
                connection.execute(delete(tokens))
            else:
                raise Problem("a passphrase was set by somebody else at this moment")

    def open(self, said: str, source: str = "") -> str:
        """A token for the rest of the day if the passphrase is right; raises `WrongPassphrase` otherwise.

        `source` says where the try came from.
        """
        now_s = self._clock()
        with writing(self._engine) as connection:
            row = connection.execute(select(passphrases)).mappings().first()
            if row is None:
                raise Problem("no passphrase has been set yet")
            wait_s = row["closed_until_s"] - now_s
            if wait_s > 0:
                self._write_down(connection, now_s, source, "closed")
            elif self._is_right(row["hash"], said):
                self._write_down(connection, now_s, source, "right")
                connection.execute(passphrases.update().values(wrong_in_a_row=0, closed_until_s=0.0))
                return self._new_token(connection, now_s)
            else:
                self._write_down(connection, now_s, source, "wrong")
                wait_s = self._close(connection, row["wrong_in_a_row"] + 1, now_s)
        # raised outside, so that what was written down stays
        words = f"; try again in {wait_s:.0f} s" if wait_s >= 1 else ""
        raise WrongPassphrase(f"that is not the passphrase{words}", max(wait_s, 0.0))

    def knows(self, token: str) -> bool:
        """Whether this token is still valid."""
        wanted = select(tokens.c.until_s).where(tokens.c.token_hash == hashed(token))
        with reading(self._engine) as connection:
            until_s = connection.scalar(wanted)
        return until_s is not None and self._clock() < until_s

    def leave(self, token: str) -> None:
        """End a visit: its token is no longer valid."""
        with writing(self._engine) as connection:
            connection.execute(delete(tokens).where(tokens.c.token_hash == hashed(token)))

    def tries(self, most: int = 100) -> list[tuple[float, str, str]]:
        """The latest tries, newest first: when (seconds since 1970), from where, how it ended."""
        newest = select(logins).order_by(logins.c.id.desc()).limit(most)
        with reading(self._engine) as connection:
            rows = connection.execute(newest).mappings().all()
        return [(row["tried_s"], row["source"], row["outcome"]) for row in rows]

    def _new_token(self, connection: Connection, now_s: float) -> str:
        token = secrets.token_urlsafe(24)
        connection.execute(delete(tokens).where(tokens.c.until_s <= now_s))
        row = {"token_hash": hashed(token), "until_s": now_s + STAYS_OPEN_S}
        connection.execute(tokens.insert().values(**row))
        return token

    def _is_right(self, known: str, said: str) -> bool:
        if len(said) > LONGEST:
            return False
        try:
            return self._hasher.verify(known, said)
        except (VerifyMismatchError, VerificationError, InvalidHashError):
            return False

    def _close(self, connection: Connection, wrong: int, now_s: float) -> float:
        over = wrong - FREE_TRIES
        wait_s = 0.0 if over < 0 else min(FIRST_WAIT_S * 2 ** min(over, 30), LONGEST_WAIT_S)
        values = {"wrong_in_a_row": wrong, "closed_until_s": now_s + wait_s}
        connection.execute(passphrases.update().values(**values))
        return wait_s

    def _write_down(self, connection: Connection, now_s: float, source: str, outcome: TryOutcome) -> None:
        values = {"tried_s": now_s, "source": source[:LONGEST_SOURCE], "outcome": outcome}
        number = connection.execute(logins.insert().values(**values)).inserted_primary_key
        if number is not None:
            connection.execute(delete(logins).where(logins.c.id <= number[0] - KEPT_LOGINS))
