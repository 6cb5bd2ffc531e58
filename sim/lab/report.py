"""Printable reports: headings, sentences and tables, as Markdown or as one HTML page.

Every report says that it tells what this model does, never what a real car must do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from sim.markup import page

DISCLAIMER = (
    "This is what this model of the car says, never what a real car must do. "
    "For work on a car the maker's service information and its safety instructions come first."
)
PAGE = Path(__file__).with_name("sections.html")


@dataclass(frozen=True, slots=True)
class Rows:
    """A table: its head and its rows."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Section:
    """A heading with its sentences and tables."""

    title: str
    parts: tuple[str | Rows, ...]


def as_markdown(title: str, sections: Sequence[Section]) -> str:
    """The report as Markdown text."""
    lines = [f"# {title}", "", f"> {DISCLAIMER}", ""]
    for section in sections:
        lines += [f"## {section.title}", ""]
        for part in section.parts:
            lines += [*_table_lines(part), ""] if isinstance(part, Rows) else [f"- {part}"]
        lines.append("")
    return "\n".join(lines).rstrip() + "\n"


def as_html(title: str, sections: Sequence[Section]) -> str:
    """The report as one HTML page that loads nothing from elsewhere."""
    return page(PAGE, title=title, disclaimer=DISCLAIMER, sections=sections)


def _table_lines(table: Rows) -> list[str]:
    rows = [table.head, *table.rows]
    cells = [[one.replace("|", "\\|").replace("\n", " ") for one in row] for row in rows]
    lines = [f"| {' | '.join(row)} |" for row in cells]
    return [lines[0], f"|{' --- |' * len(table.head)}", *lines[1:]]
