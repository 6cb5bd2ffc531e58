"""Printable reports: headings, sentences and tables, as Markdown or as one HTML page.

Every report says that it tells what this model does, never what a real car must do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

DISCLAIMER = (
    "This is what this model of the car says, never what a real car must do. "
    "For work on a car the maker's service information and its safety instructions come first."
)
STYLE = """
body { font: 11pt/1.4 system-ui, sans-serif; margin: 2rem auto; max-width: 72rem; color: #1a1a1a; }
table { border-collapse: collapse; margin: 0.6rem 0; font-size: 9.5pt; }
th, td { border: 1px solid #999; padding: 0.15rem 0.45rem; text-align: left; vertical-align: top; }
th { background: #eee; } tr { break-inside: avoid; }
.standing { border: 1px solid #666; padding: 0.5rem 0.8rem; }
@media print { body { margin: 0; } }
"""


@dataclass(frozen=True, slots=True)
class Rows:
    """A table: its head and its rows."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and what stands below it: sentences, and tables between them."""

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
    body = [f"<h1>{escape(title)}</h1>", f'<p class="standing">{escape(DISCLAIMER)}</p>']
    for section in sections:
        body.append(f"<h2>{escape(section.title)}</h2>")
        body += [
            _html_table(part) if isinstance(part, Rows) else f"<p>{escape(part)}</p>"
            for part in section.parts
        ]
    head = f'<meta charset="utf-8"><title>{escape(title)}</title><style>{STYLE}</style>'
    return (
        f'<!doctype html>\n<html lang="en"><head>{head}</head><body>\n'
        + "\n".join(body)
        + "\n</body></html>\n"
    )


def _table_lines(table: Rows) -> list[str]:
    rows = [table.head, *table.rows]
    cells = [[one.replace("|", "\\|").replace("\n", " ") for one in row] for row in rows]
    lines = [f"| {' | '.join(row)} |" for row in cells]
    return [lines[0], f"|{' --- |' * len(table.head)}", *lines[1:]]


def _html_table(table: Rows) -> str:
    head = "".join(f"<th>{escape(one)}</th>" for one in table.head)
    rows = "".join(
        "<tr>" + "".join(f"<td>{escape(one)}</td>" for one in row) + "</tr>\n" for row in table.rows
    )
    return f"<table><thead><tr>{head}</tr></thead><tbody>\n{rows}</tbody></table>"
