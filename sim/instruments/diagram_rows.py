"""Rows of a diagram: the parts on a path, from left to right, with the wires between them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sim.instruments.paths import PathPart
from sim.instruments.service import ServiceInformation
from sim.instruments.sheet import FAINT, MARGIN, PAINT, Sheet

COLUMN, ROW = 148, 60  # px
HALF_WIDTH = {"fuse": 22, "load": 22, "relay": 22, "switch": 22, "driver": 22, "pin": 7, "clamp": 7}
LABEL_W = 190.0
LONG_NAME = 8
LONGEST = 19  # letters under a symbol, so that those of the next one are clear of them


def _part_mark(sheet: Sheet, step: PathPart, x: float, y: float) -> None:
    """One step's symbol, centered at x, y, with its name above and its words below."""
    title = f"{step.name}: {step.words}"
    inside = Sheet()
    match step.kind:
        case "fuse" | "load":
            inside.box(x - 22, y - 8, 44, 16)
            if step.kind == "fuse":
                inside.wire(x - 22, y, x + 22, y)
        case "relay" | "switch" | "driver":
            inside.wire(x - 22, y, x - 10, y)
            inside.wire(x - 10, y, x + 10, y - 11)
            inside.wire(x + 10, y, x + 22, y)
        case "splice":
            inside.dot(x, y, 5)
        case "ground":
            inside.wire(x, y, x, y + 8)
            for k, half in enumerate((12, 8, 4)):
                inside.wire(x - half, y + 8 + 4 * k, x + half, y + 8 + 4 * k)
        case _:
            inside.plug(x, y, 7)
    below = step.kind == "splice" and len(step.name) > LONG_NAME  # the colors of the wires are above
    inside.text(x, y + 20 if below else y - 16, step.name, bold=True)
    if step.kind == "ground":
        inside.text(x + 18, y + 17, step.words, size=11, anchor="start", ink=FAINT)
    elif step.kind != "splice":
        inside.text(x, y + 24, shortened(step.words), size=11, ink=FAINT)
    # a target of its own size, so that thin symbols are easy to hit
    inside.target(x - 26, y - 26, 52, 48)
    sheet.part(step.node, title, inside)
    sheet.reach(x + 60, y + 30)


def load_words(service: ServiceInformation, load: str) -> str:
    """Return the title of a load, or its resistance."""
    spec = service.vehicle.loads[load]
    return spec.title or f"{spec.ohm:g} Ω"


def shortened(words: str) -> str:
    """Return words that fit under a symbol."""
    return words if len(words) <= LONGEST else f"{words[: LONGEST - 1]}…"


def draw_row(
    sheet: Sheet,
    steps: Sequence[PathPart],
    x: float,
    y: float,
    until_x: float | None = None,
    color: str = "",
) -> float:
    """Steps from left to right beginning at x; returns where the line ends."""
    here = x
    for step in steps:
        middle, half = here + COLUMN / 2 + 20, HALF_WIDTH.get(step.kind, 0)
        sheet.wire(here, y, middle - half, y, color, color)
        _part_mark(sheet, step, middle, y)
        here, color = middle + half, step.color or color
    if until_x is not None:
        sheet.wire(here, y, until_x, y, color, color)
        return until_x
    return here


def drawn_parts(steps: Sequence[PathPart]) -> list[PathPart]:
    """Return the parts that a row shows: battery, clamp and rail are at its end."""
    return [step for step in steps if step.kind not in ("battery", "clamp", "bar", "body")]


def battery_bar(sheet: Sheet, x: float, top: float, bottom: float) -> None:
    """Draw the rail at battery plus from which rows begin."""
    inside = Sheet()
    inside.line((x, top), (x, bottom), PAINT["RD"], 5)
    inside.text(x, top - 10, "battery +", bold=True)
    sheet.part("BAR", "distribution rail, battery plus", inside)
    sheet.reach(x, bottom)


def rows_end_at(rows: Mapping[str, Sequence[PathPart]]) -> float:
    """Return where rows after their labels end: the longest decides."""
    return MARGIN + LABEL_W + 60 + max((len(steps) for steps in rows.values()), default=0) * (COLUMN - 30)


def draw_row_from(
    service: ServiceInformation, sheet: Sheet, end: str, steps: Sequence[PathPart], y: float, right: float
) -> None:
    """A terminal's name, and its wire through what lies on the way."""
    inside = Sheet()
    inside.text(MARGIN, y - 1, end, anchor="start", bold=True)
    inside.text(
        MARGIN, y + 13, shortened(service.words_at(end) or "load"), size=11, anchor="start", ink=FAINT
    )
    inside.target(MARGIN, y - 16, LABEL_W - 10, 34)
    sheet.part(end, f"{end}: {service.words_at(end) or 'load'}", inside)
    draw_row(sheet, steps, MARGIN + LABEL_W, y, right, service.color(end))
