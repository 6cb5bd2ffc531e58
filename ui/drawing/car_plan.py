"""The car from above: what sits where, by the places in its file, and how the chosen part is joined.

The outline is our own, one for each kind of body. Everything on it is what the file says, with the states
that the map by buses shows. Runs of the harness are drawn from the chosen part to what the wiring diagram
joins it with, as straight curves: the file does not say how they are laid.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import pairwise

from markupsafe import Markup

from sim.svg import Node, node, text_of
from sim.vehicle.car import Car
from sim.vehicle.wire_ends import wire_end
from ui.drawing.car_map import module_node, patterns
from ui.drawing.fuse_box import holders_of
from ui.drawing.layout import Box
from ui.drawing.plan_layout import ZONES, Chip, PlanLayout, parts_at
from ui.state.visible import Visible

MOST_SCALE = 1.4
SITE_LINE = 13.5  # from line to line of the name of a place
RUNS = {"bus": "bus", "feed": "supply", "ground": "ground"}
RUN_WORDS = "The chosen part is joined, by the wiring diagram, with what has a thick edge:"
Point = Callable[[float, float], str]


def car_plan(car: Car, plan: PlanLayout, visible: Visible, picked: str = "") -> Markup:
    """The plan of a car as it may be seen now; `picked` is the `data-id` that is chosen."""
    start, joined = _start(car, picked), joined_with(car, picked)
    inside = {f"parts {place}": names for place, names in parts_at(car).items()}
    chips = [
        _chip(chip, visible, start, joined, inside.get(chip.part.ident, ()))
        for chip in (*plan.chips, *plan.loose)
    ]
    under = [*_outline(plan, car.claimed.body), *_zone_names(plan, car), *_runs(car, plan, picked)]
    root = node(
        "svg", [patterns(), *under, *chips], class_="map plan",
        style=f"max-width: {MOST_SCALE * plan.width:.0f}px",
        viewBox=f"0 0 {plan.width:g} {plan.height:g}", role="group",
        aria_label=f"Plan of {car.title} from above: what sits where",
    )  # fmt: skip
    return text_of(root)


# -- the car ---------------------------------------------------------------------------------------------


def _outline(plan: PlanLayout, body: str) -> Iterator[Node]:
    at = _points(plan)
    hood = _share(plan, plan.zones[0][1])
    for u in (0.08, 0.79):
        for v in (-0.012, 1.012):
            yield node("path", d=f"M{at(u, v)} L{at(u + 0.11, v)}", class_="wheel")
    for v, w in ((0.0, -0.035), (1.0, 1.035)):
        yield node(
            "path", d=f"M{at(hood + 0.03, v)} L{at(hood + 0.015, w)} L{at(hood + 0.05, w)} Z", class_="mirror"
        )
    yield node(
        "path", class_="shell",
        d=f"M{at(0.08, 0)} L{at(0.95, 0)} Q{at(1, 0)} {at(1, 0.1)} L{at(1, 0.9)} Q{at(1, 1)} {at(0.95, 1)} "
        f"L{at(0.08, 1)} Q{at(0.012, 1)} {at(0.006, 0.78)} Q{at(-0.008, 0.5)} {at(0.006, 0.22)} "
        f"Q{at(0.012, 0)} {at(0.08, 0)} Z",
    )  # fmt: skip
    tail = {
        "sedan": _share(plan, plan.zones[-1][0]),
        "wagon": 0.965,
        "van": 0.985,
        "truck": _share(plan, plan.zones[2][1]),
    }[body]
    for u, bent in ((hood, -0.02), (hood + 0.02, -0.016), (tail, 0.008)):
        yield node("path", d=f"M{at(u, 0.03)} Q{at(u + bent, 0.5)} {at(u, 0.97)}", class_="glass")
    if body == "sedan":
        yield node(
            "path",
            d=f"M{at(tail + 0.03, 0.05)} Q{at(tail + 0.045, 0.5)} {at(tail + 0.03, 0.95)}",
            class_="glass",
        )
    if body == "van":
        yield node("path", d=f"M{at(0.985, 0.5)} L{at(1, 0.5)}", class_="glass")


def _points(plan: PlanLayout) -> Point:
    """A point by its share along the car (0: front) and across it (0: the right side)."""
    x, y, width, height = plan.body
    if plan.upright:
        return lambda u, v: f"{x + (1 - v) * width:.1f},{y + u * height:.1f}"
    return lambda u, v: f"{x + u * width:.1f},{y + v * height:.1f}"


def _share(plan: PlanLayout, at: float) -> float:
    """How far along the car something is."""
    start, length = (plan.body[1], plan.body[3]) if plan.upright else (plan.body[0], plan.body[2])
    return (at - start) / length


def _zone_names(plan: PlanLayout, car: Car) -> Iterator[Node]:
    x, y, width, height = plan.body
    names = ("front", *ZONES[1:]) if car.claimed.high_voltage else ZONES
    for name, (start, end) in zip(names, plan.zones, strict=True):
        if plan.upright:
            yield node("text", name, x=x + width / 2, y=start + 13, class_="zone")
        else:
            yield node("text", name, x=(start + end) / 2, y=y - 19, class_="zone")
    at = _points(plan)
    for _, end in plan.zones[:-1]:
        u = _share(plan, end)
        yield node("path", d=f"M{at(u, 0.01)} L{at(u, 0.99)}", class_="border")
    sides = (("left side", x - 9, y + height / 2), ("right side", x + width + 9, y + height / 2))
    if not plan.upright:
        beside_the_mirrors = x + 0.62 * width
        sides = (
            ("left side", beside_the_mirrors, y + height + 16), ("right side", beside_the_mirrors, y + 13)
        )  # fmt: skip
    for words, at_x, at_y in sides:
        turned = f"rotate(-90 {at_x:g} {at_y:g})" if plan.upright else None
        yield node("text", words, x=at_x, y=at_y, class_="zone side", transform=turned)
    if plan.loose:
        below = plan.loose[0].y - 8
        yield node("text", "not on the plan: the file does not say where", x=x, y=below, class_="zone begin")


# -- what sits in it -------------------------------------------------------------------------------------


def _chip(
    chip: Chip, visible: Visible, picked: str, joined: Mapping[str, tuple[str, str]], inside: Sequence[str]
) -> Node:
    shown = _part(chip, visible, picked, inside)
    if chip.part.ident in joined:
        shown.set("class", f"{shown.get('class')} joined by-{joined[chip.part.ident][0]}")
    return shown


def _part(chip: Chip, visible: Visible, picked: str, inside: Sequence[str]) -> Node:
    part = chip.part
    if part.kind == "module":
        box = Box(part.name, chip.x, chip.y, chip.w, chip.h)
        return module_node(box, visible.modules[part.name], picked, part.place)
    off = part.name in visible.connectors_off or bool(visible.connectors_off.intersection(inside))
    words = {"box": "fuse box", "ground": "ground point"}.get(part.kind, part.kind)
    where = f", {part.place}" if part.place and part.place != part.name else ""
    label = f"{words} {part.name}{where}{', unplugged' if off else ''}"
    kind = part.kind.partition(" ")[0]
    class_ = f"site {kind}{' off' if off else ''}{' picked' if part.ident == picked else ''}"
    return node(
        "g", [node("title", label), *_site(chip)], class_=class_, data_id=part.ident, tabindex="0",
        role="button", aria_label=label,
    )  # fmt: skip


def _site(chip: Chip) -> Iterator[Node]:
    x, y = chip.middle
    lines = chip.part.lines
    round_by = {"box": 3, "ground": 4}.get(chip.part.kind, 12)
    yield node("rect", x=chip.x, y=chip.y, width=chip.w, height=chip.h, rx=round_by, class_="face")
    if chip.part.kind == "ground":
        yield node(
            "path", d=f"M{chip.x + 11:g},{y - 8:g} v6 m-6,0 h12 m-9.5,3.5 h7 m-5,3.5 h3", class_="mark"
        )
        x += 9
    for number, line in enumerate(lines):
        at_y = y + SITE_LINE * (number - (len(lines) - 1) / 2)
        yield node("text", line, x=x, y=round(at_y + 4.5, 1), class_="site-name")


# -- how the chosen part is joined -----------------------------------------------------------------------


def joints(car: Car) -> Iterator[tuple[str, str, str, str]]:
    """What the wiring diagram joins: two `data-id`s, by what (bus, feed, ground), and the name of that."""
    claimed = car.claimed
    lines = {name: [stop.name for stop in bus.stops] for name, bus in claimed.buses.items()}
    for name, line in (lines | {name: list(one.line) for name, one in claimed.lin.items()}).items():
        for one, other in pairwise(line):
            yield _ident(car, one), _ident(car, other), "bus", name
    for name, fuse in claimed.fuses.items():
        for end in fuse.ends:
            if end.part in claimed.modules:
                yield f"box {fuse.location}", f"module {end.part}", "feed", name
    for name, module in claimed.modules.items():
        for ground in module.ground or (next(iter(claimed.grounds)),):
            yield f"module {name}", f"ground {wire_end(ground).target}", "ground", wire_end(ground).target


def joined_with(car: Car, picked: str) -> dict[str, tuple[str, str]]:
    """What a part is joined with: each `data-id`, by what, and the name of that; of a fuse what it feeds."""
    kind, _, name = picked.partition(" ")
    if kind == "fuse":
        return {other: (by, one) for _, other, by, one in joints(car) if by == "feed" and one == name}
    pairs = [(one, other, by, via) for one, other, by, via in joints(car) if picked in (one, other)]
    return {other if one == picked else one: (by, via) for one, other, by, via in pairs}


def _ident(car: Car, name: str) -> str:
    return f"module {name}" if name in car.claimed.modules else f"connector {name}"


def _start(car: Car, picked: str) -> str:
    """Where the runs of a part begin: those of a fuse or relay at its box."""
    holder = holders_of(car).get(picked.partition(" ")[2]) if picked.startswith(("fuse ", "relay ")) else None
    return f"box {holder.location}" if holder else picked


def _runs(car: Car, plan: PlanLayout, picked: str) -> Iterator[Node]:
    middles = {chip.part.ident: chip.middle for chip in (*plan.chips, *plan.loose)}
    start = _start(car, picked)
    if start not in middles:
        return
    x, y = middles[start]
    for ident, (by, via) in joined_with(car, picked).items():
        if ident in middles:
            to_x, to_y = middles[ident]
            bend = f"{(x + to_x) / 2:.1f},{y:.1f} {(x + to_x) / 2:.1f},{to_y:.1f}"
            words = node("title", f"{picked.partition(' ')[2]}, {ident.partition(' ')[2]}: {RUNS[by]} {via}")
            line = f"M{x:.1f},{y:.1f} C{bend} {to_x:.1f},{to_y:.1f}"
            yield node("path", [words], d=line, class_=f"run by-{by}")


def run_legend() -> Markup:
    """What the lines from the chosen part mean, as HTML."""
    cells = [_line_and_words(by, words) for by, words in RUNS.items()]
    return text_of(node("div", [node("span", RUN_WORDS), *cells], class_="legend"))


def _line_and_words(by: str, words: str) -> Node:
    line = node("path", d="M-12,0 H12", class_=f"run by-{by}")
    drawn = node(
        "svg", [line], class_="map plan", style="width:26px", viewBox="-13 -5 26 10", aria_hidden="true"
    )
    drawn.tail = words
    return node("span", [drawn])
