"""Sections of a report as HTML text, the same on the screen as in print."""

from __future__ import annotations

from html import escape

from sim.lab.report import Rows, Section
from ui.drawing.tables import plain_table


def section_html(section: Section) -> str:
    """The parts of a section, without its heading."""
    return "".join(_part(part) for part in section.parts)


def _part(part: str | Rows) -> str:
    if isinstance(part, str):
        return f"<p>{escape(part)}</p>" if part else ""
    return plain_table(part.head, part.rows)
