"""What the driver has in front: the cluster with its lamps, and key lock or start button and brake.

A lit lamp is a filled tile with bold letters, one that is off an outline: the color only repeats it. A
control that can be used has the action that it does as its `data-id`.

Not modeled: gauges (nothing in the car says how they read), flashing lamps, sounds.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from markupsafe import Markup

from sim.instruments.seat import Seat
from sim.markup import macros
from sim.modules.facts import engine_words
from sim.svg import Node, node, text_of
from ui.drawing.telltales import symbol, words_of

_html = macros(Path(__file__).with_name("dash.html"))

KEY_AT = {"off": -66.0, "accessory": -24.0, "run": 18.0, "crank": 60.0}  # degrees from straight up
ACTIONS = frozenset((*(f"key {name}" for name in KEY_AT), "press start", "brake on", "brake off"))
LOCK_X, LOCK_Y, LOCK_R = 128.0, 84.0, 34.0


@dataclass(frozen=True, slots=True)
class Controls:
    """What there is to operate: what kinds of switches the car has, which of them are on, and the light.

    `light`: of the start button, by the seat's reading. `to_use`: whether a click operates them.
    """

    fitted: frozenset[str]
    on: frozenset[str]
    light: str
    to_use: bool = True

    @property
    def key_at(self) -> str:
        """Where the key is now. It springs back from crank by itself."""
        return next((name for name in ("crank", "run", "accessory") if f"key_{name}" in self.on), "off")


def cluster(seat: Seat) -> Markup:
    """The instrument cluster as it looks now."""
    lamps = [(words_of(lamp), lamp, text_of(symbol(lamp))) for lamp in seat.lamps]
    return _html("cluster", seat, engine_words(seat.engine), lamps)


def controls(has: Controls) -> Markup:
    """Key lock or start button, and brake pedal, where they are now; nothing for a car without any."""
    shapes: list[Node] = []
    if "key_run" in has.fitted:
        shapes += _lock(has)
    elif "button" in has.fitted:
        shapes.append(_start(has))
    if "brake" in has.fitted:
        shapes.append(_pedal(has))
    if not shapes:
        return Markup()
    drawing = node(
        "svg",
        shapes,
        class_="controls",
        viewBox="0 0 360 142",
        role="group",
        aria_label="key, start and brake",
    )
    return text_of(drawing)


def _control(has: Controls, action: str, label: str, on: bool, shapes: list[Node]) -> Node:
    title = node("title", label)
    if not has.to_use:
        return node("g", [title, *shapes], class_="on" if on else None)
    return node(
        "g", [title, *shapes], data_id=action, tabindex="0", role="button", aria_label=label,
        aria_pressed=str(on).lower(), class_="on" if on else None,
    )  # fmt: skip


def _lock(has: Controls) -> Iterator[Node]:
    """A lock with its four places around it, and the key turned to where it is."""
    yield node("circle", cx=LOCK_X, cy=LOCK_Y, r=LOCK_R + 7, class_="bezel")
    for name, degrees in KEY_AT.items():
        yield _place(has, name, degrees)
    key = [
        node("path", d="M-4,-31 L0,-37 L4,-31 Z", class_="dot"),
        node("rect", x=-9, y=-27, width=18, height=54, rx=8, class_="bow"),
        node("path", d="M0,-20 V20", class_="edge"),
    ]
    turned = f"translate({LOCK_X:g},{LOCK_Y:g}) rotate({KEY_AT[has.key_at]:g})"
    yield node("g", key, class_="key", transform=turned)


def _place(has: Controls, name: str, degrees: float) -> Node:
    x = LOCK_X + (LOCK_R + 22) * math.sin(math.radians(degrees))
    y = LOCK_Y - (LOCK_R + 22) * math.cos(math.radians(degrees))
    width = 30 + 6.4 * len(name)
    left = {"off": x - width + 16, "accessory": x - width + 24, "run": x - 12, "crank": x - 14}[name]
    on = name == has.key_at
    more = ", now here" if on else "; it springs back to run" if name == "crank" else ""
    shapes = [
        node("rect", x=left, y=y - 13, width=width, height=26, rx=5, class_="place"),
        node("text", name, x=left + width / 2, y=y + 4.5),
    ]
    return _control(has, f"key {name}", f"turn the key to {name}{more}", on, shapes)


def _start(has: Controls) -> Node:
    """A start button; the light around it is what the power-mode master shows."""
    lit = has.light in ("accessory", "run", "crank")
    shapes = [
        node("circle", cx=LOCK_X, cy=60, r=46, class_="bezel"),
        node("circle", cx=LOCK_X, cy=60, r=40, class_=f"ring{f' lit {has.light}' if lit else ''}"),
        node("circle", cx=LOCK_X, cy=60, r=31, class_="cap"),
        node("text", "START", x=LOCK_X, y=65, class_="big"),
        node("text", f"light: {has.light}", x=LOCK_X, y=126),
    ]
    return _control(has, "press start", f"press start; its light: {has.light}", False, shapes)


def _pedal(has: Controls) -> Node:
    """The brake pedal, lower while it is held."""
    held = "brake" in has.on
    down = 10 if held else 0
    shapes = [
        node("path", d=f"M290,8 V{46 + down}", class_="arm"),
        node("rect", x=262, y=44 + down, width=56, height=44, rx=7, class_="pad"),
        *(node("path", d=f"M271,{y + down} H309", class_="rib") for y in (55, 66, 77)),
        node("text", "brake held" if held else "brake", x=290, y=126),
    ]
    label = "let the brake go" if held else "hold the brake"
    return _control(has, "brake off" if held else "brake on", label, held, shapes)
