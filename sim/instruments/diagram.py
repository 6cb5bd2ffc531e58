"""Wiring diagrams as SVG text, drawn from the service information: readable on screen and printable.

    drawing(service, "ECM")          # a module with everything on its pins
    drawing(service, "F11")          # a fuse or relay and what it feeds
    drawing(service, "powertrain")   # a bus line
    drawing(service, "G2")           # a ground point and everything that ends on it
    drawing(service, "map_sensor")   # a sensor with its three wires
    face(service, "ECM.C1")          # a connector's face with its pin table

Every part carries `data-id`, the terminal or part a click on it means: a probe can be put there. Current runs
from left to right. Symbols are the plain ones of IEC 60617: a box for a fuse or resistor, a dot for a splice.

Not modelled: crossings kept apart on one page, shields, twisted pairs drawn as such.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from html import escape

from sim.instruments.service import GROUND, ONE_WIRE, ServiceInformation, Step
from sim.vehicle.messages import line_items
from sim.vehicle.problems import EditProblem

COLUMN, ROW, MARGIN = 148, 60, 24  # px
HALF_WIDTH = {"fuse": 22, "load": 22, "relay": 22, "switch": 22, "driver": 22, "pin": 7, "clamp": 7}
BOX_W = 176
LABEL_W = 190.0
LONG_NAME = 8
INK, WIRE, FAINT = "#1b1f24", "#3b4a5a", "#8a95a1"
PAINT = {
    "RD": "#c22f2f", "BN": "#7a4a24", "YE": "#b8920a", "GN": "#2e8540", "BU": "#2563a8", "VT": "#7d4aa8",
    "GY": "#7b8490", "WH": "#a9b0b8", "OG": "#d5711a", "BK": "#1b1f24", "": WIRE,
}  # fmt: skip


@dataclass
class _Sheet:
    """Marks collected while drawing; the size grows with them."""

    marks: list[str] = field(default_factory=list)
    width: float = 0
    height: float = 0

    def reach(self, x: float, y: float) -> None:
        self.width, self.height = max(self.width, x), max(self.height, y)

    def wire(self, x1: float, y1: float, x2: float, y2: float, colour: str = "", label: str = "") -> None:
        paint = PAINT.get(colour.partition("/")[0], WIRE)
        self.marks.append(
            f'<line x1="{x1:g}" y1="{y1:g}" x2="{x2:g}" y2="{y2:g}" stroke="{paint}" stroke-width="2"/>'
        )
        if label:
            self.text((x1 + x2) / 2, y1 - 6, label, size=11, ink=FAINT)
        self.reach(max(x1, x2), max(y1, y2))

    def text(
        self,
        x: float,
        y: float,
        words: str,
        size: int = 13,
        anchor: str = "middle",
        ink: str = INK,
        bold: bool = False,
    ) -> None:
        weight = ' font-weight="600"' if bold else ""
        self.marks.append(
            f'<text x="{x:g}" y="{y:g}" font-size="{size}" text-anchor="{anchor}" fill="{ink}"{weight}>'
            f"{escape(words)}</text>"
        )
        half = 0.58 * size * len(words) / (1 if anchor == "start" else 2)
        self.reach(x + (half if anchor != "end" else 0), y + 4)

    def box(self, x: float, y: float, w: float, h: float, fill: str = "#ffffff") -> None:
        self.marks.append(
            f'<rect x="{x:g}" y="{y:g}" width="{w:g}" height="{h:g}" rx="3" fill="{fill}" stroke="{INK}" '
            'stroke-width="1.6"/>'
        )
        self.reach(x + w, y + h)

    def part(self, id: str, title: str, draw: Sequence[str]) -> None:
        """Marks that belong together, as one thing to click on."""
        self.marks.append(
            f'<g data-id="{escape(id, quote=True)}" tabindex="0" role="button" '
            f'aria-label="{escape(title, quote=True)}"><title>{escape(title)}</title>{"".join(draw)}</g>'
        )

    def svg(self, title: str) -> str:
        width, height = self.width + MARGIN, self.height + MARGIN
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" width="{width:g}" '
            f'height="{height:g}" font-family="system-ui, sans-serif" role="img" '
            f'aria-label="{escape(title, quote=True)}">'
            f"<title>{escape(title)}</title>"
            f'<rect width="{width:g}" height="{height:g}" fill="#ffffff"/>{"".join(self.marks)}</svg>'
        )


def drawing(service: ServiceInformation, name: str) -> str:
    """The diagram of a module, fuse, relay, load, switch, bus, LIN cluster, ground point or sensor.

    Raises `EditProblem` for an unknown name.
    """
    vehicle = service.vehicle
    if name in vehicle.grounds:
        return _ground(service, name)
    if name in vehicle.sensors:
        return _sensor(service, name)
    if name in vehicle.modules:
        return _module(service, name)
    if name in vehicle.buses:
        return _bus(service, name)
    if name in vehicle.lin:
        return _cluster(service, name)
    service.circuit(name)  # knows the names, and the nearest to a wrong one
    return _feeds(service, name)


# -- rows of steps -------------------------------------------------------------------------------------------


def _step_mark(sheet: _Sheet, step: Step, x: float, y: float) -> None:
    """One step's symbol, centred at x, y, with its name above and its words below."""
    title = f"{step.name}: {step.words}"
    inside = _Sheet()
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
            inside.marks.append(f'<circle cx="{x:g}" cy="{y:g}" r="5" fill="{INK}"/>')
        case "ground":
            inside.wire(x, y, x, y + 8)
            for k, half in enumerate((12, 8, 4)):
                inside.wire(x - half, y + 8 + 4 * k, x + half, y + 8 + 4 * k)
        case _:
            inside.marks.append(
                f'<path d="M{x - 6:g} {y - 7:g} l7 7 l-7 7 M{x + 1:g} {y - 7:g} l7 7 l-7 7" fill="none" '
                f'stroke="{INK}" stroke-width="1.6"/>'
            )
    below = step.kind == "splice" and len(step.name) > LONG_NAME  # the wires' colours stand above
    inside.text(x, y + 20 if below else y - 16, step.name, bold=True)
    if step.kind != "splice":
        inside.text(x, y + (36 if step.kind == "ground" else 24), _short(step.words), size=11, ink=FAINT)
    # a target of its own size, so that thin symbols are easy to hit
    inside.marks.append(f'<rect x="{x - 26:g}" y="{y - 26:g}" width="52" height="48" fill="transparent"/>')
    sheet.part(step.node, title, inside.marks)
    sheet.reach(x + 60, y + 30)


def _short(words: str) -> str:
    return words if len(words) <= 22 else f"{words[:21]}…"


def _row(
    sheet: _Sheet, steps: Sequence[Step], x: float, y: float, until_x: float | None = None, colour: str = ""
) -> float:
    """Steps from left to right beginning at x; returns where the line ends."""
    here = x
    for step in steps:
        middle, half = here + COLUMN / 2 + 20, HALF_WIDTH.get(step.kind, 0)
        sheet.wire(here, y, middle - half, y, colour, colour)
        _step_mark(sheet, step, middle, y)
        here, colour = middle + half, step.colour or colour
    if until_x is not None:
        sheet.wire(here, y, until_x, y, colour, colour)
        return until_x
    return here


def _drawn(steps: Sequence[Step]) -> list[Step]:
    """The steps that a row shows: battery, clamp and bar stand at its end."""
    return [step for step in steps if step.kind not in ("battery", "clamp", "bar", "body")]


def _bar(sheet: _Sheet, x: float, top: float, bottom: float) -> None:
    inside = _Sheet()
    inside.marks.append(
        f'<line x1="{x:g}" y1="{top:g}" x2="{x:g}" y2="{bottom:g}" stroke="{PAINT["RD"]}" stroke-width="5"/>'
    )
    inside.text(x, top - 10, "battery +", bold=True)
    sheet.part("BAR", "feed bar, battery plus", inside.marks)
    sheet.reach(x, bottom)


# -- a module ------------------------------------------------------------------------------------------------


def _module(service: ServiceInformation, name: str) -> str:
    faces = [service.face(plug) for plug in service.connectors if plug.startswith(f"{name}.")]
    pins = [pin for face in faces for pin in face.pins]
    left = {pin.id: _drawn(service.way(pin.id)) for pin in pins if not pin.function.startswith("GND")}
    left = {id: way for id, way in left.items() if way and not any(one.kind == "driver" for one in way)}
    longest = max((len(way) for way in left.values()), default=0)
    sheet = _Sheet()
    bar_x, box_x = MARGIN + 36, MARGIN + 36 + longest * (COLUMN // 2 + 42) + 110
    top = MARGIN + 64
    y, rows = top, {}
    for face in faces:
        y += 20 if y > top else 0
        for pin in face.pins:
            rows[pin.id] = y
            y += ROW
    bottom = y - ROW + 34
    if left:
        _bar(sheet, bar_x, min(rows[id] for id in left) - 20, max(rows[id] for id in left) + 16)
    sheet.box(box_x, top - 40, BOX_W, bottom - top + 46, "#f4f6f8")
    sheet.text(box_x + BOX_W / 2, top - 50, faces[0].title if faces else name, bold=True)
    sheet.text(box_x + BOX_W / 2, top - 22, name, size=15, bold=True)
    for face in faces:
        for pin in face.pins:
            here = rows[pin.id]
            if pin.id in left:
                _row(sheet, left[pin.id], bar_x, here, box_x)
            else:
                _right_of(service, sheet, pin.id, box_x + BOX_W, here)
            inside = _Sheet()
            at_left = pin.id in left
            edge = box_x if at_left else box_x + BOX_W
            inside.marks.append(
                f'<rect x="{box_x + 4:g}" y="{here - 14:g}" width="{BOX_W - 8:g}" height="28" '
                'fill="transparent"/>'
                f'<circle cx="{edge:g}" cy="{here:g}" r="5" fill="#ffffff" '
                f'stroke="{INK}" stroke-width="1.6"/>'
            )
            anchor, inset = ("start", 12) if at_left else ("end", -12)
            inside.text(
                edge + inset, here - 1, f"{pin.id.removeprefix(f'{name}.')} {pin.function}", anchor=anchor
            )
            inside.text(edge + inset, here + 12, pin.words[:30], size=10, anchor=anchor, ink=FAINT)
            sheet.part(pin.id, f"{pin.id}: {pin.words}", inside.marks)
    return sheet.svg(f"Wiring diagram of {name}")


def _right_of(service: ServiceInformation, sheet: _Sheet, pin: str, x: float, y: float) -> None:
    """What a pin on the right side leads to: a ground point, or the names at the far ends of its wire."""
    back = [step for step in service.way_back(pin) if step.name != pin]
    end = next((k for k, step in enumerate(back) if step.kind == "ground"), None)
    colour = service.colour(pin)
    if end is not None and service.words_at(pin) == "ground":
        _row(sheet, back[: end + 1], x, y, colour=colour)
        return
    far = service.far_ends(pin)
    load = far[0].removesuffix(".2") if len(far) == 1 else ""
    if load in service.vehicle.loads:
        feeds = [step for step in service.way(f"{load}.1") if step.kind in ("fuse", "relay")]
        title = service.vehicle.loads[load].title or f"{service.vehicle.loads[load].ohm:g} Ω"
        here = _row(sheet, [Step("load", load, title, f"{load}.1")], x, y, colour=colour)
        sheet.wire(here, y, here + 40, y)
        sheet.text(here + 46, y + 4, f"from {feeds[-1].name}" if feeds else "", 12, "start")
        return
    sheet.wire(x, y, x + 70, y, colour, colour)
    for k, node in enumerate(far or ("not connected",)):
        inside = _Sheet()
        inside.text(x + 78, y + 5 + 15 * k, node, anchor="start")
        sheet.part(node if far else pin, f"to {node}", inside.marks)
        sheet.reach(x + 78 + 8 * len(node), y + 15 * k)


# -- a fuse, relay, load or switch ---------------------------------------------------------------------------


def _feeds(service: ServiceInformation, name: str) -> str:
    """Rows from the battery to every consumer, what they share drawn once."""
    sheet = _Sheet()
    x, y = MARGIN + 36, MARGIN + 60
    drawn: dict[tuple[Step, ...], tuple[float, float, str]] = {}  # prefix of a row -> its end
    first_y, last_y = y, y
    for row in _feed_rows(service, name):
        known = max((k for k in range(len(row) + 1) if tuple(row[:k]) in drawn), default=0)
        here, above, colour = drawn.get(tuple(row[:known]), (x, y, ""))
        if known:
            sheet.wire(here, above, here, y, colour)
        else:
            last_y = y
        for k in range(known, len(row)):
            here = _row(sheet, [row[k]], here, y, colour=colour)
            colour = row[k].colour or colour
            drawn[tuple(row[: k + 1])] = (here, y, colour)
        y += ROW + (16 if row[-1].kind == "ground" else 0)
    _bar(sheet, x, first_y - 20, last_y + 16)
    return sheet.svg(f"Wiring diagram of {name}")


def _feed_rows(service: ServiceInformation, name: str) -> Iterator[list[Step]]:
    for end in service.consumers(name):
        steps = _drawn(service.way(end))
        load = end.removesuffix(".1")
        if load in service.vehicle.loads:
            spec = service.vehicle.loads[load]
            steps.append(
                Step("load", load, spec.title or f"{spec.ohm:g} Ω", f"{load}.1", service.colour(f"{load}.2"))
            )
            steps += _to_ground(service, f"{load}.2")
        elif load == "GEN":
            steps.append(Step("load", load, "generator", end, service.colour("GEN.2")))
            steps += _to_ground(service, "GEN.2")
        elif not steps or steps[-1].node != end:
            steps.append(Step("pin", end, service.words_at(end), end))
        yield steps


def _to_ground(service: ServiceInformation, node: str) -> list[Step]:
    back = list(service.way_back(node))
    end = next((k for k, step in enumerate(back) if step.kind == "ground"), None)
    passes_module = any(":" in step.node for step in back[: end or 0])
    if end is None or passes_module:
        return [Step("pin", far, service.words_at(far), far) for far in service.far_ends(node)[:1]]
    return back[: end + 1]


# -- a ground point, a sensor --------------------------------------------------------------------------------


def _ground(service: ServiceInformation, name: str) -> str:
    """A row for each pin and load that ends on a ground point; the rows meet in one bar."""
    entry = next(one for one in service.grounds if one.name == name)
    ends = [end if end in service.pins else f"{end}.2" for end in entry.serves]
    ways = {end: [step for step in _to_ground(service, end) if step.name != end] for end in ends}
    rows = {end: [step for step in way if step.kind != "ground"] for end, way in ways.items()}
    sheet = _Sheet()
    right = _ends_at(rows)
    y = top = MARGIN + 40.0
    for end, steps in rows.items():
        _row_from(service, sheet, end, steps, y, right)
        y += ROW
    sheet.wire(right, top, right, y - ROW + 44, GROUND)
    inside = _Sheet()
    inside.text(right + 14, y - ROW + 40, name, anchor="start", bold=True)
    inside.text(right + 22, y - ROW + 62, entry.location or entry.title, 11, "start", FAINT)
    for k, half in enumerate((12, 8, 4)):
        foot = y - ROW + 44 + 4 * k
        inside.wire(right - half, foot, right + half, foot)
    inside.marks.append(
        f'<rect x="{right - 20:g}" y="{y - ROW + 22:g}" width="90" height="46" fill="transparent"/>'
    )
    sheet.part(name, f"ground point {name}: {entry.location or entry.title}", inside.marks)
    sheet.reach(right + 30 + 7 * len(entry.location or entry.title), y - ROW + 70)
    return sheet.svg(f"Wiring diagram of ground point {name}")


def _sensor(service: ServiceInformation, name: str) -> str:
    """The three wires of a sensor, from the module's pins."""
    spec = service.vehicle.sensors[name]
    pins = service.face(name).pins
    ways = [service.wire_way(end, pin.id) for end, pin in zip(service.sensor_ends(name), pins, strict=True)]
    rows = {end: list(steps) for end, steps in zip(service.sensor_ends(name), ways, strict=True)}
    sheet = _Sheet()
    right = _ends_at(rows)
    top = MARGIN + 40.0
    sheet.box(right, top - 36, BOX_W, 2 * ROW + 66, "#f4f6f8")
    sheet.text(right + BOX_W / 2, top - 18, name, size=15, bold=True)
    sheet.text(right + BOX_W / 2, top + 2 * ROW + 24, _short(spec.title or "sensor"), size=11, ink=FAINT)
    for place, ((end, steps), pin) in enumerate(zip(rows.items(), pins, strict=True)):
        y = top + place * ROW
        _row_from(service, sheet, end, steps, y, right)
        inside = _Sheet()
        inside.marks.append(
            f'<circle cx="{right:g}" cy="{y:g}" r="5" fill="#ffffff" stroke="{INK}" stroke-width="1.6"/>'
        )
        inside.text(right + 12, y + 4, f"{pin.cavity} {pin.function}", anchor="start")
        sheet.part(pin.id, f"{pin.id}: {pin.words}", inside.marks)
    return sheet.svg(f"Wiring diagram of {name}")


def _ends_at(rows: Mapping[str, Sequence[Step]]) -> float:
    """Where rows behind their labels end, the longest with its steps."""
    return MARGIN + LABEL_W + 60 + max((len(steps) for steps in rows.values()), default=0) * (COLUMN - 30)


def _row_from(
    service: ServiceInformation, sheet: _Sheet, end: str, steps: Sequence[Step], y: float, right: float
) -> None:
    """A terminal's name, and its wire through what lies on the way."""
    inside = _Sheet()
    inside.text(MARGIN, y - 1, end, anchor="start", bold=True)
    inside.text(MARGIN, y + 13, _short(service.words_at(end) or "load"), size=11, anchor="start", ink=FAINT)
    inside.marks.append(
        f'<rect x="{MARGIN:g}" y="{y - 16:g}" width="{LABEL_W - 10:g}" height="34" fill="transparent"/>'
    )
    sheet.part(end, f"{end}: {service.words_at(end) or 'load'}", inside.marks)
    _row(sheet, steps, MARGIN + LABEL_W, y, right, service.colour(end))


# -- a bus ---------------------------------------------------------------------------------------------------


def _bus(service: ServiceInformation, bus: str) -> str:
    spec = service.vehicle.buses[bus]
    items = line_items(spec.line)
    sheet = _Sheet()
    high_y, low_y, step = MARGIN + 150, MARGIN + 178, 132
    left, right = MARGIN + 70, MARGIN + 70 + (len(items) - 1) * step
    for y, leg, colour in ((high_y, "CAN high", "YE"), (low_y, "CAN low", "GN")):
        sheet.wire(left - 14, y, right + 14, y, colour)
        sheet.text(left - 26, y + 4, leg.split()[1], size=12, anchor="end", ink=FAINT)
    sheet.text(
        left, MARGIN + 8, f"{spec.title or bus}, {spec.bitrate_bps // 1000} kbit/s", 15, "start", bold=True
    )
    for k, (name, word) in enumerate(items):
        _stop(service, sheet, bus, name, word, left + k * step, (high_y, low_y), above=k % 2 == 0)
    return sheet.svg(f"Wiring diagram of bus {bus}")


def _stop(
    service: ServiceInformation,
    sheet: _Sheet,
    bus: str,
    name: str,
    word: str,
    x: float,
    lines: tuple[float, float],
    above: bool,
) -> None:
    high_y, low_y = lines
    if name in service.vehicle.inline:
        _inline(sheet, name, x, lines)
        return
    ends = service.bus_pins(bus, name)
    if word == "terminator":
        inside = _Sheet()
        inside.box(x - 7, high_y + 4, 14, 20)
        inside.text(x, low_y + 22, f"{name} 120 Ω", size=12)
        sheet.part(f"{name}.H", f"terminator {name}, 120 Ω", inside.marks)
        return
    box_y = high_y - 96 if above else low_y + 40
    near = box_y + 56 if above else box_y
    inside = _Sheet()
    inside.box(x - 46, box_y, 92, 56, "#f4f6f8")
    inside.text(x, box_y + 24, name, size=15, bold=True)
    extras = ("120 Ω" if "terminated" in word else "", "in and out" if "through" in word else "")
    note = ", ".join(extra for extra in extras if extra)
    inside.text(x, box_y + 42, note, size=12, ink=FAINT)
    sheet.part(name, f"{name}{f', {note}' if note else ''}", inside.marks)
    for dx, y, leg in ((-14, high_y, "H"), (14, low_y, "L")):
        colour = "YE" if leg == "H" else "GN"
        sheet.wire(x + dx, near, x + dx, y, colour)
        pin = ends.get(leg, "")
        inside = _Sheet()
        inside.marks.append(f'<circle cx="{x + dx:g}" cy="{near:g}" r="5" fill="#ffffff" stroke="{INK}"/>')
        cavity = pin.rpartition(".")[2]
        inside.text(x + dx * 2, near + (13 if above else -5), cavity, size=11, ink=FAINT)
        sheet.part(pin or name, f"{pin}, CAN {'high' if leg == 'H' else 'low'}", inside.marks)
        sheet.marks.append(f'<circle cx="{x + dx:g}" cy="{y:g}" r="3.5" fill="{INK}"/>')
    sheet.reach(x + 60, box_y + 60)


def _inline(sheet: _Sheet, name: str, x: float, lines: tuple[float, ...]) -> None:
    inside = _Sheet()
    for y in lines:
        inside.marks.append(
            f'<path d="M{x - 6:g} {y - 6:g} l6 6 l-6 6 M{x + 1:g} {y - 6:g} l6 6 l-6 6" fill="none" '
            f'stroke="{INK}" stroke-width="1.6"/>'
        )
    inside.text(x, lines[0] - 16, name, bold=True)
    sheet.part(name, f"in-line connector {name}", inside.marks)


def _cluster(service: ServiceInformation, cluster: str) -> str:
    """A LIN cluster: one wire, the master's and the slaves' pull-ups named in their boxes."""
    spec = service.vehicle.lin[cluster]
    sheet = _Sheet()
    wire_y, step, left = MARGIN + 150, 132, MARGIN + 70
    right = left + (len(spec.line) - 1) * step
    sheet.wire(left - 14, wire_y, right + 14, wire_y, ONE_WIRE)
    sheet.text(left - 26, wire_y + 4, "LIN", size=12, anchor="end", ink=FAINT)
    title = f"{spec.title or cluster}, LIN {spec.bitrate_bps / 1000:g} kbit/s"
    sheet.text(left, MARGIN + 8, title, 15, "start", bold=True)
    for k, name in enumerate(spec.line):
        x, above = left + k * step, k % 2 == 0
        if name in service.vehicle.inline:
            _inline(sheet, name, x, (wire_y,))
            continue
        note = "master, 1 kΩ" if name == spec.master else "slave, 30 kΩ"
        box_y = wire_y - 96 if above else wire_y + 40
        near = box_y + 56 if above else box_y
        inside = _Sheet()
        inside.box(x - 46, box_y, 92, 56, "#f4f6f8")
        inside.text(x, box_y + 24, name, size=15, bold=True)
        inside.text(x, box_y + 42, note, size=12, ink=FAINT)
        sheet.part(name, f"{name}, {note} to its supply", inside.marks)
        pin = service.bus_pins(cluster, name)["LIN"]
        sheet.wire(x, near, x, wire_y, ONE_WIRE)
        inside = _Sheet()
        inside.marks.append(f'<circle cx="{x:g}" cy="{near:g}" r="5" fill="#ffffff" stroke="{INK}"/>')
        inside.text(x + 14, near + (13 if above else -5), pin.rpartition(".")[2], size=11, ink=FAINT)
        sheet.part(pin, f"{pin}, LIN", inside.marks)
        sheet.marks.append(f'<circle cx="{x:g}" cy="{wire_y:g}" r="3.5" fill="{INK}"/>')
        sheet.reach(x + 60, box_y + 60)
    return sheet.svg(f"Wiring diagram of LIN cluster {cluster}")


# -- a connector ---------------------------------------------------------------------------------------------


def face(service: ServiceInformation, connector: str) -> str:
    """A connector's face seen from the wire side, cavities to click on, and its pin table beside it."""
    shown = service.face(connector)
    if not shown.pins:
        raise EditProblem(f"no wires run through {connector}")
    sheet = _Sheet()
    columns = max(1, (len(shown.pins) + 1) // 2) if len(shown.pins) > 3 else len(shown.pins)
    cell = 46
    sheet.text(MARGIN, MARGIN + 10, f"{shown.id}  {shown.title}", 15, "start", bold=True)
    sheet.text(
        MARGIN,
        MARGIN + 30,
        f"{shown.location or 'location not given'}; seen from the wire side",
        12,
        "start",
        FAINT,
    )
    top = MARGIN + 48
    rows = (len(shown.pins) + columns - 1) // columns
    sheet.box(MARGIN, top, columns * cell + 12, rows * cell + 12, "#f4f6f8")
    for k, pin in enumerate(shown.pins):
        left, above = MARGIN + 6 + (k % columns) * cell, top + 6 + (k // columns) * cell
        inside = _Sheet()
        inside.box(left + 4, above + 4, cell - 8, cell - 8)
        inside.text(left + cell / 2, above + cell / 2 + 5, pin.cavity, bold=True)
        sheet.part(pin.id, f"{pin.id}: {pin.words}", inside.marks)
    y = float(top + rows * cell + 40)
    widths = (64, 120, 76, 190, 0)
    header = ("cavity", "function", "wire, mm²", "what for", "to")
    table = [
        header,
        *((p.cavity, p.function, f"{p.colour} {p.area_mm2:g}", p.words, ", ".join(p.to)) for p in shown.pins),
    ]
    for line, cells in enumerate(table):
        x = float(MARGIN)
        for words, width in zip(cells, widths, strict=True):
            sheet.text(x, y, words, 12, "start", FAINT if line == 0 else INK)
            x += width
        y += 20
    return sheet.svg(f"Connector {connector}")
