"""One database of records with its clock, and the few things that every part of the records does with it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

from sqlalchemy import Connection, Engine, Select, Table, delete, select

from sim.training.schema import classes, reading, writing
from sim.vehicle.problems import Problem

Row = TypeVar("Row")


@dataclass(frozen=True, slots=True)
class Store:
    """A database and the clock that dates what is written into it, in seconds since 1970 (UTC)."""

    engine: Engine
    clock: Callable[[], float]

    def one(self, wanted: Select[Any], what: str) -> Any:
        """The only row of a query by column; raises `Problem` where there is none."""
        with reading(self.engine) as connection:
            return one(connection, wanted, what)

    def rows(self, make: Callable[..., Row], wanted: Select[Any]) -> list[Row]:
        """What `make` builds from each row of a query, its columns given by name."""
        with reading(self.engine) as connection:
            return [make(**row) for row in connection.execute(wanted).mappings()]

    def erase(self, table: Table, number: int, what: str) -> None:
        """Delete a row with all that belongs to it, so that its bytes are gone from the disk, too."""
        with writing(self.engine) as connection:
            one(connection, select(table).where(table.c.id == number), what)
            connection.execute(delete(table).where(table.c.id == number))
        if self.engine.dialect.name == "sqlite":
            # the journal still holds what was erased until it is folded in
            raw = self.engine.raw_connection()
            try:
                raw.cursor().execute("PRAGMA wal_checkpoint(TRUNCATE)")
            finally:
                raw.close()


def one(connection: Connection, wanted: Select[Any], what: str) -> Any:
    """The first row of a query by column; raises `Problem` where there is none."""
    row = connection.execute(wanted).mappings().first()
    if row is None:
        raise Problem(f"there is no such {what}")
    return row


def insert(connection: Connection, table: Table, row: dict[str, Any]) -> int:
    """Insert a row and return its number."""
    key = connection.execute(table.insert().values(**row)).inserted_primary_key
    assert key is not None
    return int(key[0])


def notify(connection: Connection, class_id: int, **changes: Any) -> None:
    """Change columns of a class and count up its news, so that its students' pages read again."""
    one(connection, select(classes).where(classes.c.id == class_id), "class")
    here = classes.update().where(classes.c.id == class_id)
    connection.execute(here.values(news=classes.c.news + 1, **changes))


def checked_name(name: str, what: str, longest: int) -> str:
    """A name with single spaces; raises `Problem` where it is empty, too long or not printable."""
    name = " ".join(name.split())
    if not 1 <= len(name) <= longest or not name.isprintable():
        raise Problem(f"the name of a {what} has 1 to {longest} letters (here: {len(name)})")
    return name
