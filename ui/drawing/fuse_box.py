"""A fuse box as a picture: each fuse and relay in file order, with name and listed rating.

The picture is what the wiring diagram claims and what was found, and nothing else. The order within a box is
that of the car's file: it says in which box a fuse is, not in which row.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from markupsafe import Markup

from sim.markup import macros
from sim.svg import Node, node, text_of
from sim.vehicle.car import Car
from sim.vehicle.description_wiring import Fuse, Relay
from sim.vehicle.fuse_numbers import printed
from ui.state.visible import Visible

_html = macros(Path(__file__).with_name("fuse_box.html"))

# Colors of blade fuses by rating in A, and of the digits on them: SAE J1284 and ISO 8820-3, as technicians'
# tables quote them. Above 40 A a fuse is a bolted strip or a cartridge, in colors of other tables: gray here.
BLADES = {
    1: ("black", "#2b2b2b", "#fff"),
    2: ("gray", "#9aa0a4", "#111"),
    3: ("violet", "#77499f", "#fff"),
    4: ("pink", "#f0a4b9", "#111"),
    5: ("tan", "#dabd91", "#111"),
    7.5: ("brown", "#7a4b29", "#fff"),
    10: ("red", "#c22d2d", "#fff"),
    15: ("blue", "#2360ad", "#fff"),
    20: ("yellow", "#f2cf3b", "#111"),
    25: ("clear", "#f6f6f1", "#111"),
    30: ("green", "#2c7a40", "#fff"),
    40: ("orange", "#ee8b22", "#111"),
}
OTHER = ("", "#c6cdd0", "#111")
COIL_AND_CONTACT = "M11,26 h6 v7 h-6 Z M14,22 v4 M14,33 v3 M29,9 V16 L24,27 M29,28 V35"
STATES = {
    "in": ("", "in its place"),
    "out": ("out", "out of its holder, or blown"),
    "checked": ("✓", "checked: in its place"),
    "unknown": ("", "not checked yet"),
}
State = Literal["in", "out", "checked", "unknown"]


@dataclass(frozen=True, slots=True)
class FuseCell:
    """One place of a box as it is shown: its `data-id`, words, drawing."""

    ident: str
    name: str
    label: str
    title: str
    state: State
    mark: str
    picked: bool
    drawing: Markup


def boxes_of(car: Car) -> dict[str, tuple[str, ...]]:
    """Fuses and relays by the box they are in, in the order of the file, as the diagram shows them."""
    found: dict[str, list[str]] = {}
    for name, holder in holders_of(car).items():
        found.setdefault(holder.location or "fuse box", []).append(name)
    return {box: tuple(names) for box, names in found.items()}


def holders_of(car: Car) -> Mapping[str, Fuse | Relay]:
    """The fuses and relays that the diagram shows."""
    return {**car.claimed.fuses, **car.claimed.relays}


def state_of(name: str, visible: Visible) -> State:
    """What is known of a fuse or relay."""
    if name in visible.out:
        return "out"
    if not visible.only_found:
        return "in"
    return "checked" if name in visible.checked else "unknown"


def fuse_box(car: Car, box: str, visible: Visible, picked: str = "", titles: bool = False) -> Markup:
    """One box; `picked` is the `data-id` that is chosen; `titles`: with what each fuse is for."""
    known = holders_of(car)
    cells = [_cell(name, known[name], state_of(name, visible), picked) for name in boxes_of(car)[box]]
    return _html("fuse_box", box, cells, titles)


def _cell(name: str, holder: Fuse | Relay, state: State, picked: str) -> FuseCell:
    is_fuse = isinstance(holder, Fuse)
    mark, words = STATES[state]
    what = f"fuse {name}, {_rating_words(holder)}" if isinstance(holder, Fuse) else f"relay {name}"
    label = f"{what}{f', {holder.title}' if holder.title else ''}: {words}"
    ident = f"{'fuse' if is_fuse else 'relay'} {name}"
    drawing = text_of(_fuse(holder, state) if isinstance(holder, Fuse) else _relay(state))
    number = printed(name, holder.location)
    return FuseCell(ident, number, label, holder.title, state, mark, ident == picked, drawing)


def _rating_words(fuse: Fuse) -> str:
    color = BLADES.get(fuse.rating_a, OTHER)[0]
    return f"{fuse.rating_a:g} A{f', {color}' if color else ''}"


def _fuse(fuse: Fuse, state: State) -> Node:
    """A blade fuse from the front; a bolted strip where the rating is above all blades."""
    _, paint, digits = BLADES.get(fuse.rating_a, OTHER)
    is_blade = fuse.rating_a in BLADES
    legs = "M9,26 V40 H16 V26 M26,26 V40 H33 V26" if is_blade else "M2,14 H-2 M40,14 H44 M-2,8 V20 M44,8 V20"
    if state == "out":
        shapes = [
            node("rect", x=3, y=3, width=36, height=24, rx=3, class_="empty"),
            node("path", d="M14,9 L28,21 M28,9 L14,21", class_="cross"),
            node("text", f"{fuse.rating_a:g}", x=21, y=40, class_="was"),
        ]
    else:
        shapes = [
            node("path", d=legs, class_="legs"),
            node("rect", x=3, y=3, width=36, height=24, rx=3, class_="body", style=f"fill:{paint}"),
            node("text", f"{fuse.rating_a:g}", x=21, y=20.5, style=f"fill:{digits}"),
        ]
    return node("svg", shapes, viewBox="-3 0 48 43", aria_hidden="true")


def _relay(state: State) -> Node:
    """A relay from above: its cube with coil and contact."""
    if state == "out":
        shapes = [
            node("rect", x=4, y=4, width=34, height=34, rx=3, class_="empty"),
            node("path", d="M14,14 L28,28 M28,14 L14,28", class_="cross"),
        ]
    else:
        shapes = [
            node("rect", x=4, y=4, width=34, height=34, rx=3, class_="cube"),
            node("path", d=COIL_AND_CONTACT, class_="legs"),
        ]
    return node("svg", shapes, viewBox="-3 0 48 43", aria_hidden="true")
