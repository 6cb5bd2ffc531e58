"""Classes and their students: a class has a join code, a student a key to come back with."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, delete, or_, select
from sqlalchemy.exc import IntegrityError

from sim.training.class_list import Listed
from sim.training.rows import ClassRow, StudentRow
from sim.training.schema import class_lists, classes, co_teachers, students, visits
from sim.training.store import (
    Store,
    alone,
    checked_name,
    hashed,
    insert,
    name_key,
    notify,
    one,
    reading,
    writing,
)
from sim.vehicle.problems import Problem

# no letters or digits that look or sound alike
CODE_LETTERS = "ACDEFHJKMNPRTUVWXY34679"
CODE_LENGTH = 7
FIRST_INSTRUCTOR = 1  # chose the first passphrase, and has all classes
LONGEST_CLASS_NAME, LONGEST_NAME = 80, 60
KEY_BYTES = 24


class Classes:
    """The classes of one database."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def open(self, name: str, private: bool = False, opened_by: int | None = None) -> ClassRow:
        """Open a new class with a join code of its own; `private`: one person who practices at home.

        `opened_by`: the number of the instructor.
        """
        name = checked_name(name, "class", LONGEST_CLASS_NAME)
        while True:
            code = "".join(secrets.choice(CODE_LETTERS) for _ in range(CODE_LENGTH))
            now_s = self._store.clock()
            row: dict[str, Any] = {"name": name, "join_code": code, "opened_s": now_s, "private": private}
            row |= {"opened_by": opened_by}
            try:
                with writing(self._store.engine) as connection:
                    return ClassRow(id=insert(connection, classes, row), **row)
            except IntegrityError:  # the one code in billions that is taken
                continue

    def close(self, class_id: int, closed: bool = True) -> None:
        """Let no more students join, or let them join again; what was begun may be finished."""
        with writing(self._store.engine) as connection:
            one(connection, select(classes).where(classes.c.id == class_id), "class")
            found = classes.update().where(classes.c.id == class_id)
            connection.execute(found.values(closed_s=self._store.clock() if closed else None))

    def admit_by_list(self, class_id: int, by_approval: bool, names: Sequence[str] = ()) -> None:
        """Have those wait who are not on the list of names, or not; the list takes the old one's place.

        Who waits already, and need not by the new list, is let in.
        """
        checked = (checked_name(one, "student", LONGEST_NAME) for one in names)
        keyed = {name_key(name): name for name in checked}
        with writing(self._store.engine) as connection:
            known = select(class_lists.c.name_key, class_lists.c.outside_id)
            rows = connection.execute(known.where(class_lists.c.class_id == class_id)).all()
            ids = {row.name_key: row.outside_id for row in rows}
            listed = [Listed(name, ids.get(key, "")) for key, name in keyed.items()]
            _write_list(connection, class_id, by_approval, listed)
            here = students.update().where(students.c.class_id == class_id)
            come_in = here.where(students.c.name_key.in_(keyed)) if by_approval else here
            connection.execute(come_in.values(admitted=True))

    def take_list(self, class_id: int, listed: Sequence[Listed]) -> None:
        """Admit a class by a list with the ids of the school's platform; who is here already gets the id."""
        with writing(self._store.engine) as connection:
            _write_list(connection, class_id, True, listed)
            for one_of_them in listed:
                here = students.update().where(
                    students.c.class_id == class_id, students.c.name_key == name_key(one_of_them.name)
                )
                connection.execute(here.values(outside_id=one_of_them.outside_id, admitted=True))

    def names_on_list(self, class_id: int) -> list[str]:
        """The names that come in at once, in the order in which they were written."""
        wanted = select(class_lists.c.name).where(class_lists.c.class_id == class_id)
        with reading(self._store.engine) as connection:
            return list(connection.scalars(wanted.order_by(class_lists.c.id)).all())

    def not_joined(self, class_id: int) -> list[str]:
        """The names on a class's list whose students have not joined yet, in the order of the list."""
        here = select(students.c.name_key).where(students.c.class_id == class_id)
        wanted = select(class_lists.c.name).where(
            class_lists.c.class_id == class_id, class_lists.c.name_key.not_in(here)
        )
        with reading(self._store.engine) as connection:
            return list(connection.scalars(wanted.order_by(class_lists.c.id)).all())

    def listed(self) -> list[ClassRow]:
        """All classes but the private ones, the newest first."""
        wanted = select(classes).where(classes.c.private.is_(False))
        return self._store.rows(ClassRow, wanted.order_by(classes.c.id.desc()))

    def taught_by(self, instructor_id: int) -> list[ClassRow]:
        """The classes that an instructor opened or co-teaches, the newest first; the first one has all.

        Classes of which it is not known who opened them are everybody's.
        """
        if instructor_id == FIRST_INSTRUCTOR:
            return self.listed()
        beside = select(co_teachers.c.class_id).where(co_teachers.c.instructor_id == instructor_id)
        whose = or_(
            classes.c.opened_by.is_(None), classes.c.opened_by == instructor_id, classes.c.id.in_(beside)
        )
        wanted = select(classes).where(classes.c.private.is_(False), whose)
        return self._store.rows(ClassRow, wanted.order_by(classes.c.id.desc()))

    def co_teachers(self, class_id: int) -> list[int]:
        """The numbers of the instructors who teach a class beside the one who opened it."""
        wanted = select(co_teachers.c.instructor_id).where(co_teachers.c.class_id == class_id)
        with reading(self._store.engine) as connection:
            return list(connection.scalars(wanted.order_by(co_teachers.c.instructor_id)).all())

    def teach_together(self, class_id: int, instructors: Sequence[int]) -> None:
        """Have these teach a class beside the one who opened it, and no others."""
        with writing(self._store.engine) as connection:
            one(connection, select(classes).where(classes.c.id == class_id), "class")
            connection.execute(delete(co_teachers).where(co_teachers.c.class_id == class_id))
            for instructor_id in instructors:
                row = {"class_id": class_id, "instructor_id": instructor_id}
                connection.execute(co_teachers.insert().values(**row))

    def get(self, class_id: int) -> ClassRow:
        """One class; raises `Problem` where there is none."""
        return ClassRow(**self._store.one(select(classes).where(classes.c.id == class_id), "class"))

    def delete(self, class_id: int) -> None:
        """Erase a class with its students and everything that they have written."""
        self._store.erase(classes, class_id, "class")


class Students:
    """The students of all classes of one database."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def join(self, code: str, name: str, browser: str = "") -> tuple[StudentRow, str]:
        """A new student of an open class, and the key with which the student comes back.

        Where the instructor decides who comes in, a name that is not on the list waits. `browser` is what the
        browser is known again by, so that a second name of one person is seen.
        """
        name = checked_name(name, "student", LONGEST_NAME)
        key = secrets.token_urlsafe(KEY_BYTES)
        secret = {
            "key_hash": hashed(key), "name_key": name_key(name),
            "browser_hash": hashed(browser) if browser else None,
        }  # fmt: skip

        def write(connection: Connection) -> StudentRow:
            group = _class_with_code(connection, code)
            row: dict[str, Any] = {
                "class_id": group["id"], "name": name, "joined_s": self._store.clock(),
            }  # fmt: skip
            listed = _id_on_list(connection, group["id"], name)
            row |= {"admitted": not group["by_approval"] or listed is not None, "outside_id": listed or ""}
            taken = select(students.c.id).where(
                students.c.class_id == group["id"], students.c.name_key == name_key(name)
            )
            if connection.execute(taken).first():
                raise Problem(f"there is a '{name}' in this class already; add a letter")
            return StudentRow(insert(connection, students, {**row, **secret}), **row)

        return alone(self._store.engine, write), key

    def admit(self, student_id: int) -> None:
        """Let in a student who waits."""
        with writing(self._store.engine) as connection:
            found = one(connection, select(students).where(students.c.id == student_id), "student")
            connection.execute(students.update().where(students.c.id == student_id).values(admitted=True))
            notify(connection, found["class_id"])

    def raise_hand(self, student_id: int, up: bool = True) -> None:
        """Ask for the instructor, or no longer; who asks again keeps the place in the row."""
        now_s = self._store.clock()
        with writing(self._store.engine) as connection:
            here = students.update().where(students.c.id == student_id)
            if up:
                here = here.where(students.c.hand_up_s.is_(None))
            connection.execute(here.values(hand_up_s=now_s if up else None))

    def answer_hand(self, student_id: int) -> None:
        """Lower a hand as the instructor does: the student's open page hears of it."""
        self.raise_hand(student_id, up=False)
        with writing(self._store.engine) as connection:
            found = one(connection, select(students).where(students.c.id == student_id), "student")
            notify(connection, found["class_id"])

    def sit_together(self, student_id: int, partner: str) -> None:
        """Name who works at the same desk; empty: no partner."""
        name = checked_name(partner, "student", LONGEST_NAME) if partner.strip() else ""
        with writing(self._store.engine) as connection:
            one(connection, select(students.c.id).where(students.c.id == student_id), "student")
            connection.execute(students.update().where(students.c.id == student_id).values(partner=name))

    def same_browser(self, class_id: int) -> dict[int, list[str]]:
        """Who joined with the browser that another name joined with: the other names, by student."""
        wanted = select(students.c.id, students.c.name, students.c.browser_hash).where(
            students.c.class_id == class_id, students.c.browser_hash.is_not(None)
        )
        with reading(self._store.engine) as connection:
            rows = connection.execute(wanted.order_by(students.c.id)).all()
        found = {
            row.id: [one.name for one in rows if one.browser_hash == row.browser_hash and one.id != row.id]
            for row in rows
        }
        return {number: names for number, names in found.items() if names}

    def with_key(self, key: str) -> StudentRow:
        """The student who holds this key; raises `Problem` where there is none."""
        by_pin = select(visits.c.student_id).where(
            visits.c.key_hash == hashed(key), visits.c.until_s > self._store.clock()
        )
        wanted = select(students).where(
            or_(students.c.key_hash == hashed(key), students.c.id == by_pin.scalar_subquery())
        )
        row = self._store.one(wanted, "student with this key")
        return StudentRow(**{name: row[name] for name in StudentRow.__slots__})

    def new_key(self, student_id: int) -> str:
        """A new key for a student; the old one, and those of visits by PIN, are no longer valid."""
        key = secrets.token_urlsafe(KEY_BYTES)
        with writing(self._store.engine) as connection:
            one(connection, select(students).where(students.c.id == student_id), "student")
            connection.execute(delete(visits).where(visits.c.student_id == student_id))
            found = students.update().where(students.c.id == student_id)
            connection.execute(found.values(key_hash=hashed(key)))
        return key

    def of_class(self, class_id: int) -> list[StudentRow]:
        """The students of a class in the order in which they joined."""
        wanted = select(*(students.c[name] for name in StudentRow.__slots__))
        return self._store.rows(
            StudentRow, wanted.where(students.c.class_id == class_id).order_by(students.c.id)
        )

    def delete(self, student_id: int) -> None:
        """Erase a student with everything that the student has written."""
        self._store.erase(students, student_id, "student")


def _write_list(connection: Connection, class_id: int, by_approval: bool, listed: Sequence[Listed]) -> None:
    notify(connection, class_id, by_approval=by_approval)
    connection.execute(delete(class_lists).where(class_lists.c.class_id == class_id))
    rows = [
        {
            "class_id": class_id,
            "name": each.name,
            "name_key": name_key(each.name),
            "outside_id": each.outside_id,
        }
        for each in listed
    ]
    if rows:
        connection.execute(class_lists.insert(), rows)


def _id_on_list(connection: Connection, class_id: int, name: str) -> str | None:
    """The id beside a name on the list, which may be empty; None where the name is not on it."""
    wanted = select(class_lists.c.outside_id).where(
        class_lists.c.class_id == class_id, class_lists.c.name_key == name_key(name)
    )
    return connection.scalar(wanted)


def _class_with_code(connection: Connection, code: str) -> Any:
    wanted = select(classes).where(classes.c.join_code == code.strip().upper())
    row = connection.execute(wanted).mappings().first()
    if row is None or row["closed_s"] is not None:
        raise Problem("no open class has this code; ask the instructor for it")
    return row
