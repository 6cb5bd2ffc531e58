"""Wiring diagrams as SVG text, drawn from the service information: readable on screen and printable.

    drawing(service, "ECM")          # a module with everything on its pins
    drawing(service, "F11")          # a fuse or relay and what it feeds
    drawing(service, "powertrain")   # a bus line
    drawing(service, "G2")           # a ground point and everything that ends on it
    drawing(service, "map_sensor")   # a sensor with its three wires

Every part carries `data-id`, the terminal or part a click on it means: a probe can be put there. Current runs
from left to right. Symbols are the plain ones of IEC 60617: a box for a fuse or resistor, a dot for a splice.

Not modeled: what `sheet` leaves out.
"""

from __future__ import annotations

from collections.abc import Iterator

from sim.instruments.bus_diagram import bus_diagram, cluster_diagram
from sim.instruments.diagram_rows import (
    ROW,
    battery_bar,
    draw_row,
    draw_row_from,
    drawn_parts,
    load_words,
    rows_end_at,
    shortened,
)
from sim.instruments.labels import GROUND
from sim.instruments.module_diagram import module_diagram
from sim.instruments.paths import PathPart
from sim.instruments.service import ServiceInformation
from sim.instruments.sheet import BOX, FAINT, MARGIN, Sheet
from sim.vehicle.problems import EditProblem, unknown

BOX_W = 176  # px


def drawing(service: ServiceInformation, name: str) -> str:
    """The diagram of a module, fuse, relay, load, switch, bus, LIN cluster, ground point or sensor.

    Raises `EditProblem` for an unknown name.
    """
    vehicle = service.vehicle
    if name in vehicle.grounds:
        return ground_diagram(service, name)
    if name in vehicle.sensors:
        return sensor_diagram(service, name)
    if name in vehicle.modules:
        return module_diagram(service, name)
    if name in vehicle.buses:
        return bus_diagram(service, name)
    if name in vehicle.lin:
        return cluster_diagram(service, name)
    if name not in (*vehicle.fuses, *vehicle.relays, *vehicle.loads, *vehicle.switches):
        known = [*vehicle.modules, *vehicle.fuses, *vehicle.relays, *vehicle.buses]
        raise EditProblem(unknown("circuit", name, [*known, *vehicle.lin, *vehicle.loads, *vehicle.switches]))
    return feed_diagram(service, name)


def feed_diagram(service: ServiceInformation, name: str) -> str:
    """Rows from the battery to every consumer, what they share drawn once."""
    sheet = Sheet()
    x, y = MARGIN + 36, MARGIN + 60
    drawn: dict[tuple[PathPart, ...], tuple[float, float, str]] = {}  # prefix of a row -> its end
    first_y, last_y = y, y
    for row in _feed_rows(service, name):
        known = max((k for k in range(len(row) + 1) if tuple(row[:k]) in drawn), default=0)
        here, above, color = drawn.get(tuple(row[:known]), (x, y, ""))
        if known:
            sheet.wire(here, above, here, y, color)
        else:
            last_y = y
        for k in range(known, len(row)):
            here = draw_row(sheet, [row[k]], here, y, color=color)
            color = row[k].color or color
            drawn[tuple(row[: k + 1])] = (here, y, color)
        y += ROW + (16 if row[-1].kind == "ground" else 0)
    battery_bar(sheet, x, first_y - 20, last_y + 16)
    return sheet.svg(f"Wiring diagram of {name}")


def _feed_rows(service: ServiceInformation, name: str) -> Iterator[list[PathPart]]:
    for end in service.consumers(name):
        steps = drawn_parts(service.supply_path(end))
        load = end.removesuffix(".1")
        if load in service.vehicle.loads or load == "GEN":
            words = "generator" if load == "GEN" else load_words(service, load)
            steps.append(PathPart("load", load, words, end, service.color(f"{load}.2")))
            steps += _to_ground(service, f"{load}.2")
        elif not steps or steps[-1].node != end:
            steps.append(PathPart("pin", end, service.words_at(end), end))
        yield steps


def _to_ground(service: ServiceInformation, node: str) -> list[PathPart]:
    back = list(service.return_path(node))
    end = next((k for k, step in enumerate(back) if step.kind == "ground"), None)
    passes_module = any(":" in step.node for step in back[: end or 0])
    if end is None or passes_module:
        return [PathPart("pin", far, service.words_at(far), far) for far in service.far_ends(node)[:1]]
    return back[: end + 1]


def ground_diagram(service: ServiceInformation, name: str) -> str:
    """A row for each pin and load that ends on a ground point; the rows meet in one bar."""
    entry = next(one for one in service.grounds if one.name == name)
    ends = [end if end in service.car.pins else f"{end}.2" for end in entry.serves]
    rows = {
        end: [step for step in _to_ground(service, end) if step.name != end and step.kind != "ground"]
        for end in ends
    }
    sheet = Sheet()
    right = rows_end_at(rows)
    y = top = MARGIN + 40.0
    for end, steps in rows.items():
        draw_row_from(service, sheet, end, steps, y, right)
        y += ROW
    sheet.wire(right, top, right, y - ROW + 44, GROUND)
    inside = Sheet()
    inside.text(right + 14, y - ROW + 40, name, anchor="start", bold=True)
    inside.text(right + 22, y - ROW + 62, entry.location or entry.title, 11, "start", FAINT)
    for k, half in enumerate((12, 8, 4)):
        foot = y - ROW + 44 + 4 * k
        inside.wire(right - half, foot, right + half, foot)
    inside.target(right - 20, y - ROW + 22, 90, 46)
    sheet.part(name, f"ground point {name}: {entry.location or entry.title}", inside)
    sheet.reach(right + 30 + 7 * len(entry.location or entry.title), y - ROW + 70)
    return sheet.svg(f"Wiring diagram of ground point {name}")


def sensor_diagram(service: ServiceInformation, name: str) -> str:
    """The wires of a sensor, from the module's pins."""
    spec = service.vehicle.sensors[name]
    pins = service.face(name).pins
    joined = zip(service.sensor_ends(name), pins, strict=True)
    rows = {end: service.wire_path(end, pin.id) for end, pin in joined}
    sheet = Sheet()
    right = rows_end_at(rows)
    top, tall = MARGIN + 40.0, (len(pins) - 1) * ROW
    sheet.box(right, top - 36, BOX_W, tall + 66, BOX)
    sheet.text(right + BOX_W / 2, top - 18, name, size=15, bold=True)
    sheet.text(right + BOX_W / 2, top + tall + 24, shortened(spec.title or "sensor"), size=11, ink=FAINT)
    for place, ((end, steps), pin) in enumerate(zip(rows.items(), pins, strict=True)):
        y = top + place * ROW
        draw_row_from(service, sheet, end, steps, y, right)
        inside = Sheet()
        inside.terminal(right, y)
        inside.text(right + 12, y + 4, f"{pin.cavity} {pin.function}", anchor="start")
        sheet.part(pin.id, f"{pin.id}: {pin.words}", inside)
    return sheet.svg(f"Wiring diagram of {name}")
