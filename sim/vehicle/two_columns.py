"""A car described by two columns, module and bus: what a technician knows before anything else.

ECM      powertrain
GATEWAY  powertrain, body
BCM      body
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator

from sim.vehicle.problems import FileProblem, unknown
from sim.vehicle.quick_car import COLUMNS, TableRow, vehicle_file

HEADINGS = ("module", "modules", "name")
BETWEEN = re.compile(r"[;,|\s]+")


def vehicle_of_table(text: str, name: str = "this table") -> str:
    """The text of a vehicle file for a table of modules and buses; a module on two buses joins them.

    Cells are divided by commas, semicolons, bars, tabs or spaces; all cells after the first are buses.
    Raises `Problem` with the row.
    """
    return vehicle_file(rows_of_table(text, name))


def rows_of_table(text: str, name: str = "this table") -> list[TableRow]:
    """The rows of a table: of two columns, or with a heading that names the columns of *Describe a car*.

    Raises `FileProblem` with the line.
    """
    heading = next((line for line in text.splitlines() if line.strip() and line.lstrip()[0] != "#"), "")
    delimiter = next((one for one in "\t;," if one in heading), ",")
    named = [cell.strip().lower() for cell in heading.split(delimiter)]
    if len(named) > 2 and named[0] == "module":
        return list(_columns(text, name, delimiter))
    return list(_rows(text, name))


def _columns(text: str, name: str, delimiter: str) -> Iterator[TableRow]:
    keys = {words: key for key, words in COLUMNS.items()} | {key: key for key in COLUMNS}
    lines = [(number, line) for number, line in enumerate(text.splitlines(), start=1)
             if line.strip() and line.lstrip()[0] != "#"]  # fmt: skip
    told: list[str] = []
    for number, line in lines:
        cells = [
            cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True))
        ]
        if not told:
            told = [cell.lower() for cell in cells]
            for cell in told:
                if cell not in keys:
                    raise FileProblem(unknown("column", cell, COLUMNS.values()), name, number)
            continue
        if len(cells) > len(told):
            raise FileProblem(f"{len(cells)} cells for {len(told)} columns", name, number)
        row = {keys[word]: cell for word, cell in zip(told, cells, strict=False)}
        place = row.pop("place", "")
        try:
            yield TableRow(**row, place=float(place) if place else None)
        except ValueError:
            raise FileProblem(f"a place is a number (here: {place})", name, number) from None


def _rows(text: str, name: str) -> Iterator[TableRow]:
    for number, line in enumerate(text.splitlines(), start=1):
        cells = [cell for cell in BETWEEN.split(line.partition("#")[0].strip()) if cell]
        if not cells or cells[0].lower() in HEADINGS:
            continue
        if len(cells) == 1:
            raise FileProblem(f"{cells[0]} needs a bus: a line is a module and its bus", name, number)
        yield TableRow(cells[0], ", ".join(cells[1:]))
