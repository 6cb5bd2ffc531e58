"""The warning lamps of a cluster as small line drawings, chosen by what a lamp is called.

What each lamp means follows ISO 2575 and UN Regulation No. 121; the shapes are our own, not the registered
artwork. A lamp that is called something else is a triangle with an exclamation mark beside its name.
"""

from __future__ import annotations

import re

from sim.instruments.seat import Lamp
from sim.svg import Node, node


def _ring(x: float, y: float, radius: float) -> str:
    arc = f"a{radius:g},{radius:g} 0 1 0"
    return f"M{x - radius:g},{y:g} {arc} {2 * radius:g},0 {arc} {-2 * radius:g},0"


DISC = f"{_ring(12, 12, 6.6)} M4.3,5 A10,10 0 0 0 4.3,19 M19.7,5 A10,10 0 0 1 19.7,19"
TEETH = "M12,3 V6 M12,18 V21 M3,12 H6 M18,12 H21 M5.6,5.6 L7.8,7.8 M16.2,16.2 L18.4,18.4 M18.4,5.6 L16.2,7.8 \
M7.8,16.2 L5.6,18.4"

# path in a square of 24, and letters in its middle: what is in the lamp, how high, how large
SHAPES: dict[str, tuple[str, tuple[str, float, float] | None]] = {
    "engine": (
        "M3,10 V17 M3,13.5 H6 M6,9.5 H9 L11,7.5 H16 V10 H18 V12.5 H21 V18 H18 L16,20 H9 L6,17.5 Z "
        "M10.5,4.5 H16 M13.3,4.5 V7.5",
        None,
    ),
    "battery": (
        "M3,8 H21 V19 H3 Z M5.5,8 V5 H9 V8 M15,8 V5 H18.5 V8 M6,13.5 H10 M14,13.5 H18 M16,11.5 V15.5",
        None,
    ),
    "abs": (DISC, ("ABS", 14.1, 6)),
    "park brake": (DISC, ("P", 15.6, 10)),
    "brake": (DISC, ("!", 15.8, 11)),
    "airbag": (f"{_ring(8, 5.5, 2)} {_ring(16, 10, 4)} M7.5,9.5 L6,17.5 H13 L17,21.5 M9,12 L12,11", None),
    "stability": (
        "M6,10.5 L8,4 H16 L18,10.5 V14 H6 Z M6,10.5 H18 M8,14 v2 M16,14 v2 "
        "M7,17.5 q3.5,2 0,4.5 M16,17.5 q3.5,2 0,4.5",
        None,
    ),
    "security": ("M5.5,11 H18.5 V20.5 H5.5 Z M8,11 V8 a4,4 0 0 1 8,0 V11 M12,14.5 V17.5", None),
    "steering": (
        f"{_ring(12, 12, 9)} {_ring(12, 12, 2.4)} M3.3,10.5 H9.8 M14.2,10.5 H20.7 M12,14.4 V21",
        None,
    ),
    "transmission": (f"{_ring(12, 12, 6)} {TEETH}", ("!", 15.4, 9)),
    "tires": (
        "M7,4 C3.5,10 5,15 7.5,18 H16.5 C19,15 20.5,10 17,4 M7.5,18 v3 M10.5,18 v3 M13.5,18 v3 M16.5,18 v3",
        ("!", 14.5, 10),
    ),
    "distance": (
        "M2.5,17 V12.5 L4.5,8.5 H9.5 L11.5,12.5 V17 Z M2.5,12.5 H11.5 M15,9 V17 M18,7 V19 M21,5 V21",
        None,
    ),
    "door": ("M7.5,5.5 q4.5,-3.5 9,0 V19.5 q-4.5,2.5 -9,0 Z M7.5,10 L2,14.5 M16.5,10 L22,14.5", None),
    "trailer": (f"M2.5,7 H16 V16 H2.5 Z M16,14.5 H22 M22,12 v2.5 {_ring(9, 18, 2.2)}", None),
    "body": (
        f"M2,17 V6 H14 V17 Z M14,10 H18 L21.5,13.5 V17 H14 {_ring(6, 18.5, 2)} {_ring(17.5, 18.5, 2)}",
        None,
    ),
    "oil": ("M3,11.5 H13 L20,8.5 M3,11.5 V18 H13 L17.5,10 M6,11.5 V8.5 H10 V11.5 M21,13 v2.5", None),
    "temperature": ("M10,4 h4 v9.4 a4.4,4.4 0 1 1 -4,0 Z M12,9 V16 M16.5,6 h4 M16.5,10 h4", None),
    # ISO 2575 in words: a car for ready, a lightning flash in a car for high voltage; ours are plainer
    "ready": ("M2.5,15 L5,9.5 H19 L21.5,15 V18.5 H2.5 Z M8.5,13.5 l2.5,2.5 4.5,-4.5", None),
    "voltage": ("M13,2.5 L6,13 H11 L9.5,21.5 L18,10 H12.5 Z", None),
    "insulation": (f"{_ring(12, 12, 9)} M13,5.5 L8.5,12.5 H12 L11,18.5 L15.5,11 H12.2 Z", None),
    "cable": ("M7,4 V9 M12,4 V9 M4.5,9 H14.5 V12 a5,5 0 0 1 -10,0 Z M9.5,17 V20.5 H20 V14", None),
    "other": ("M12,3.5 L22,20.5 H2 Z", ("!", 18.2, 11)),
}

CALLED = {
    "mil": "engine", "check": "engine", "charging": "battery", "charge": "battery", "generator": "battery",
    "park": "park brake", "parking": "park brake", "restraint": "airbag", "srs": "airbag",
    "traction": "stability", "immobilizer": "security", "theft": "security", "gearbox": "transmission",
    "gear": "transmission", "tire": "tires", "collision": "distance", "doors": "door", "upfit": "body",
    "coolant": "temperature",
}  # fmt: skip


def words_of(lamp: Lamp) -> str:
    """What is written below a lamp."""
    return lamp.title.replace("_", " ")


def meaning_of(lamp: Lamp) -> str:
    """Which of `SHAPES` a lamp has, by the words of its name and title."""
    words = [CALLED.get(word, word) for word in re.findall(r"[a-z]+", f"{lamp.name} {lamp.title}".lower())]
    return next((word for word in words if word in SHAPES), "other")


def symbol(lamp: Lamp) -> Node:
    """The drawing of a lamp, in the color of the text around it."""
    path, letters = SHAPES[meaning_of(lamp)]
    shapes = [node("path", d=path)]
    if letters:
        word, y, size = letters
        shapes.append(node("text", word, x=12, y=y, font_size=size))
    return node("svg", shapes, class_="symbol", viewBox="0 0 24 24", aria_hidden="true")
