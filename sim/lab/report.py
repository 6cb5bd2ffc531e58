"""Printable reports: headings, sentences and tables as one HTML page.

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


def as_html(title: str, sections: Sequence[Section]) -> str:
    """The report as one HTML page that loads nothing from elsewhere."""
    return page(PAGE, title=title, disclaimer=DISCLAIMER, sections=sections)
