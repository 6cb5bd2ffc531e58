"""Words in the table of a car that may be misspelled: the file would be right, and yet not what was meant.

Not modeled: misspelled module names. A module of its own is no mistake that a table could show.
"""

from __future__ import annotations

import difflib
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from sim.vehicle.quick_car import COLUMNS, TableRow

NEAR: Final = 0.7  # of difflib's ratio: 'bdy' for 'body', 'mian' for 'main'
ASKED: Final = ("bus", "ground", "inline")


@dataclass(frozen=True, slots=True)
class Doubt:
    """A name that one row alone uses, and the one that was perhaps meant. row: from 1."""

    row: int
    cell: str
    name: str
    nearest: str

    def __str__(self) -> str:
        where = f"row {self.row}, column '{COLUMNS[self.cell]}'"
        return f"{where}: only this row says '{self.name}'; was '{self.nearest}' meant?"


def doubts_in(rows: Sequence[TableRow], meant: Sequence[str] = ()) -> Iterator[Doubt]:
    """The doubtful names of a table, row by row; `meant`: names that are right as they are."""
    for cell in ASKED:
        used = Counter(name for row in rows for name in dict.fromkeys(_names(getattr(row, cell))))
        usual = [name for name, count in used.items() if count > 1]
        for number, row in enumerate(rows, start=1):
            for name in _names(getattr(row, cell)):
                if used[name] == 1 and name not in meant and (near := _nearest(name, usual)):
                    yield Doubt(number, cell, name, near)


def settled(rows: Sequence[TableRow], doubt: Doubt) -> list[TableRow]:
    """The rows with the name that was meant."""
    changed = list(rows)
    row = changed[doubt.row - 1]
    names = [doubt.nearest if one == doubt.name else one for one in _names(getattr(row, doubt.cell))]
    cells: dict[str, Any] = {doubt.cell: ", ".join(dict.fromkeys(names))}
    changed[doubt.row - 1] = replace(row, **cells)
    return changed


def _names(text: str) -> list[str]:
    return [one for one in re.split(r"[,;\s]+", text.strip()) if one]


def _nearest(name: str, usual: Sequence[str]) -> str | None:
    """A usual name that looks like this one; G1 and G2, or body-2, are names of their own."""
    letters = re.sub(r"\d", "", name).lower()
    like = [one for one in usual if name.lower() == one.lower() or re.sub(r"\d", "", one).lower() != letters]
    return next(iter(difflib.get_close_matches(name, like, n=1, cutoff=NEAR)), None)
