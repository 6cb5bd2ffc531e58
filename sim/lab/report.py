"""Printable reports: headings, sentences and tables as one HTML page.

Every report says that it tells what this model does, never what a real car must do.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from textwrap import fill

from sim.command_line import table_text
from sim.markup import page

DISCLAIMER = (
    "This is what this model of the car says, never what a real car must do. "
    "For work on a car the maker's service information and its safety instructions come first."
)
WIDTH = 100  # characters of a sentence
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


def as_html(title: str, sections: Sequence[Section]) -> str:
    """The report as one HTML page that loads nothing from elsewhere."""
    return page(PAGE, title=title, disclaimer=DISCLAIMER, sections=sections)


def as_text(sections: Sequence[Section]) -> str:
    """The report for a terminal; a name with a hyphen stays whole."""
    lines = [line for one in sections for line in (one.title, *map(_lines, one.parts), "")]
    return "\n".join([*lines, fill(DISCLAIMER, WIDTH)])


def _lines(part: str | Rows) -> str:
    if isinstance(part, str):
        return fill(part, WIDTH, initial_indent="  ", subsequent_indent="  ", break_on_hyphens=False)
    return table_text(part.head, part.rows, sys.stdout.isatty(), inset=2).rstrip("\n")
