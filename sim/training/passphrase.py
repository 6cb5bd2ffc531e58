"""The passphrases of instructors: hashed by Argon2id, wrong tries slowed down and logged.

    door = Door(records.engine)
    door.set_passphrase("correct horse battery")
    token = door.open("correct horse battery", source="127.0.0.1")
    door.knows(token)                   # for so many hours, or until door.leave(token)

After a few wrong tries from one source the door stays closed to it for a while, twice as long after each
further one, whether or not the next try is right; a try at a closed door is not even looked at. A try counts
as wrong before it is looked at, so that many at once are no more than one after the other. This computer is
never shut out. A clock that is set back neither keeps the door closed nor a token valid.

The first instructor adds others, each with a name and a passphrase of their own. A name that is not known
takes as long to refuse as a wrong passphrase, and is refused in the same words.

Not modeled: one person with very many addresses.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from ipaddress import IPv6Address, IPv6Network, ip_address
from threading import BoundedSemaphore, Lock
from typing import Any, Literal

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError, VerifyMismatchError
from sqlalchemy import ColumnElement, Connection, Engine, delete, func, select
from sqlalchemy.dialects import postgresql, sqlite

from sim.training.classes import FIRST_INSTRUCTOR, LONGEST_NAME
from sim.training.schema import classes, co_teachers, knocks, logins, passphrases, tokens
from sim.training.store import alone, checked_name, hashed, insert, name_key, one, reading, writing
from sim.vehicle.problems import Problem

SHORTEST, LONGEST = 10, 200
FREE_TRIES = 5
FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 300.0
KEPT_LOGINS = 10_000
LONGEST_SOURCE = 80
INSTRUCTOR = FIRST_INSTRUCTOR
TryOutcome = Literal["right", "wrong", "closed"]
FORGOTTEN_AFTER_S = 24 * 3600.0  # wrong tries of a source; our own choice
CLOCK_SLACK_S = 3600.0  # so much may a clock be put right without ending visits
MOST_HASHES_AT_ONCE = 2  # each takes 64 MiB
STAYS_OPEN_S = 12 * 3600.0  # a day of classes; our own choice


@dataclass(frozen=True, slots=True)
class Instructor:
    """An instructor; the first may have no name."""

    id: int
    name: str

    @property
    def called(self) -> str:
        """What others read."""
        return self.name or "the first instructor"

    @property
    def is_first(self) -> bool:
        """Whether this one chose the first passphrase, adds others and has all classes."""
        return self.id == INSTRUCTOR


class WrongPassphrase(Problem):
    """The passphrase is not this one, or the door is closed for now; `wait_s`: for how long."""

    def __init__(self, what: str, wait_s: float) -> None:
        super().__init__(what)
        self.wait_s = wait_s


def check_length(new: str) -> None:
    """Raise `Problem` where this is too short or too long for a passphrase."""
    if not SHORTEST <= len(new) <= LONGEST:
        raise Problem(f"a passphrase has {SHORTEST} to {LONGEST} characters (here: {len(new)})")


class Door:
    """The guard of the instructor's pages."""

    def __init__(self, engine: Engine, clock: Callable[[], float] = time.time) -> None:
        self._engine = engine
        self._clock = clock
        self._counting = Lock()  # a thousand at once wait here, not for connections that a class needs
        self._hashing = BoundedSemaphore(MOST_HASHES_AT_ONCE)
        self._hasher = PasswordHasher()  # the library's defaults: RFC 9106, low-memory recommendation

    @cached_property
    def _of_nobody(self) -> str:
        """What a name that is not known is compared with, so that it is refused as slowly as any other."""
        return self._hasher.hash(secrets.token_urlsafe())

    @property
    def has_passphrase(self) -> bool:
        """Whether the first passphrase has been set."""
        first = select(passphrases.c.id).where(passphrases.c.id == INSTRUCTOR)
        with reading(self._engine) as connection:
            return connection.execute(first).first() is not None

    def forget_passphrase(self) -> None:
        """Forget the first instructor's passphrase, end all visits; the next one set is the first again."""
        with writing(self._engine) as connection:
            connection.execute(delete(passphrases).where(passphrases.c.id == INSTRUCTOR))
            connection.execute(delete(tokens))

    def instructors(self) -> list[Instructor]:
        """All instructors, the first one first."""
        wanted = select(passphrases.c.id, passphrases.c.name).order_by(passphrases.c.id)
        with reading(self._engine) as connection:
            return [Instructor(row.id, row.name) for row in connection.execute(wanted)]

    def who(self, token: str) -> Instructor:
        """Whose visit it is; raises `Problem` where the token is not valid."""
        if not self.knows(token):
            raise Problem("this is for the instructor; sign in again")
        whose = select(passphrases.c.id, passphrases.c.name).join(
            tokens, tokens.c.instructor_id == passphrases.c.id
        )
        with reading(self._engine) as connection:
            row = connection.execute(whose.where(tokens.c.token_hash == hashed(token))).one()
        return Instructor(row.id, row.name)

    def name_first(self, name: str) -> None:
        """Give the first instructor a name."""
        name = checked_name(name, "instructor", LONGEST_NAME)
        named = {"name": name, "name_key": name_key(name)}
        with writing(self._engine) as connection:
            _refuse_taken(connection, named["name_key"], but=INSTRUCTOR)
            connection.execute(passphrases.update().where(passphrases.c.id == INSTRUCTOR).values(**named))

    def add(self, name: str, new: str) -> Instructor:
        """Add an instructor; raises `Problem` for a name that there is. Who may do so is asked before."""
        check_length(new)
        name = checked_name(name, "instructor", LONGEST_NAME)
        words = self._hasher.hash(new)

        def write(connection: Connection) -> Instructor:
            _refuse_taken(connection, name_key(name))
            number = (connection.scalar(select(func.max(passphrases.c.id))) or INSTRUCTOR) + 1
            row = {"id": number, "name": name, "name_key": name_key(name), "hash": words}
            connection.execute(passphrases.insert().values(**row))
            return Instructor(number, name)

        return alone(self._engine, write)

    def give(self, name: str, new: str) -> Instructor:
        """For the machine itself: give who has this name a passphrase and end their visits, or add them."""
        known = next((one for one in self.instructors() if name_key(one.name) == name_key(name)), None)
        if known is None:
            return self.add(name, new)
        check_length(new)
        words = self._hasher.hash(new)
        with writing(self._engine) as connection:
            connection.execute(passphrases.update().where(passphrases.c.id == known.id).values(hash=words))
            connection.execute(delete(tokens).where(tokens.c.instructor_id == known.id))
        return known

    def remove(self, instructor_id: int) -> None:
        """Take an instructor's passphrase and visits away; the classes go to the first one, who stays."""
        if instructor_id == INSTRUCTOR:
            raise Problem("the first instructor stays")
        with writing(self._engine) as connection:
            connection.execute(delete(passphrases).where(passphrases.c.id == instructor_id))
            connection.execute(delete(tokens).where(tokens.c.instructor_id == instructor_id))
            connection.execute(delete(co_teachers).where(co_teachers.c.instructor_id == instructor_id))
            theirs = classes.update().where(classes.c.opened_by == instructor_id)
            connection.execute(theirs.values(opened_by=INSTRUCTOR))

    def set_passphrase(
        self, new: str, old: str = "", source: str = "", *, name: str = "", at_this_computer: bool = False
    ) -> None:
        """Set the first passphrase, or change that of an instructor, which takes the old one.

        It ends the visits of this instructor.
        """
        check_length(new)
        if self.has_passphrase:
            self.open(old, source, name=name, at_this_computer=at_this_computer)
        words = self._hasher.hash(new)

        def write(connection: Connection) -> None:
            known = connection.scalar(select(passphrases.c.id).where(_is(name)))
            if known is None:
                connection.execute(passphrases.insert().values(id=INSTRUCTOR, hash=words))
            elif old:
                connection.execute(passphrases.update().where(passphrases.c.id == known).values(hash=words))
                connection.execute(delete(tokens).where(tokens.c.instructor_id == known))
            else:
                raise Problem("someone else set a passphrase at this moment")

        alone(self._engine, write)

    def open(self, said: str, source: str = "", *, name: str = "", at_this_computer: bool = False) -> str:
        """A token for the rest of the day if the passphrase is right; raises `WrongPassphrase` otherwise.

        `source` says where the try came from; who is `at_this_computer` is never kept waiting. Without a name
        it is the first instructor.
        """
        source = source[:LONGEST_SOURCE]
        try_id, known, wait_s = self._counted(source, at_this_computer, name)
        if not try_id:
            raise WrongPassphrase(f"too many wrong tries: wait {wait_s:.0f} s, then try again", wait_s)
        if not self._is_right(known, said):
            words = f"; wait {wait_s:.0f} s before the next try" if wait_s >= 1 else ""
            raise WrongPassphrase(f"that is not the passphrase{words}", wait_s)
        with writing(self._engine) as connection:
            who = one(connection, select(passphrases.c.id, passphrases.c.name).where(_is(name)), "instructor")
            let_in = {"outcome": "right", "name": who["name"]}
            connection.execute(logins.update().where(logins.c.id == try_id).values(**let_in))
            connection.execute(delete(knocks).where(knocks.c.source == source))
            return self._new_token(connection, self._clock(), who["id"])

    def _counted(self, source: str, at_this_computer: bool, name: str) -> tuple[int, str, float]:
        """Write a try down as wrong: its number, the hash to compare with, and how long the door is closed.

        The number is 0 where the door is closed already.
        """
        now_s = self._clock()
        with self._counting, writing(self._engine) as connection:
            if connection.scalar(select(func.count()).select_from(passphrases)) == 0:
                raise Problem("no passphrase has been set yet")
            known = connection.scalar(select(passphrases.c.hash).where(_is(name))) or self._of_nobody
            row = self._knocks_of(connection, source, now_s)
            left_s = row["closed_until_s"] - now_s
            here = knocks.update().where(knocks.c.source == source)
            if left_s > 0 and not at_this_computer:
                connection.execute(here.values(tries=knocks.c.tries + 1))
                self._write_down(connection, now_s, source, "closed")
                return 0, known, left_s
            wait_s = 0.0 if at_this_computer else wait_after_s(row["wrong_in_a_row"] + 1)
            connection.execute(
                here.values(
                    tries=knocks.c.tries + 1,
                    wrong_in_a_row=knocks.c.wrong_in_a_row + 1,
                    tried_s=now_s,
                    closed_until_s=now_s + wait_s,
                )
            )
            return self._write_down(connection, now_s, source, "wrong"), known, wait_s

    def _knocks_of(self, connection: Connection, source: str, now_s: float) -> Any:
        """What is known of a source, locked until the end of the transaction."""
        new = {"source": source, "tries": 0, "wrong_in_a_row": 0, "tried_s": now_s, "closed_until_s": 0.0}
        upsert = sqlite.insert if connection.dialect.name == "sqlite" else postgresql.insert
        connection.execute(upsert(knocks).values(**new).on_conflict_do_nothing())
        wanted = select(knocks).where(knocks.c.source == source).with_for_update()
        row = dict(connection.execute(wanted).mappings().one())
        if now_s < row["tried_s"]:  # the clock was set back: the wait counts from now
            row["closed_until_s"] += now_s - row["tried_s"]
            moved = {"tried_s": now_s, "closed_until_s": row["closed_until_s"]}
            connection.execute(knocks.update().where(knocks.c.source == source).values(**moved))
        return row

    def tries_from(self, source: str) -> int:
        """How often a source has tried since it was let in last, at a closed door as well."""
        with reading(self._engine) as connection:
            return connection.scalar(select(knocks.c.tries).where(knocks.c.source == source)) or 0

    def knows(self, token: str) -> bool:
        """Whether this token is still valid."""
        wanted = select(tokens.c.until_s).where(tokens.c.token_hash == hashed(token))
        with reading(self._engine) as connection:
            until_s = connection.scalar(wanted)
        return until_s is not None and 0 < until_s - self._clock() <= STAYS_OPEN_S + CLOCK_SLACK_S

    def leave(self, token: str) -> None:
        """End a visit: its token is no longer valid."""
        with writing(self._engine) as connection:
            connection.execute(delete(tokens).where(tokens.c.token_hash == hashed(token)))

    def tries(self, most: int = 100) -> list[tuple[float, str, str]]:
        """The latest tries, newest first: when (seconds since 1970), from where, how it ended."""
        newest = select(logins).order_by(logins.c.id.desc()).limit(most)
        with reading(self._engine) as connection:
            rows = connection.execute(newest).mappings().all()
        ended = (": ".join(filter(None, (row["outcome"], row["name"]))) for row in rows)
        return [(row["tried_s"], row["source"], how) for row, how in zip(rows, ended, strict=True)]

    def _new_token(self, connection: Connection, now_s: float, instructor_id: int) -> str:
        token = secrets.token_urlsafe(24)
        connection.execute(delete(tokens).where(tokens.c.until_s <= now_s))
        until_s = now_s + STAYS_OPEN_S
        row = {"token_hash": hashed(token), "until_s": until_s, "instructor_id": instructor_id}
        connection.execute(tokens.insert().values(**row))
        return token

    def _is_right(self, known: str, said: str) -> bool:
        if len(said) > LONGEST:
            return False
        try:
            with self._hashing:
                return self._hasher.verify(known, said)
        except (VerifyMismatchError, VerificationError, InvalidHashError):
            return False

    def _write_down(self, connection: Connection, now_s: float, source: str, outcome: TryOutcome) -> int:
        number = insert(connection, logins, {"tried_s": now_s, "source": source, "outcome": outcome})
        connection.execute(delete(logins).where(logins.c.id <= number - KEPT_LOGINS))
        forgotten = knocks.c.tried_s < now_s - FORGOTTEN_AFTER_S
        connection.execute(delete(knocks).where(forgotten, knocks.c.source != source))
        return number


def _is(name: str) -> ColumnElement[bool]:
    """Whether a row is the instructor's of this name; without one, the first's."""
    key = name_key(" ".join(name.split()))
    return passphrases.c.name_key == key if key else passphrases.c.id == INSTRUCTOR


def _refuse_taken(connection: Connection, key: str, but: int = 0) -> None:
    taken = select(passphrases.c.id).where(passphrases.c.name_key == key, passphrases.c.id != but)
    if connection.execute(taken).first():
        raise Problem("there is an instructor of this name already")


def wait_after_s(wrong: int) -> float:
    """How long the door is closed after so many wrong tries in a row."""
    over = wrong - FREE_TRIES
    return 0.0 if over < 0 else min(FIRST_WAIT_S * 2 ** min(over, 30), LONGEST_WAIT_S)


def source_of(address: str) -> str:
    """What tries are counted by: an IPv4 address, or the /64 network that one holder of IPv6 addresses has.

    RFC 6177 section 2 and RFC 4291 section 2.5.4: a site's subnets have 64 bits for the host.
    """
    try:
        found = ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(found, IPv6Address):
        inner = found.ipv4_mapped
        return str(inner) if inner else str(IPv6Network((found, 64), strict=False))
    return str(found)
