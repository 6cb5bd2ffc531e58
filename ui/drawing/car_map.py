"""The live map: a layout filled with what may be seen of the car, as SVG text.

A module's state is told three times: by a word, by a mark before it, and by pattern and color.
Everything that can be picked has a `data-id`: `module ECM`, `connector X1`.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from itertools import pairwise

from markupsafe import Markup

from sim.svg import Node, node, text_of
from sim.vehicle.car import Car
from sim.vehicle.words import counted
from ui.drawing.layout import Box, BusLine, Layout, Stop
from ui.state.visible import Visible, VisibleModule

# units; on a laptop's page the map is drawn at nine tenths, and 11 px are still read
NAME_PX, BROKEN_PX, LEAST_PX = 15.0, 13.4, 13.0  # the size of a name in one line, in two, and of any text
LINE_STEP, EDGE_W = 1.08, 4.5  # from line to line by the size of the type; beside the words of a box
BESIDE_MARK = 19.5  # where the word of the state begins
LETTER_W = {"I": 0.4, "-": 0.42, "M": 0.98, "W": 1.0}  # bold, per size of the type: a wide font
OTHER_LETTER_W = 0.74
MOST_LINES = 3  # in a box
VOWELS = "AEIOUY"
MAP_WORDS = {"internal failure": "failed"}  # shorter than for the ear
TALL = 400.0  # the part of a tall box that bears its words once
MOST_SCALE = 1.9  # a small car fills its column, and is not higher than a projector

MARKS: dict[str, Callable[[], Node]] = {
    "running": partial(node, "circle", r=4, class_="mark full"),
    "alone": partial(node, "path", d="M-4,4 L0,-4 L4,4 Z", class_="mark full"),
    "starting": partial(node, "circle", r=4, class_="mark"),
    "waiting": partial(node, "path", d="M-4,-4 H4 L-4,4 H4 Z", class_="mark full"),
    "quiet": partial(node, "path", d="M-4,0 H4", class_="mark"),
    "asleep": partial(node, "path", d="M2,-4 A4.2,4.2 0 1 0 2,4 A5,5 0 0 1 2,-4 Z", class_="mark full"),
    "unpowered": partial(node, "path", d="M-3.5,-3.5 L3.5,3.5 M-3.5,3.5 L3.5,-3.5", class_="mark"),
    "dead": partial(node, "path", d="M-4,-4 H4 V4 H-4 Z M-4,-4 L4,4 M-4,4 L4,-4", class_="mark"),
    "boot": partial(node, "path", d="M-4,-4 H4 V4 H-4 Z M-2,0 H2", class_="mark"),
    "shut": partial(node, "path", d="M-4,-4 H4 V4 H-4 Z", class_="mark"),
    "unasked": partial(node, "circle", r=1.6, class_="mark full"),
    "answered": partial(node, "path", d="M-4,0 L-1,3.5 L4,-3.5", class_="mark"),
    "unanswered": partial(node, "path", d="M-3.5,-3.5 L3.5,3.5 M-3.5,3.5 L3.5,-3.5", class_="mark"),
}

LEGEND = (
    ("running", "running"),
    ("alone", "running, cut off from its bus"),
    ("starting", "starting"),
    ("waiting", "starting, waits for another"),
    ("quiet", "no longer sends"),
    ("asleep", "asleep"),
    ("unpowered", "no supply"),
    ("dead", "internal failure"),
    ("boot", "boot mode: software incomplete"),
    ("shut", "shut down by its own software"),
)
FOUND_LEGEND = (
    ("unasked", "not asked by the tester yet"),
    ("answered", "answered the last scan"),
    ("unanswered", "did not answer it"),
)

PILL_WORDS = {
    "inline": "in-line connector",
    "dlc": "diagnostic connector",
    "terminator": "terminating resistor",
}
BUS_HUES = ("blue", "violet", "green", "orange", "gray")


def car_map(car: Car, layout: Layout, visible: Visible, picked: str = "") -> Markup:
    """The map of a car as it may be seen now; `picked` is the `data-id` that is chosen."""
    buses = [_bus(car, line, visible, place, layout.width / 2) for place, line in enumerate(layout.lines)]
    modules = [module_node(box, visible.modules[box.module], picked) for box in layout.boxes]
    pills = [pill for line in layout.lines for pill in _pills(line, visible)]
    root = node(
        "svg", [patterns(), *buses, *modules, *pills, *_leads(layout, visible)], class_="map",
        style=f"max-width: {MOST_SCALE * layout.width:.0f}px; max-height: var(--map-room, none)",
        preserveAspectRatio="xMinYMin meet",
        viewBox=f"0 0 {layout.width:g} {layout.height:g}", role="group",
        aria_label=f"Map of {car.title}: modules on their buses",
    )  # fmt: skip
    return text_of(root)


def legend(only_found: bool = False) -> Markup:
    """What the marks mean, as HTML; `only_found`: on the map of an exercise."""
    cells = [
        _legend_cell(words, node("g", [_rect("face", -12, -8, 24, 16, 3), MARKS[shape]()], class_=shape))
        for shape, words in (FOUND_LEGEND if only_found else LEGEND)
    ]
    return text_of(node("div", cells, class_="legend"))


def _legend_cell(words: str, *shapes: Node) -> Node:
    drawn = node("svg", shapes, class_="map", style="width:26px", viewBox="-13 -9 26 18")
    drawn.tail = words
    return node("span", [drawn])


def patterns() -> Node:
    """What fills the boxes of modules that are off, asleep or waiting, for eyes that see no color."""
    hatch = _pattern("hatch", 9, node("path", d="M0,0 V9", class_="hatch-line"), "rotate(45)")
    weave = _pattern("weave", 8, node("path", d="M0,4 H8", class_="weave-line"))
    dots = _pattern("dots", 7, node("circle", cx=3, cy=3, r=1.3, class_="dot"))
    return node("defs", [hatch, weave, dots])


def _pattern(name: str, size: float, shape: Node, turned: str | None = None) -> Node:
    ground = node("rect", width=size, height=size, class_="ground")
    return node(
        "pattern", [ground, shape], id=name, width=size, height=size, patternUnits="userSpaceOnUse",
        patternTransform=turned,
    )  # fmt: skip


def _rect(kind: str, x: float, y: float, width: float, height: float, rx: float) -> Node:
    return node("rect", x=x, y=y, width=width, height=height, rx=rx, class_=kind)


def _at(x: float, y: float) -> str:
    return f"translate({x:g},{y:g})"


def _bus(car: Car, line: BusLine, visible: Visible, place: int, middle_x: float) -> Node:
    wire = " wire" if line.bus in car.claimed.lin else ""
    corners = " ".join(f"{x:g},{y:g}" for x, y in line.corners)
    shapes = [node("polyline", class_=f"bus{wire}", points=corners), _bus_name(car, line, visible)]
    for stop in line.stops:
        shapes += _stub(car, stop, visible)
        if stop.terminated:
            shapes.append(_terminator(stop, middle_x))
    return node("g", shapes, style=f"--bus: var(--st-{BUS_HUES[place % len(BUS_HUES)]}-color)")


def _bus_name(car: Car, line: BusLine, visible: Visible) -> Node:
    x, y = line.label
    name, rate = _name_and_rate(car, line.bus)
    text = node("text", f"{name} ", x=x, y=y, class_="bus-name")
    text.append(node("tspan", rate, class_="bus-rate"))
    if any(line.bus in _joined(lead) for lead in visible.leads):
        text.append(node("tspan", " · bypass lead"))
    return text


def _name_and_rate(car: Car, bus: str) -> tuple[str, str]:
    cluster = car.claimed.lin.get(bus)
    if cluster is not None:
        return cluster.title or bus, f"LIN {cluster.bitrate_bps / 1000:g} kbit/s, master {cluster.master}"
    spec = car.claimed.buses[bus]
    return spec.title or f"{bus} {'link' if spec.is_ethernet else 'bus'}", spec.rate


def _stub(car: Car, stop: Stop, visible: Visible) -> Iterator[Node]:
    """From the line to a module's box; open where its connector is off, dashed if it is cut off there."""
    if stop.kind not in ("module", "joint"):
        return
    leg = "LIN" if stop.bus in car.claimed.lin else car.claimed.buses[stop.bus].legs[0]
    pin = car.pin_of(stop.name, f"{stop.bus}.{leg}")
    off = pin is not None and pin.connector in visible.connectors_off
    if stop.side == 0:
        if off:
            yield node("path", class_="half", d=f"M{stop.x:g},{stop.y - 9:g} v18")
        return
    near, far = stop.y, stop.y + 12 * stop.side
    cut = " cut" if stop.bus in visible.modules[stop.name].alone_on else ""
    for x in (stop.x - 4, stop.x + 4) if stop.through else (stop.x,):
        if off:
            line_half, box_half = near + 4 * stop.side, far - 3 * stop.side
            yield node("path", class_="half", d=f"M{x - 5:g},{line_half:g} h10 M{x - 5:g},{box_half:g} h10")
        else:
            yield node("path", class_=f"stub{cut}", d=f"M{x:g},{near:g} V{far:g}")


def _terminator(stop: Stop, middle_x: float) -> Node:
    x = stop.x if stop.side else stop.x + (9 if stop.x < middle_x else -9)
    rect = _rect("ohm", x - 7, stop.y - 4, 14, 8, 1.5)
    rect.append(node("title", f"{stop.name} terminates the line with 120 ohm"))
    return rect


def module_node(box: Box, module: VisibleModule, picked: str, place: str = "") -> Node:
    """The box of one module; `place`: where in the car it is, for its label."""
    ident = f"module {module.name}"
    codes = f", {counted(module.code_count, 'code')} stored" if module.code_count else ""
    where = f"; {place}" if place else ""
    label = f"{module.name} {module.title}: {module.word}{codes}{where}".replace("  ", " ")
    shapes = [
        node("title", label),
        _rect("face", box.x, box.y, box.w, box.h, 6),
        *(shape for part in _parts(box) for shape in _module_words(part, module)),
    ]
    return node(
        "g", shapes, class_=f"{module.shape}{' picked' if ident == picked else ''}", data_id=ident,
        tabindex="0", role="button", aria_label=label,
    )  # fmt: skip


ANY_MODULE = re.compile(r"(?<=\w)(-control)?-(module|unit)$", re.IGNORECASE)


def _parts(box: Box) -> list[Box]:
    """A tall box in parts that each bear its words: on a phone a part of it is in sight at a time."""
    count = max(1, round(box.h / TALL))
    high = box.h / count
    return [replace(box, y=box.y + place * high, h=high) for place in range(count)]


def _module_words(box: Box, module: VisibleModule) -> Iterator[Node]:
    """The name in one line or two, and the state with its mark, or how many codes it tells while it runs."""
    room = box.w - 2 * EDGE_W
    names = [_short(part, room) for part in _broken(_told(module.name, room), room)]
    name_px = min(min(_fitting_px(name, room) for name in names), NAME_PX if len(names) == 1 else BROKEN_PX)
    words = _state_words(module, MOST_LINES - len(names))
    y = box.y + (box.h - LINE_STEP * (len(names) * name_px + len(words) * LEAST_PX)) / 2 - 2
    for name in names:
        y += LINE_STEP * name_px
        yield _line(name, box.x + EDGE_W, y, "name", name_px)
    y += LINE_STEP * LEAST_PX
    yield node("g", [MARKS[module.shape]()], transform=_at(box.x + 11, round(y - 4.2, 1)))
    yield _line(words[0], box.x + BESIDE_MARK, y, "word", LEAST_PX)
    for whom in words[1:]:
        yield _line(_short(whom, room), box.x + EDGE_W, y + LINE_STEP * LEAST_PX, "word", LEAST_PX)


def _line(text: str, x: float, y: float, kind: str, size_px: float) -> Node:
    return node("text", text, x=x, y=round(y, 1), class_=kind, font_size=f"{size_px:.1f}px")


def _fitting_px(text: str, room: float) -> float:
    """The size of bold capital letters at which a text is as wide as the room for it."""
    return room / sum(LETTER_W.get(letter, OTHER_LETTER_W) for letter in text)


def _state_words(module: VisibleModule, room: int) -> list[str]:
    """The state in one word, beside its mark; what it waits for below it, where there is room for that line.

    Of a module that runs or answers the mark and the color tell so, and the word how many codes it holds.
    """
    if module.shape == "waiting":
        return ["waits for", ", ".join(module.waiting_for)] if room > 1 else ["waits"]
    if module.code_count and module.shape in ("running", "answered"):
        return [counted(module.code_count, "code")]
    return [MAP_WORDS.get(module.word, module.word)]


def _broken(name: str, room: float) -> list[str]:
    """A name that is too long for a line in two, broken at the hyphen nearest to its middle if it has one."""
    breaks = [place + 1 for place, letter in enumerate(name[:-1]) if letter == "-" and place]
    if _fitting_px(name, room) >= (BROKEN_PX if breaks else LEAST_PX):
        return [name]
    middle = min(breaks or _syllables(name), key=lambda place: abs(2 * place - len(name)))
    return [name[:middle] + ("" if breaks else "-"), name[middle:]]


def _syllables(name: str) -> list[int]:
    """Where syllables begin, about: at a consonant before a vowel; the middle if there is no such place."""
    inside = range(2, len(name) - 2)
    found = [at for at in inside if name[at] not in VOWELS and name[at + 1] in VOWELS]
    return found or [len(name) // 2]


def _told(name: str, room: float) -> str:
    """A long name without the words that every module may bear: 'Engine' for 'Engine-control-module'."""
    return ANY_MODULE.sub("", name) if _fitting_px(name, room) < LEAST_PX else name


def _short(text: str, room: float) -> str:
    """A text without the letters that the room is too narrow for."""
    while _fitting_px(text, room) < LEAST_PX:
        text = f"{text.removesuffix('…')[:-1]}…"
    return text


def _pills(line: BusLine, visible: Visible) -> Iterator[Node]:
    times = Counter(stop.name for stop in line.stops)
    seen: Counter[str] = Counter()
    for stop in line.stops:
        if stop.kind in PILL_WORDS:
            seen[stop.name] += 1
            of = f", place {seen[stop.name]} of {times[stop.name]}" if times[stop.name] > 1 else ""
            yield _pill(stop, f"{line.bus} bus{of}", stop.name in visible.connectors_off)


def _pill(stop: Stop, where: str, off: bool) -> Node:
    """An in-line connector, a terminating resistor; where: which bus, and which time on it, for the label."""
    label = f"{PILL_WORDS[stop.kind]} {stop.name}, {where}{', unplugged' if off else ''}"
    fixed = stop.kind == "terminator"
    shapes = [node("title", label), _rect("pill", -14.5, -9, 29, 18, 1.5 if fixed else 8.5)]
    if off:
        shapes.append(node("path", class_="half", d="M-3,-9 v18 M3,-9 v18"))
    shapes.append(node("text", stop.name[:5], y=4.4, class_="pill-word"))
    picked = {} if fixed else {"data_id": f"connector {stop.name}", "tabindex": "0", "role": "button"}
    return node(
        "g", shapes, class_="off" if off else None, aria_label=label, transform=_at(stop.x, stop.y), **picked
    )


def _leads(layout: Layout, visible: Visible) -> Iterator[Node]:
    """A bypass lead joins the lines beside the box of the gateway that it replaces."""
    for lead in visible.leads:
        stops = [stop for line in layout.lines if line.bus in _joined(lead) for stop in line.stops]
        spots = [(stop.x, stop.y) for stop in stops if stop.name == lead.split()[1]]
        spots.sort(key=lambda spot: spot[1])
        for (x, y), (next_x, next_y) in pairwise(spots):
            bend = 26 if x < layout.width / 2 else -26
            curve = f"C{x + bend:g},{y:g} {next_x + bend:g},{next_y:g} {next_x + bend / 4:g},{next_y:g}"
            yield node("path", [node("title", lead)], class_="lead", d=f"M{x + bend / 4:g},{y:g} {curve}")


def _joined(lead: str) -> list[str]:
    """The buses that a bypass lead joins; none of another lead."""
    verb, _, *buses = lead.replace(" to ", " ").replace(" and ", " ").split()
    return buses if verb == "bypass" else []


def module_box(box: Box, module: VisibleModule, picked: str = "") -> Markup:
    """The box of one module as SVG text, to be put in the place of another drawing of it."""
    return text_of(module_node(box, module, picked))
