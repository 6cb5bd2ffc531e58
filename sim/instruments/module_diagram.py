"""The diagram of a module with everything on its pins, and the face of a connector with its pin table."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from sim.instruments.diagram_rows import (
    COLUMN,
    ROW,
    battery_bar,
    draw_row,
    drawn_parts,
    load_words,
)
from sim.instruments.lists import Face, FacePin
from sim.instruments.paths import PathPart
from sim.instruments.service import ServiceInformation
from sim.instruments.sheet import BOX, FAINT, INK, MARGIN, Sheet
from sim.vehicle.problems import EditProblem
from sim.vehicle.wire_names import in_words

BOX_W = 176  # px
TOP = MARGIN + 64
CELL = 46  # px
WIDTHS = (64, 140, 84, 210, 0)
LETTER_PX, GAP_PX = 6.6, 12  # of a usual sans-serif face at this size, and between two columns
Side = Literal["wire", "mating"]
HEADER = ("cavity", "function", "wire, mm²", "what for", "to")


def module_diagram(service: ServiceInformation, name: str) -> str:
    """Return the diagram of a module: supplies from the left, what else is on its pins to the right."""
    faces = [service.face(plug) for plug in service.car.connectors if plug.startswith(f"{name}.")]
    left = dict(_supplied(service, faces))
    longest = max((len(path) for path in left.values()), default=0)
    bar_x, box_x = MARGIN + 36, MARGIN + 36 + longest * (COLUMN // 2 + 42) + 110
    rows = dict(_rows(faces))
    sheet = Sheet()
    if left:
        ends = [rows[id] for id in left]
        battery_bar(sheet, bar_x, min(ends) - 20, max(ends) + 16)
    height = max(rows.values(), default=TOP - ROW) + 80 - TOP
    sheet.box(box_x, TOP - 40, BOX_W, height, BOX)
    sheet.text(box_x + BOX_W / 2, TOP - 50, faces[0].title if faces else name, bold=True)
    sheet.text(box_x + BOX_W / 2, TOP - 22, name, size=15, bold=True)
    for pin in (pin for face in faces for pin in face.pins):
        here = rows[pin.id]
        if pin.id in left:
            draw_row(sheet, left[pin.id], bar_x, here, box_x)
        else:
            _right_of(service, sheet, pin.id, box_x + BOX_W, here)
        _pin_mark(sheet, pin, (box_x, here), pin.id in left, pin.id.removeprefix(f"{name}."))
    return sheet.svg(f"Wiring diagram of {name}")


def _supplied(service: ServiceInformation, faces: list[Face]) -> Iterator[tuple[str, list[PathPart]]]:
    """Pins that current reaches from the battery through something that a row shows."""
    for pin in (pin for face in faces for pin in face.pins):
        if not pin.function.startswith("GND"):
            path = drawn_parts(service.supply_path(pin.id))
            if path and not any(part.kind == "driver" for part in path):
                yield pin.id, path


def _rows(faces: list[Face]) -> Iterator[tuple[str, int]]:
    """The height of each pin; a gap between connectors."""
    y = TOP
    for face in faces:
        y += 20 if y > TOP else 0
        for pin in face.pins:
            yield pin.id, y
            y += ROW


def _pin_mark(sheet: Sheet, pin: FacePin, box: tuple[float, float], at_left: bool, short_id: str) -> None:
    """A pin at the edge of the module's box, whose left edge is at box[0]; box[1] is the pin's height."""
    inside, (box_x, y) = Sheet(), box
    edge = box_x if at_left else box_x + BOX_W
    inside.target(box_x + 4, y - 14, BOX_W - 8, 28)
    inside.terminal(edge, y)
    anchor, inset = ("start", 12) if at_left else ("end", -12)
    inside.text(edge + inset, y - 1, f"{short_id} {pin.function}", anchor=anchor)
    inside.text(edge + inset, y + 12, pin.words[:30], size=11, anchor=anchor, ink=FAINT)
    sheet.part(pin.id, f"{pin.id}: {pin.words}", inside)


def _right_of(service: ServiceInformation, sheet: Sheet, pin: str, x: float, y: float) -> None:
    """What a pin on the right side leads to: a ground point, a load, or the far ends of its wire."""
    back = [part for part in service.return_path(pin) if part.name != pin]
    end = next((k for k, part in enumerate(back) if part.kind == "ground"), None)
    far = service.far_ends(pin)
    load = far[0].removesuffix(".2") if len(far) == 1 else ""
    if end is not None and service.words_at(pin) == "ground":
        draw_row(sheet, back[: end + 1], x, y, color=service.color(pin))
    elif load in service.vehicle.loads:
        _driven_load(service, sheet, load, x, y, service.color(pin))
    else:
        sheet.wire(x, y, x + 70, y, service.color(pin), service.color(pin))
        for k, node in enumerate(far or ("not connected",)):
            inside = Sheet()
            words = in_words(node, service.car)
            inside.text(x + 78, y + 5 + 15 * k, words, anchor="start")
            sheet.part(node if far else pin, f"to {words}", inside)
            sheet.reach(x + 78 + 8 * len(words), y + 15 * k)


def _driven_load(
    service: ServiceInformation, sheet: Sheet, load: str, x: float, y: float, color: str
) -> None:
    """A load between a module's pin and the fuse or relay that feeds it."""
    feeds = [part for part in service.supply_path(f"{load}.1") if part.kind in ("fuse", "relay")]
    part = PathPart("load", load, load_words(service, load), f"{load}.1")
    here = draw_row(sheet, [part], x, y, color=color)
    sheet.wire(here, y, here + 40, y)
    sheet.text(here + 46, y + 4, f"from {feeds[-1].name}" if feeds else "", 12, "start")


# -- faces ---------------------------------------------------------------------------------------------------


def face(service: ServiceInformation, connector: str, side: Side = "wire") -> str:
    """Return the drawing of a connector's face; raises `EditProblem` if no wires run through it.

    side: from where one looks at it. The mating side shows the cavities mirrored.
    """
    shown = service.face(connector)
    if not shown.pins:
        raise EditProblem(f"no wires run through {connector}")
    sheet = Sheet()
    sheet.text(MARGIN, MARGIN + 10, f"{shown.id}  {shown.title}", 15, "start", bold=True)
    where = f"{shown.location or 'location not given'}; seen from the {side} side"
    sheet.text(MARGIN, MARGIN + 30, where, 12, "start", FAINT)
    _table(service, sheet, shown, _cavities(sheet, shown, side, MARGIN + 48) + 40.0)
    return sheet.svg(f"Connector {connector}")


def _cavities(sheet: Sheet, shown: Face, side: Side, top: float) -> float:
    """Draw the cavities, in two rows if there are many; returns where the last row ends."""
    places, columns, rows, mirrored = _grid(shown, side)
    sheet.box(MARGIN, top, columns * CELL + 12, rows * CELL + 12, BOX)
    for k in range(columns * rows):
        across = columns - 1 - k % columns if mirrored else k % columns
        left, above = MARGIN + 6 + across * CELL, top + 6 + (k // columns) * CELL
        pin = places.get(k)
        if pin is None:
            continue
        inside = Sheet()
        inside.box(left + 4, above + 4, CELL - 8, CELL - 8)
        inside.text(left + CELL / 2, above + CELL / 2 + 5, pin.cavity, bold=True)
        sheet.part(pin.id, f"{pin.id}: {pin.words}", inside)
    return top + rows * CELL


def _grid(shown: Face, side: Side) -> tuple[dict[int, FacePin], int, int, bool]:
    """Which place each pin has, row by row; columns; rows; whether the places run from right to left.

    The diagnostic connector has 1 to 8 above 9 to 16, from left to right for who looks into it (SAE J1962,
    ISO 15031-3; from memory). Other connectors are numbered from left to right on the wire side.
    """
    if shown.kind == "dlc":
        return {int(pin.cavity) - 1: pin for pin in shown.pins}, 8, 2, side == "wire"
    count = len(shown.pins)
    columns = (count + 1) // 2 if count > 3 else count
    return dict(enumerate(shown.pins)), columns, (count + columns - 1) // columns, side == "mating"


def _ends(service: ServiceInformation, pin: FacePin) -> str:
    return ", ".join(in_words(node, service.car) for node in pin.to)


def _table(service: ServiceInformation, sheet: Sheet, shown: Face, y: float) -> None:
    """Write the pin table."""
    rows = [
        (pin.cavity, pin.function, f"{pin.color} {pin.area_mm2:g}", pin.words, _ends(service, pin))
        for pin in shown.pins
    ]
    widths = [
        max(least, *(LETTER_PX * len(row[k]) + GAP_PX for row in rows)) for k, least in enumerate(WIDTHS)
    ]
    for number, cells in enumerate([HEADER, *rows]):
        x = float(MARGIN)
        for words, width in zip(cells, widths, strict=True):
            sheet.text(x, y, words, 12, "start", INK if number else FAINT)
            x += width
        y += 20
