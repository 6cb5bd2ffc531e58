"""A connector's face seen from the wire side, cavities to click on, with its pin table."""

from __future__ import annotations

from sim.instruments.pin_table import Face
from sim.instruments.service import ServiceInformation
from sim.instruments.svg_sheet import BOX, FAINT, INK, MARGIN, Sheet
from sim.vehicle.problems import EditProblem

CELL = 46  # px
WIDTHS = (64, 120, 76, 190, 0)
HEADER = ("cavity", "function", "wire, mm²", "what for", "to")


def face(service: ServiceInformation, connector: str) -> str:
    """Return the drawing of a connector's face; raises `EditProblem` if no wires run through it."""
    shown = service.face(connector)
    if not shown.pins:
        raise EditProblem(f"no wires run through {connector}")
    sheet = Sheet()
    sheet.text(MARGIN, MARGIN + 10, f"{shown.id}  {shown.title}", 15, "start", bold=True)
    where = f"{shown.location or 'location not given'}; seen from the wire side"
    sheet.text(MARGIN, MARGIN + 30, where, 12, "start", FAINT)
    _table(sheet, shown, _cavities(sheet, shown, MARGIN + 48) + 40.0)
    return sheet.svg(f"Connector {connector}")


def _cavities(sheet: Sheet, shown: Face, top: float) -> float:
    """Draw the cavities, in two rows if there are many; returns where the last row ends."""
    count = len(shown.pins)
    columns = (count + 1) // 2 if count > 3 else count
    rows = (count + columns - 1) // columns
    sheet.box(MARGIN, top, columns * CELL + 12, rows * CELL + 12, BOX)
    for k, pin in enumerate(shown.pins):
        left, above = MARGIN + 6 + (k % columns) * CELL, top + 6 + (k // columns) * CELL
        inside = Sheet()
        inside.box(left + 4, above + 4, CELL - 8, CELL - 8)
        inside.text(left + CELL / 2, above + CELL / 2 + 5, pin.cavity, bold=True)
        sheet.part(pin.id, f"{pin.id}: {pin.words}", inside)
    return top + rows * CELL


def _table(sheet: Sheet, shown: Face, y: float) -> None:
    """Write the pin table."""
    rows = [
        (pin.cavity, pin.function, f"{pin.colour} {pin.area_mm2:g}", pin.words, ", ".join(pin.to))
        for pin in shown.pins
    ]
    for number, cells in enumerate([HEADER, *rows]):
        x = float(MARGIN)
        for words, width in zip(cells, WIDTHS, strict=True):
            sheet.text(x, y, words, 12, "start", INK if number else FAINT)
            x += width
        y += 20
