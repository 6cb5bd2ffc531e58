"""A car described by two columns, module and bus: what a technician knows before anything else.

ECM      powertrain
GATEWAY  powertrain, body
BCM      body
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from sim.vehicle.problems import FileProblem
from sim.vehicle.quick_car import TableRow, vehicle_file

HEADINGS = ("module", "modules", "name")
BETWEEN = re.compile(r"[;,|\s]+")


def vehicle_of_table(text: str, name: str = "this table") -> str:
    """The text of a vehicle file for a table of modules and buses; a module on two buses joins them.

    Cells are divided by commas, semicolons, bars, tabs or spaces; all cells after the first are buses.
    Raises `Problem` with the row.
    """
    rows = list(_rows(text, name))
    return vehicle_file(rows)


def _rows(text: str, name: str) -> Iterator[TableRow]:
    for number, line in enumerate(text.splitlines(), start=1):
        cells = [cell for cell in BETWEEN.split(line.partition("#")[0].strip()) if cell]
        if not cells or cells[0].lower() in HEADINGS:
            continue
        if len(cells) == 1:
            raise FileProblem(f"{cells[0]} needs a bus: a line is a module and its bus", name, number)
        yield TableRow(cells[0], ", ".join(cells[1:]))
