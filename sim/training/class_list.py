"""A class list as comma-separated values: a name and, if the school has one, an id in each line.

The first line may say which column is which (`name`, `id`); without it the first column is the name. Commas,
semicolons and tabs separate (RFC 4180, and what spreadsheets write in other countries).
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from sim.training.store import checked_name, name_key
from sim.vehicle.problems import Problem

LONGEST_NAME, LONGEST_ID = 60, 120
MOST_NAMES = 500
MOST_TOLD = 10  # lines that are told of, of a file with more errors
SEPARATORS = (";", "\t", ",")
NAME_HEADS, ID_HEADS = ("name", "student", "student name", "full name"), ("id", "student id", "user id")


@dataclass(frozen=True, slots=True)
class Listed:
    """A name of a class list, and what the school's platform knows the student by."""

    name: str
    outside_id: str = ""


def read_class_list(text: str) -> list[Listed]:
    """The names of a list; raises `Problem` with the errors of all its lines at once."""
    text = text.removeprefix("\ufeff")
    first = text.partition("\n")[0]
    separator = next((one for one in SEPARATORS if one in first), ",")
    rows = [row for row in enumerate(csv.reader(io.StringIO(text), delimiter=separator), 1) if any(row[1])]
    name_at, id_at = 0, 1
    if rows and (head := _head(rows[0][1])):
        name_at, id_at = head
        rows = rows[1:]
    if not 1 <= len(rows) <= MOST_NAMES:
        raise Problem(f"a class list has 1 to {MOST_NAMES} names (here: {len(rows)})")
    listed = [Listed(_cell(row, name_at), _cell(row, id_at)) for _, row in rows]
    wrong = list(_errors([number for number, _ in rows], listed))
    if wrong:
        more = f"; and {len(wrong) - MOST_TOLD} more" if len(wrong) > MOST_TOLD else ""
        raise Problem("; ".join(wrong[:MOST_TOLD]) + more)
    return [Listed(checked_name(one.name, "student", LONGEST_NAME), one.outside_id) for one in listed]


def _head(cells: Sequence[str]) -> tuple[int, int] | None:
    """Where name and id are, if a line says so; an id that there is none of is beyond the last column."""
    words = [cell.strip().casefold() for cell in cells]
    name = next((place for place, word in enumerate(words) if word in NAME_HEADS), None)
    if name is None:
        return None
    return name, next((place for place, word in enumerate(words) if word in ID_HEADS), len(words))


def _cell(row: Sequence[str], place: int) -> str:
    return row[place].strip() if place < len(row) else ""


def _errors(numbers: Sequence[int], listed: Sequence[Listed]) -> Iterator[str]:
    names: dict[str, int] = {}
    ids: dict[str, int] = {}
    for number, one in zip(numbers, listed, strict=True):
        try:
            name = name_key(checked_name(one.name, "student", LONGEST_NAME))
        except Problem as problem:
            yield f"line {number}: {problem.what}"
            continue
        if name in names:
            yield f"line {number}: '{one.name}' is in line {names[name]} already"
        names.setdefault(name, number)
        if len(one.outside_id) > LONGEST_ID or not one.outside_id.isprintable():
            yield f"line {number}: an id has at most {LONGEST_ID} characters that can be printed"
        elif one.outside_id and one.outside_id in ids:
            yield f"line {number}: the id '{one.outside_id}' is in line {ids[one.outside_id]} already"
        ids.setdefault(one.outside_id, number)
