"""A car described by lines of text: what a technician knows before anything else, or a table with a heading.

    Engine control module; powertrain
    GATEWAY                powertrain, body
    BCM                    body

Cells are divided by tabs, semicolons, bars or two spaces, and commas where the heading has them. Without a
heading the first cell is the module and all others are its buses.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Iterable, Iterator
from typing import Final, NoReturn

from sim.vehicle.problems import FileProblem, Problem, did_you_mean
from sim.vehicle.quick_car import COLUMNS, TableProblem, TableRow, vehicle_file

DELIMITERS: Final = "\t;|,"
# other words that people put above a column
FUSE_BOX: Final = "fuse box"  # a column that tells in which box the fuse of the row is
HEADINGS: Final = {
    **{key: key for key in COLUMNS},
    **{words: key for key, words in COLUMNS.items()},
    "modules": "module", "name": "module", "control module": "module", "controller": "module",
    "buses": "bus", "network": "bus", "networks": "bus",
    "fuses": "fuse", FUSE_BOX: FUSE_BOX, "box": FUSE_BOX, "ground point": "ground", "grounds": "ground",
    "connector": "inline", "in-line connector": "inline", "messages": "sends", "where": "location",
}  # fmt: skip
_WIDE: Final = re.compile(r"\s*[\t;|]\s*|\s{2,}")
_NARROW: Final = re.compile(r"[,\s]+")

Line = tuple[int, str]  # its number in the text, from 1


def vehicle_of_table(text: str, name: str = "this table", *, title: str = "", template: str = "") -> str:
    """The text of a vehicle file for a table; a module on two buses joins them.

    Raises `FileProblem` with the line of each row that is wrong, `Problem` where the whole is.
    """
    lines, rows = _read(text, name)
    try:
        return vehicle_file(rows, title, template=template)
    except TableProblem as problem:
        _at_lines(problem, name, lines)


def rows_of_table(text: str, name: str = "this table") -> list[TableRow]:
    """The rows of a table. Raises `FileProblem` with all lines that cannot be read."""
    return _read(text, name)[1]


def _at_lines(problem: TableProblem, name: str, lines: list[int]) -> NoReturn:
    """The problem of a row told as one of the file."""
    told = [
        FileProblem(f"{COLUMNS[one.cell]}: {one.what.partition(': ')[2]}", name, lines[one.row - 1])
        for one in (problem, *problem.others)
    ]
    raise _together(told) from None


def _together(problems: list[FileProblem]) -> FileProblem:
    first, *others = problems
    return FileProblem(first.what, first.file, first.line, others=others)


def _read(text: str, name: str) -> tuple[list[int], list[TableRow]]:
    """The rows, and the line of each."""
    lines = [(number, line.strip(" ")) for number, line in enumerate(text.splitlines(), start=1)]
    lines = [(number, line) for number, line in lines if line.strip() and line.lstrip()[0] != "#"]
    reader = _reader(lines, name)
    read: list[tuple[int, TableRow]] = []
    wrong: list[FileProblem] = []
    for number, line in lines:
        try:
            read += [(number, row) for row in reader(line)]
        except Problem as problem:
            wrong.append(FileProblem(problem.what, name, number))
    if wrong:
        raise _together(wrong)
    return [number for number, _ in read], [row for _, row in read]


def _reader(lines: list[Line], name: str) -> Callable[[str], Iterable[TableRow]]:
    """How to read a line of this table: by the heading that its first line is, or without one."""
    number, first = lines[0] if lines else (1, "")
    delimiter = next((one for one in DELIMITERS if one in first), "")
    told = [cell.lower() for cell in _divided(first, delimiter)] if delimiter else _WIDE.split(first.lower())
    if len(told) < 2 or HEADINGS.get(told[0]) != "module":
        return _two_columns
    if wrong := [cell for cell in told if cell not in HEADINGS]:
        what = "; ".join(
            f"no column '{cell}' in a table{did_you_mean(cell, COLUMNS.values())}" for cell in wrong
        )
        raise FileProblem(what, name, number)
    keys = [HEADINGS[cell] for cell in told]
    return lambda line: () if line is first else _by_heading(keys, _divided(line, delimiter))


def _divided(line: str, delimiter: str) -> list[str]:
    if not delimiter:
        return _WIDE.split(line.strip())
    return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True))]


def _by_heading(keys: list[str], cells: list[str]) -> Iterator[TableRow]:
    if keys[-1] == "bus":  # each in a cell of its own
        cells = [*cells[: len(keys) - 1], ", ".join(cells[len(keys) - 1 :])]
    if len(cells) > len(keys):
        raise Problem(f"{len(cells)} cells for {len(keys)} columns")
    row = dict(zip(keys, cells, strict=False))
    if (box := row.pop(FUSE_BOX, "")) and row.get("fuse"):
        row["fuse"] += f" in {box}"
    place = row.pop("place", "")
    if place and not any(sign.isdigit() for sign in place):  # in words it is no stop on a line
        row["location"], place = ", ".join(filter(None, (place, row.get("location")))), ""
    try:
        yield TableRow(**row, place=float(place) if place else None)
    except ValueError:
        raise Problem(f"a place is the number of a stop on the line (here: {place})") from None


def _two_columns(line: str) -> Iterator[TableRow]:
    line = line.partition("#")[0].strip()
    wide = _WIDE.split(line, maxsplit=1)
    module, *buses = wide if len(wide) > 1 and wide[1] else [cell for cell in _NARROW.split(line) if cell]
    if HEADINGS.get(module.lower()) == "module":
        return
    if not buses:
        raise Problem(f"{module} needs a bus: a line is a module and its bus")
    yield TableRow(module, ", ".join(one for bus in buses for one in re.split(r"[,;|\s]+", bus) if one))
