"""Tables of trouble codes: what codes and failure types say, and which codes belong to which module.

The tables are the files `code_texts.csv`, `failure_types.csv` and `module_roles.csv` beside this one; what
follows a pattern is worked out here. None of the standards of these tables was read in full: every table
names where its texts come from and how far they can be trusted.

Not modeled: the whole of SAE J2012-DA. Codes of SAE J1939 are in `sim.vehicle.j1939`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

BUSES: Final = "ABCDEFG"  # as the standard calls them: U0073 to U0079


def tables(file: str) -> Iterator[tuple[list[str], list[list[str]]]]:
    """The tables of a file: the cells of a heading, which begins with #, and those of each row below it."""
    for table in Path(__file__).with_name(file).read_text(encoding="utf-8").split("# ")[1:]:
        heading, *rows = ([cell.strip() for cell in line.split("|")] for line in table.splitlines())
        yield heading, rows


FAILURE_TYPES: Final = {
    int(value, 16): name for _, rows in tables("failure_types.csv") for value, name in rows
}


@dataclass(frozen=True, slots=True)
class ModuleRole:
    """What a module is to the others on the bus, and the codes they set about it.

    `role` is the short name (SAE J1930 / ISO 15031-2 abbreviation or trade words), `others` further
    names it is known by, `title` its name in SAE J2012 texts, `provenance` the trust in the two codes.
    """

    role: str
    title: str
    lost_code: str
    invalid_code: str
    others: tuple[str, ...]
    provenance: str


def _roles() -> Iterator[ModuleRole]:
    for (provenance,), rows in tables("module_roles.csv"):
        for names, lost_code, invalid_code, title in rows:
            role, *others = names.split(", ")
            yield ModuleRole(role, title, lost_code, invalid_code, tuple(others), provenance)


# Which door is "A" is left to the maker: driver's A, front passenger's B are our own choice.
MODULE_ROLES: Final = tuple(_roles())


@dataclass(frozen=True, slots=True)
class CodeTable:
    """Texts of generic codes with where they come from and how far they can be trusted."""

    source: str
    provenance: str
    texts: dict[str, str]


def _bus_texts() -> dict[str, str]:
    """U0001..U0072 and U0080..U0088: nine codes for each named bus, in the same order."""
    names = {1: "High Speed CAN Communication Bus", 10: "Medium Speed CAN Communication Bus"}
    names[19] = "Low Speed CAN Communication Bus"
    names |= {28 + 9 * k: f'Vehicle Communication Bus "{letter}"' for k, letter in enumerate("ABCDE")}
    names[80] = 'Vehicle Communication Bus "F"'
    faults = ["", " Performance", " (+) Open", " (+) Low", " (+) High", " (-) Open", " (-) Low", " (-) High"]
    faults.append(" (-) Shorted to Bus (+)")
    return {f"U{first + k:04d}": names[first] + fault for first in names for k, fault in enumerate(faults)}


def _cylinder_texts() -> dict[str, str]:
    """Injectors and ignition coils of eight cylinders, and cylinder misfires."""
    texts = {}
    for number in range(1, 9):
        low = 258 + 3 * number
        texts[f"P{200 + number:04d}"] = f"Injector Circuit/Open - Cylinder {number}"
        texts[f"P{low:04d}"] = f"Cylinder {number} Injector Circuit Low"
        texts[f"P{low + 1:04d}"] = f"Cylinder {number} Injector Circuit High"
        texts[f"P{300 + number:04d}"] = f"Cylinder {number} Misfire Detected"
        texts[f"P{350 + number:04d}"] = f'Ignition Coil "{"ABCDEFGH"[number - 1]}" Primary/Secondary Circuit'
    return texts


def _module_texts() -> dict[str, str]:
    lost = {row.lost_code: f"Lost Communication With {row.title}" for row in MODULE_ROLES}
    invalid = {row.invalid_code: f"Invalid Data Received From {row.title}" for row in MODULE_ROLES}
    return lost | invalid


CODE_TABLES: Final = (
    CodeTable(
        "SAE J2012-DA",
        "numbers as given by PyPI obd 0.7.3 (F: one open-source dictionary); (+) and (-) restored from "
        "open-source dictionaries, obd drops them",
        _bus_texts(),
    ),
    CodeTable("SAE J2012", "each row of MODULE_ROLES says its own provenance", _module_texts()),
    CodeTable("SAE J2012", "as given by PyPI obd 0.7.3", _cylinder_texts()),
    CodeTable(
        "SAE J2012-DA",
        "as given by open-source dictionaries; PyPI obd 0.7.3 has U0073 without the letter, and keeps "
        "U0074..U0079 reserved",
        {f"U{73 + k:04d}": f'Control Module Communication Bus "{bus}" Off' for k, bus in enumerate(BUSES)},
    ),
    *(CodeTable(source, provenance, dict(rows)) for (source, provenance), rows in tables("code_texts.csv")),
)
