"""The live map: a layout filled with what may be seen of the car, as SVG text.

A module's state is told three times: by a word, by a mark in its corner, and by pattern and colour.
Everything that can be picked has a `data-id`: `module ECM`, `connector X1`.
"""

from __future__ import annotations

from collections.abc import Iterator
from html import escape
from itertools import pairwise

from sim.vehicle.car import Car
from ui.drawing.layout import Box, Layout, Line, Stop
from ui.state.seen import ModuleSeen, Seen

LONGEST_NAME = 9
MOST_SCALE = 1.4  # a small car need not fill a projector

MARKS = {
    "running": '<circle r="4" class="mark full"/>',
    "alone": '<path d="M-4,4 L0,-4 L4,4 Z" class="mark full"/>',
    "starting": '<circle r="4" class="mark"/>',
    "waiting": '<path d="M-4,-4 H4 L-4,4 H4 Z" class="mark full"/>',
    "quiet": '<path d="M-4,0 H4" class="mark"/>',
    "asleep": '<path d="M2,-4 A4.2,4.2 0 1 0 2,4 A5,5 0 0 1 2,-4 Z" class="mark full"/>',
    "unpowered": '<path d="M-3.5,-3.5 L3.5,3.5 M-3.5,3.5 L3.5,-3.5" class="mark"/>',
    "unasked": '<circle r="1.6" class="mark full"/>',
    "answered": '<path d="M-4,0 L-1,3.5 L4,-3.5" class="mark"/>',
    "unanswered": '<path d="M-3.5,-3.5 L3.5,3.5 M-3.5,3.5 L3.5,-3.5" class="mark"/>',
}

LEGEND = (
    ("running", "running"),
    ("alone", "running, cut off from its bus"),
    ("starting", "starting"),
    ("waiting", "starting, waits for another"),
    ("quiet", "no longer sends"),
    ("asleep", "asleep"),
    ("unpowered", "no supply"),
)
FOUND_LEGEND = (
    ("unasked", "not asked by the tester yet"),
    ("answered", "answered the last scan"),
    ("unanswered", "did not answer it"),
)

PATTERNS = """<defs>
<pattern id="hatch" width="9" height="9" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">
<rect width="9" height="9" class="ground"/><path d="M0,0 V9" class="hatch-line"/></pattern>
<pattern id="weave" width="8" height="8" patternUnits="userSpaceOnUse">
<rect width="8" height="8" class="ground"/><path d="M0,4 H8" class="weave-line"/></pattern>
<pattern id="dots" width="7" height="7" patternUnits="userSpaceOnUse">
<rect width="7" height="7" class="ground"/><circle cx="3" cy="3" r="1.3" class="dot"/></pattern></defs>"""

BUS_HUES = (
    "--st-blue-color",
    "--st-violet-color",
    "--st-green-color",
    "--st-orange-color",
    "--st-gray-color",
)


def car_map(car: Car, layout: Layout, seen: Seen, picked: str = "") -> str:
    """The map of a car as it may be seen now; `picked` is the `data-id` that is chosen."""
    parts = [
        f'<svg class="map" style="max-width: {MOST_SCALE * layout.width:.0f}px" '
        f'viewBox="0 0 {layout.width:g} {layout.height:g}" role="group" '
        f'aria-label="Map of {escape(car.title)}: modules on their buses">',
        PATTERNS,
        *(
            part
            for place, line in enumerate(layout.lines)
            for part in _bus(car, line, seen, place, layout.width / 2)
        ),
        *(_module(box, seen.modules[box.module], picked) for box in layout.boxes),
        *(part for line in layout.lines for part in _pills(line, seen)),
        *_leads(layout, seen),
        "</svg>",
    ]
    return "".join(parts)


def legend(only_found: bool = False) -> str:
    """What the marks mean, as HTML; `only_found`: on the map of an exercise."""
    cells = "".join(
        f'<span><svg class="map" style="width:26px" viewBox="-13 -9 26 18"><g class="{shape}">'
        f'<rect x="-12" y="-8" width="24" height="16" rx="3" class="face"/>{MARKS[shape]}</g></svg>'
        f"{words}</span>"
        for shape, words in (FOUND_LEGEND if only_found else LEGEND)
    )
    read = "read" if only_found else "stored"
    badge = (
        '<span><svg class="map" style="width:26px" viewBox="-13 -9 26 18"><circle r="8" class="badge"/>'
        f'<text y="3.5" class="badge-word">2</text></svg>trouble codes {read}</span>'
    )
    return f'<div class="legend">{cells}{badge}</div>'


def _bus(car: Car, line: Line, seen: Seen, place: int, middle_x: float) -> Iterator[str]:
    yield f'<g style="--bus: var({BUS_HUES[place % len(BUS_HUES)]})">'
    corners = " ".join(f"{x:g},{y:g}" for x, y in line.corners)
    yield f'<polyline class="bus{" wire" if line.bus in car.claimed.lin else ""}" points="{corners}"/>'
    x, y = line.label
    name, rate = _name_and_rate(car, line.bus)
    yield (
        f'<text x="{x:g}" y="{y:g}" class="bus-name">{escape(name)} '
        f'<tspan class="bus-rate">{rate}</tspan></text>'
    )
    for stop in line.stops:
        yield from _stub(car, stop, seen)
        if stop.terminated:
            yield _terminator(stop, middle_x)
    yield "</g>"


def _name_and_rate(car: Car, bus: str) -> tuple[str, str]:
    cluster = car.claimed.lin.get(bus)
    if cluster is not None:
        rate = f"LIN {cluster.bitrate_bps / 1000:g} kbit/s, master {escape(cluster.master)}"
        return cluster.title or bus, rate
    spec = car.claimed.buses[bus]
    fast = f", FD {spec.fd.data_bitrate_bps // 1000} kbit/s" if spec.fd else ""
    return spec.title or f"{bus} bus", f"{spec.bitrate_bps // 1000} kbit/s{fast}"


def _stub(car: Car, stop: Stop, seen: Seen) -> Iterator[str]:
    """From the line to a module's box; open where its connector is off, dashed where nobody is in touch."""
    if stop.kind not in ("module", "joint"):
        return
    pin = car.pin_of(stop.name, f"{stop.bus}.{'LIN' if stop.bus in car.claimed.lin else 'H'}")
    off = pin is not None and pin.connector in seen.connectors_off
    module = seen.modules[stop.name]
    if stop.side == 0:
        if off:
            yield f'<path class="half" d="M{stop.x:g},{stop.y - 9:g} v18"/>'
        return
    near, far = stop.y, stop.y + 12 * stop.side
    spots = (stop.x - 4, stop.x + 4) if stop.through else (stop.x,)
    for x in spots:
        if off:
            line_half, box_half = near + 4 * stop.side, far - 3 * stop.side
            yield f'<path class="half" d="M{x - 5:g},{line_half:g} h10 M{x - 5:g},{box_half:g} h10"/>'
        else:
            cut = " cut" if stop.bus in module.alone_on else ""
            yield f'<path class="stub{cut}" d="M{x:g},{near:g} V{far:g}"/>'


def _terminator(stop: Stop, middle_x: float) -> str:
    x = stop.x if stop.side else stop.x + (9 if stop.x < middle_x else -9)
    words = f"<title>{escape(stop.name)} ends the line with 120 ohm</title>"
    return f'<rect class="ohm" x="{x - 7:g}" y="{stop.y - 4:g}" width="14" height="8" rx="1.5">{words}</rect>'


def _module(box: Box, module: ModuleSeen, picked: str) -> str:
    name = module.name if len(module.name) <= LONGEST_NAME else f"{module.name[: LONGEST_NAME - 1]}…"
    middle_x, middle_y = box.x + box.w / 2, box.y + box.h / 2
    word = module.word if len(module.word) <= 14 else f"{module.word[:13]}…"
    size = "" if len(name) <= 6 else f' style="font-size:{14 * 6.5 / len(name):.1f}px"'
    badge = ""
    if module.code_count:
        badge = (
            f'<g transform="translate({box.x + box.w - 6:g},{box.y + 5:g})"><circle r="8.5" class="badge"/>'
            f'<text y="3.6" class="badge-word">{module.code_count}</text></g>'
        )
    ident = f"module {module.name}"
    chosen = " picked" if ident == picked else ""
    codes = f", {module.code_count} codes stored" if module.code_count else ""
    label = f"{module.name} {module.title}: {module.word}{codes}".replace("  ", " ")
    return (
        f'<g class="{module.shape}{chosen}" data-id="{escape(ident)}" tabindex="0" role="button" '
        f'aria-label="{escape(label)}"><title>{escape(label)}</title>'
        f'<rect class="face" x="{box.x:g}" y="{box.y:g}" width="{box.w:g}" height="{box.h:g}" rx="6"/>'
        f'<g transform="translate({box.x + 9:g},{box.y + 9:g})">{MARKS[module.shape]}</g>'
        f'<g transform="translate({middle_x:g},{middle_y:g})" text-anchor="middle">'
        f'<text y="1" class="name"{size}>{escape(name)}</text><text y="14" class="word">'
        f"{escape(word)}</text></g>{badge}</g>"
    )


def _pills(line: Line, seen: Seen) -> Iterator[str]:
    for stop in line.stops:
        if stop.kind in ("module", "joint"):
            continue
        off = stop.name in seen.connectors_off
        words = {
            "inline": "in-line connector",
            "dlc": "diagnostic connector",
            "terminator": "terminating resistor",
        }
        label = f"{words[stop.kind]} {stop.name}{', unplugged' if off else ''}"
        ident = (
            ""
            if stop.kind == "terminator"
            else f' data-id="{escape(f"connector {stop.name}")}" tabindex="0" role="button"'
        )
        gap = '<path class="half" d="M-3,-8 v16 M3,-8 v16"/>' if off else ""
        shape = "1.5" if stop.kind == "terminator" else "7.5"
        yield (
            f'<g class="{"off" if off else ""}"{ident} aria-label="{escape(label)}" '
            f'transform="translate({stop.x:g},{stop.y:g})"><title>{escape(label)}</title>'
            f'<rect class="pill" x="-13.5" y="-8" width="27" height="16" rx="{shape}"/>'
            f'{gap}<text y="3.6" class="pill-word">{escape(stop.name[:5])}</text></g>'
        )


def _leads(layout: Layout, seen: Seen) -> Iterator[str]:
    """A bypass lead joins the lines beside the box of the gateway that it stands in for."""
    for lead in seen.leads:
        words = lead.replace(" to ", " ").replace(" and ", " ").split()
        if words[0] != "bypass":
            continue
        spots = [
            (stop.x, stop.y)
            for line in layout.lines
            for stop in line.stops
            if stop.name == words[1] and line.bus in words[2:]
        ]
        spots.sort(key=lambda spot: spot[1])
        for (x, y), (next_x, next_y) in pairwise(spots):
            bend = 26 if x < layout.width / 2 else -26
            yield (
                f'<path class="lead" d="M{x + bend / 4:g},{y:g} '
                f'C{x + bend:g},{y:g} {next_x + bend:g},{next_y:g} {next_x + bend / 4:g},{next_y:g}">'
                f"<title>{escape(lead)}</title></path>"
            )
        if spots:
            x, y = spots[0]
            yield f'<text class="lead-word" x="{x + 30:g}" y="{y + 22:g}">bypass lead</text>'
