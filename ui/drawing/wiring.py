"""Wiring diagrams on the page: where the leads are on them, and pages to print."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from markupsafe import Markup

from sim.markup import page
from sim.svg import parsed, text_of

PAPER = Markup('<div class="paper{}" data-of="{}">{}</div>')
PAGE = Path(__file__).with_name("printable.html")


def marked(svg: str, leads: Mapping[str, str], fit: bool, of: str = "") -> Markup:
    """A drawing as paper, with the terminals that have a lead on them marked; leads: color -> terminal.

    of: the part that is in sight first, where the drawing is wider than its paper.
    """
    drawing = parsed(svg)
    lead_at = {terminal: lead for lead, terminal in leads.items() if terminal}
    for part in drawing.iter():
        lead = lead_at.get(part.get("data-id", ""))
        if lead:
            part.set("class", f"on-{lead}")
    return PAPER.format(" fit" if fit else "", of, text_of(drawing))


def printable(svg: str, title: str) -> str:
    """One page to print: the drawing under its title."""
    return page(PAGE, title=title, drawing=Markup(svg))
