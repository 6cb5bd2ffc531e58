"""Wiring diagrams on the page: where the leads stand on them, lists to pick from, and pages to print."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from html import escape

PRINT_STYLE = (
    "@page { size: A4 landscape; margin: 12mm } body { font: 11pt system-ui, sans-serif; color: #1b1f24 } "
    "svg { max-width: 100%; max-height: 165mm; width: auto; height: auto } p { font-size: 9pt; color: #555 }"
)


def marked(svg: str, leads: Mapping[str, str], fit: bool) -> str:
    """A drawing as paper, with the terminals that have a lead on them marked; leads: colour -> terminal."""
    for lead, node in leads.items():
        ident = f'data-id="{escape(node, quote=True)}"'
        if node:
            svg = svg.replace(ident, f'class="on-{lead}" {ident}')
    return f'<div class="paper{" fit" if fit else ""}">{svg}</div>'


def printable(svg: str, title: str) -> str:
    """One page to print: the drawing under its title."""
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        f"<style>{PRINT_STYLE}</style></head><body><h3>{escape(title)}</h3>{svg}"
        "<p>Drawn by busbay from what the car's file says. An invented car: not for work on a real one.</p>"
        "</body></html>"
    )


def lists_table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table whose rows can be picked by what stands in their first column."""
    top = "".join(f"<th>{escape(word)}</th>" for word in head)
    body = "".join(
        f'<tr data-id="{escape(row[0], quote=True)}" tabindex="0"><td class="who">{escape(row[0])}</td>'
        + "".join(f"<td>{escape(cell)}</td>" for cell in row[1:])
        + "</tr>"
        for row in rows
    )
    return f'<div class="wide lists" style="--columns: {len(head)}"><table><tr>{top}</tr>{body}</table></div>'
