"""The tables beside this file: cells parted by `|`, a line each; a line that begins with # is a heading."""

from __future__ import annotations

from pathlib import Path

FOLDER = Path(__file__).parent


def rows(name: str, cells: int) -> tuple[tuple[str, ...], ...]:
    """The rows of a table, each with so many cells; raises ValueError for one with more or fewer."""
    lines = (FOLDER / name).read_text(encoding="utf-8").splitlines()
    found = tuple(
        tuple(cell.strip() for cell in line.split(" | ")) for line in lines if not line.startswith("#")
    )
    if wrong := next((row for row in found if len(row) != cells), None):
        raise ValueError(f"{name}: {len(wrong)} cells instead of {cells} in the row {wrong}")
    return found
