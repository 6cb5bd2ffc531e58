"""A hand-held meter as a picture: its dial with the function chosen, its leads on the points chosen.

The case is of no maker: digits and words are HTML, dial and leads are drawings around them. A place of the
dial can be picked; what is picked is "dial" and the function.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence

from markupsafe import Markup

from sim.svg import Node, node, text_of

# functions in the order around the dial: what is printed there, what it is called
DIAL = {
    "volts": ("V", "volts"),
    "minimum": ("MIN", "lowest volts"),
    "maximum": ("MAX", "highest volts"),
    "frequency": ("Hz", "frequency"),
    "duty": ("%", "duty cycle"),
    "ohms": ("Ω", "ohms"),
    "continuity": ("", "continuity"),
    "amps": ("A", "amps in series"),
    "clamp": ("A", "amps by clamp"),
}
FIRST_DEGREES, STEP_DEGREES = -135.0, 33.75
DIAL_X, DIAL_Y, KNOB_R, PLACES_R, PLACE_R = 78.0, 74.0, 26.0, 57.0, 15.0
SOUND = "M-8,-3 v6 h4 l5,4 v-14 l-5,4 Z M4,-4 a6,6 0 0 1 0,8 M7,-7 a10,10 0 0 1 0,14"  # a loudspeaker
JAW = "M-4,9 C-14,-2 -9,-11 0,-11 C9,-11 14,-2 4,9"  # of a clamp
WIDTH, JACK_Y, TIP_Y = 360.0, 12.0, 80.0
JACKS = {"10 A": 110.0, "V Ω": 155.0, "COM": 205.0}
RED_X, BLACK_X, MIDDLE_X = 90.0, 270.0, 180.0


def dial(chosen: str, to_turn: Collection[str]) -> Markup:
    """The dial, its knob at the chosen function; those of `to_turn` can be picked."""
    turned = f"translate({DIAL_X:g},{DIAL_Y:g}) rotate({_degrees(chosen):g})"
    knob = [
        node("circle", r=KNOB_R, class_="knob"),
        node("path", d="M-6,21 V-17 L0,-23 L6,-17 V21 Z", class_="grip"),
        node("path", d="M0,-17 V-9", class_="pointer"),
    ]
    shapes = [*(_place(kind, kind == chosen, kind in to_turn) for kind in DIAL)]
    shapes.append(node("g", knob, transform=turned, class_="turned"))
    return text_of(
        node("svg", shapes, class_="dial", viewBox="0 0 156 131", role="group", aria_label="the meter's dial")
    )


def _degrees(kind: str) -> float:
    return FIRST_DEGREES + STEP_DEGREES * list(DIAL).index(kind)


def _place(kind: str, on: bool, can_turn: bool) -> Node:
    angle = math.radians(_degrees(kind))
    x, y = DIAL_X + PLACES_R * math.sin(angle), DIAL_Y - PLACES_R * math.cos(angle)
    printed, words = DIAL[kind]
    shapes = [node("circle", r=PLACE_R, class_="place"), *_printed(kind, printed)]
    at = f"translate({x:.1f},{y:.1f})"
    if not can_turn:
        return node("g", shapes, transform=at, class_="none")
    return node(
        "g", shapes, transform=at, class_="on" if on else None, data_id=f"dial {kind}", tabindex="0",
        role="button", aria_label=f"turn the dial to {words}", aria_pressed=str(on).lower(),
    )  # fmt: skip


def _printed(kind: str, printed: str) -> Iterator[Node]:
    if kind == "continuity":
        yield node("path", d=SOUND, class_="printed")
    elif kind == "clamp":
        yield node("path", d=JAW, class_="printed")
        yield node("text", printed, y=5, class_="small")
    else:
        yield node("text", printed, y=5, class_="small" if len(printed) > 1 else None)


def leads(kind: str) -> Markup:
    """The leads from the meter's jacks to the two points below, into one loop, or the clamp around a wire."""
    used = {"amps": ("10 A", "COM"), "clamp": ()}.get(kind, ("V Ω", "COM"))
    shapes = [part for name in JACKS for part in _jack(name, name in used)]
    if not used:
        shapes += _clamp()
    else:
        ends = (MIDDLE_X - 16, MIDDLE_X + 16) if kind == "amps" else (RED_X, BLACK_X)
        for color, name, x in zip(("red", "black"), used, ends, strict=True):
            shapes += _lead(color, JACKS[name], JACK_Y, x)
    return _strip(shapes)


def lamp_leads() -> Markup:
    """A test lamp between its two points."""
    bulb = [
        node("circle", cx=MIDDLE_X, cy=26, r=17, class_="glass"),
        node("path", d=f"M{MIDDLE_X - 7:g},31 l4,-11 l3,9 l3,-9 l4,11", class_="filament"),
    ]
    return _strip([
        *_lead("red", MIDDLE_X - 17, 26, RED_X), *_lead("black", MIDDLE_X + 17, 26, BLACK_X), *bulb,
    ])  # fmt: skip


def _strip(shapes: Sequence[Node]) -> Markup:
    drawing = node("svg", shapes, class_="wires", viewBox=f"0 0 {WIDTH:g} {TIP_Y + 2:g}", aria_hidden="true")
    return text_of(drawing)


def _jack(name: str, used: bool) -> Iterator[Node]:
    color = "black" if name == "COM" else "red"
    yield node("circle", cx=JACKS[name], cy=JACK_Y, r=8, class_=f"jack {color}")
    yield node("circle", cx=JACKS[name], cy=JACK_Y, r=4.5 if used else 3, class_="plug" if used else "hole")
    side = {"10 A": (-13, "end"), "V Ω": (13, "start"), "COM": (13, "start")}[name]
    yield node("text", name, x=JACKS[name] + side[0], y=JACK_Y + 4, text_anchor=side[1])


def _lead(color: str, from_x: float, from_y: float, to_x: float) -> Iterator[Node]:
    """A lead from a jack, and the probe at its end."""
    probe_y = TIP_Y - 30
    bent = (from_y + probe_y) / 2 + 8
    path = f"M{from_x:g},{from_y:g} C{from_x:g},{bent:g} {to_x:g},{from_y + 4:g} {to_x:g},{probe_y:g}"
    yield node("path", d=path, class_="lead edge")
    yield node("path", d=path, class_=f"lead {color}")
    yield node("path", d=f"M{to_x:g},{TIP_Y - 10:g} V{TIP_Y:g}", class_="tip")
    yield node("rect", x=to_x - 5, y=probe_y, width=10, height=21, rx=3, class_=f"probe {color}")


def _clamp() -> Iterator[Node]:
    yield node("path", d=f"M{MIDDLE_X - 60:g},64 H{MIDDLE_X + 60:g}", class_="lead edge")
    yield node("path", d=f"M{MIDDLE_X - 60:g},64 H{MIDDLE_X + 60:g}", class_="lead wire")
    jaw = f"M{MIDDLE_X - 6:g},38 C{MIDDLE_X - 44:g},80 {MIDDLE_X + 44:g},80 {MIDDLE_X + 6:g},38"
    yield node("path", d=jaw, class_="jaw")
    yield node("path", d=f"M{MIDDLE_X:g},{JACK_Y + 10:g} V38", class_="grip")
