"""The time view: a cascade as lanes under one time axis, grouped by bus, as SVG text.

A mark tells its kind by shape, its words by a label or its title; a stretch by pattern and by the word at its
beginning. Every mark has a `data-id`: `event 12`.

Not modeled: lanes of modules that only wake, run and sleep, unless they are asked for; their number is told.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import partial

from markupsafe import Markup

from sim.bench.cascade import Cascade, Lane, Mark, Stretch
from sim.svg import Node, node, text_of
from sim.vehicle.car import Car
from sim.vehicle.wire_names import lamp_words
from ui.drawing.car_map import BUS_HUES, MARKS
from ui.drawing.layout import NARROW
from ui.state.visible import STATE_WORDS

NAMES_W, NARROW_NAMES_W = 124.0, 88.0
RIGHT = 12.0
ROW, BAR, GAP = 17.0, 6.0, 5.0
GROUP_H, AXIS_H = 21.0, 24.0
LETTER = 6.0  # of a label, on average
ICON = 14.0
MOST_ROWS, LONGEST_LABEL = 7, 46
STEPS_S = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1800, 3600, 7200, 21600)

SHAPES: dict[str, Callable[[], Node]] = {
    "action": partial(node, "path", d="M-3,-5 L5,0 L-3,5 Z", class_="mark full"),
    "fault": partial(node, "path", d="M-4,-4 L4,4 M-4,4 L4,-4", class_="mark strong"),
    "repair": partial(node, "path", d="M-4,0 L-1,4 L5,-4", class_="mark strong"),
    "mode": partial(node, "rect", x=-4, y=-4, width=8, height=8, class_="mark full"),
    "held": partial(node, "path", d="M-4,-5 V5 M4,-5 V5 M-4,0 H4", class_="mark strong"),
    "engine": partial(node, "path", d="M-5,0 L-2.5,-4.5 H2.5 L5,0 L2.5,4.5 H-2.5 Z", class_="mark full"),
    "lit": partial(
        node, "path", d="M0,-2.5 A2.5,2.5 0 1 0 .01,-2.5 Z M0,-6 V-4 M0,4 V6 M-6,0 H-4 M4,0 H6",
        class_="mark full",
    ),
    "dark": partial(node, "circle", r=3, class_="mark"),
    "supply": partial(node, "path", d="M-6,3 H-2 L4,-4 M4,3 H6", class_="mark"),
    "lost": partial(node, "path", d="M0,-5 A5,5 0 1 0 .01,-5 Z M0,-3 V0 L2.5,1.5", class_="mark"),
    "heard": partial(node, "path", d="M0,-5 A5,5 0 1 0 .01,-5 Z M-2.5,0 L-.5,2 L2.5,-2", class_="mark"),
    "code": partial(node, "path", d="M0,-5.5 L5.5,0 L0,5.5 L-5.5,0 Z", class_="mark full alarm"),
    "code heals": partial(node, "path", d="M0,-5.5 L5.5,0 L0,5.5 L-5.5,0 Z", class_="mark"),
    "code cleared": partial(
        node, "path", d="M0,-5.5 L5.5,0 L0,5.5 L-5.5,0 Z M-5.5,5.5 L5.5,-5.5", class_="mark"
    ),
    "bus": partial(node, "path", d="M0,-5 A5,5 0 1 0 .01,-5 Z M-3,0 H3", class_="mark strong"),
    "lock": partial(
        node, "path", d="M-4,-1 H4 V5 H-4 Z M-2.5,-1 V-3 A2.5,2.5 0 0 1 2.5,-3 V-1", class_="mark"
    ),
}  # fmt: skip
SHAPE_OF = (
    dict.fromkeys(("relay", "fuse", "contact", "battery"), "supply")
    | dict.fromkeys(("refused", "immobilizer"), "lock")
    | {"link": "bus"}
)
STATE_SHAPES = {"going to sleep": "quiet"}
NAMES = {"person": "by hand", "mode": "power mode", "engine": "engine", "supply": "relays, fuses"}
LEGEND = {
    "fault": "fault, or a part taken off",
    "repair": "repair",
    "held": "the mode hangs",
    "lost": "a time limit runs out",
    "heard": "heard again",
    "code": "a code matures",
    "code heals": "its test passes again",
    "code cleared": "cleared",
    "lit": "a lamp lights",
    "bus": "bus-off, or a link",
    "lock": "locked, or challenge open",
}


@dataclass(frozen=True, slots=True)
class Placed:
    """A mark in its row of a lane; its label is on the right, on the left, or left out."""

    mark: Mark
    x: float
    row: int
    label: str
    on_left: bool = False


@dataclass(frozen=True, slots=True)
class LaneRow:
    """One lane of the picture: its name, its marks in rows."""

    lane: Lane
    name: str
    placed: tuple[Placed, ...]

    @property
    def height(self) -> float:
        """In units of the drawing."""
        rows = 1 + max((one.row for one in self.placed), default=0)
        return rows * ROW + BAR + GAP


@dataclass(frozen=True, slots=True)
class Axis:
    """Where a moment is in the drawing."""

    start_s: float
    end_s: float
    left: float
    right: float

    def x(self, time_s: float) -> float:
        """The place of a moment."""
        share = (time_s - self.start_s) / (self.end_s - self.start_s)
        return round(self.left + share * (self.right - self.left), 1)

    def ticks(self) -> tuple[float, ...]:
        """Round moments, so few that their words do not touch."""
        most = max(2, int((self.right - self.left) / 90))
        span_s = self.end_s - self.start_s
        step_s = next((step for step in STEPS_S if span_s / step <= most), 86400)
        first = math.ceil(self.start_s / step_s - 1e-9)
        last = math.floor(self.end_s / step_s + 1e-9)
        return tuple(round(place * step_s, 3) for place in range(first, last + 1))


@dataclass(frozen=True, slots=True)
class TimelinePicture:
    """The drawing, its time axis, and how many modules have no lane: only ordinary things, or none at all."""

    svg: Markup
    axis: Axis
    height: float
    ordinary: tuple[str, ...]
    still: tuple[str, ...]
    kinds: tuple[str, ...]  # shapes that occur, for the legend


def picture(
    car: Car, cascade: Cascade, buses: Iterable[str], width: float, every_module: bool = False
) -> TimelinePicture:
    """Draw a cascade of a car, `width` units wide; `buses` and LIN clusters in the order of the map."""
    left = NARROW_NAMES_W if width <= NARROW else NAMES_W
    axis = Axis(cascade.start_s, cascade.end_s, left, width - RIGHT)
    by_lane: dict[Lane, list[Mark]] = {}
    for mark in cascade.marks:
        by_lane.setdefault(mark.lane, []).append(replace(mark, event=mark.event.in_words(car)))
    eventful, ordinary, still = _sorted_modules(car, by_lane)
    shown = {*eventful, *ordinary} if every_module else {*eventful}
    shapes: list[Node] = []
    events: list[Node] = []
    y = AXIS_H
    for title, hue, lanes in _groups(car, by_lane, shown, buses):
        shapes.append(_group_title(title, hue, y, width))
        y += GROUP_H
        for lane in lanes:
            row = LaneRow(lane, _lane_name(lane, car), tuple(_placed(by_lane.get(lane, ()), axis)))
            shapes += _lane(row, cascade.stretches.get(lane, ()), axis, y)
            events += [_mark(one, y) for one in row.placed]
            y += row.height
    layers = [_patterns(), *_axis(axis, y), *shapes, _veil(axis, y), *events, _cursor(axis, y)]
    root = node(
        "svg", layers, class_="timeline",
        viewBox=f"0 0 {width:g} {y + 4:g}", role="group", aria_label="What happened, over time",
    )  # fmt: skip
    kinds = tuple(dict.fromkeys(shape_of(mark) for mark in cascade.marks))
    folded = () if every_module else ordinary
    return TimelinePicture(text_of(root), axis, y + 4, folded, still, kinds)


def legend(kinds: Iterable[str]) -> Markup:
    """What the marks mean that occur, as HTML."""
    cells = []
    for kind in (one for one in LEGEND if one in kinds):
        drawn = node("svg", [SHAPES[kind]()], class_="timeline", style="width:18px", viewBox="-8 -8 16 16")
        drawn.tail = LEGEND[kind]
        cells.append(node("span", [drawn]))
    return text_of(node("div", cells, class_="legend"))


def shape_of(mark: Mark) -> str:
    """The name of a mark's drawing."""
    event = mark.event
    if event.kind == "telltale":
        return event.value
    if event.kind in ("state", "waits"):
        return STATE_SHAPES.get(event.value, event.value)
    return SHAPE_OF.get(event.kind, event.kind)


def label_of(mark: Mark) -> str:
    """A mark's words, as short as they are understood beside the name of its lane."""
    event = mark.event
    words = {
        "mode": event.value,
        "held": f"stays {event.value}",
        "engine": event.value,
        "telltale": "lights" if event.value == "lit" else "goes out",
        "relay": f"{event.subject} {event.value}",
        "fuse": f"{event.subject} blows",
        "state": STATE_WORDS.get(event.value, event.value),
        "waits": f"waits: {event.item}",
        "lost": f"{event.item} lost",
        "heard": f"{event.item} again",
        "code": event.item,
        "code heals": f"{event.item} passes",
        "code cleared": f"{event.item} cleared",
        "bus": event.value,
        "link": f"{event.item} {event.value}",
    }.get(event.kind, event.text.removeprefix(f"{event.subject} "))
    return words if len(words) <= LONGEST_LABEL else f"{words[: LONGEST_LABEL - 1]}…"


# -- which lanes ---------------------------------------------------------------------------------------------


def _sorted_modules(
    car: Car, by_lane: dict[Lane, list[Mark]]
) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    """Modules with something to tell, those that only wake, run or sleep, and those that do not change."""
    eventful, ordinary, still = [], [], []
    for name in car.claimed.modules:
        marks = by_lane.get(Lane("module", name), [])
        if not marks:
            still.append(name)
        elif all(mark.is_ordinary for mark in marks):
            ordinary.append(name)
        else:
            eventful.append(name)
    return tuple(eventful), tuple(ordinary), tuple(still)


def _groups(
    car: Car, by_lane: dict[Lane, list[Mark]], shown: set[str], buses: Iterable[str]
) -> Iterator[tuple[str, str, list[Lane]]]:
    """Title, hue and lanes of each group that has any: what was done, the car, then bus by bus."""
    if Lane("person") in by_lane:
        yield "What was done", "gray", [Lane("person")]
    of_car = [lane for lane in (Lane("mode"), Lane("engine"), Lane("supply")) if lane in by_lane]
    of_car += sorted(lane for lane in by_lane if lane.kind == "lamp")
    if of_car:
        yield "The car", "gray", of_car
    buses_of, clusters_of = car.messages.buses_of, car.messages.clusters_of
    home = {name: (*buses_of[name], *clusters_of[name]) for name in car.claimed.modules}
    several = [name for name in home if len(buses_of[name]) > 1]
    if joints := [Lane("module", name) for name in several if name in shown]:
        yield "On several buses", "gray", joints
    titles = {bus: spec.title or f"{bus} bus" for bus, spec in car.claimed.buses.items()}
    titles |= {cluster: spec.title or cluster for cluster, spec in car.claimed.lin.items()}
    for place, bus in enumerate(buses):
        own = [name for name in home if home[name][:1] == (bus,) and name not in several]
        if lanes := [Lane("module", name) for name in own if name in shown]:
            yield titles[bus], BUS_HUES[place % len(BUS_HUES)], lanes


def _lane_name(lane: Lane, car: Car) -> str:
    if lane.kind != "lamp":
        return NAMES.get(lane.kind, lane.name)
    return lamp_words(lane.name, car)


# -- where marks go ------------------------------------------------------------------------------------------


def _placed(marks: Iterable[Mark], axis: Axis) -> Iterator[Placed]:
    """Marks in the first row with room for them and their words; words that need not be there give way."""
    taken: list[float] = []  # up to where each row is full
    for mark in marks:
        x, label = axis.x(mark.event.time_s), label_of(mark)
        wide = ICON / 2 + len(label) * LETTER + 4
        needs_words = not mark.is_ordinary and mark.event.kind not in ("lost", "heard")
        on_left = needs_words and x + wide > axis.right and x - wide > axis.left
        begin = x - (wide if on_left else ICON / 2)
        row = next((place for place, full in enumerate(taken) if full <= begin), len(taken))
        if row >= MOST_ROWS:
            row = min(range(MOST_ROWS), key=taken.__getitem__)
            needs_words = False
        if row == len(taken):
            taken.append(0.0)
        taken[row] = x + (wide if needs_words and not on_left else ICON / 2)
        yield Placed(mark, x, row, label if needs_words else "", on_left)


# -- shapes --------------------------------------------------------------------------------------------------


def _patterns() -> Node:
    """What fills the bars of stretches, for eyes that see no color."""
    lines = {"tl-off": "M0,0 L6,6 M0,6 L6,0", "tl-start": "M-1,7 L7,-1", "tl-wait": "M0,3 H3"}
    drawn = [
        node(
            "pattern", [node("path", d=d, class_=name)], id=name, width=6, height=6,
            patternUnits="userSpaceOnUse",
        )
        for name, d in lines.items()
    ]  # fmt: skip
    return node("defs", drawn)


def _axis(axis: Axis, height: float) -> Iterator[Node]:
    yield node("rect", x=axis.left, y=0, width=axis.right - axis.left, height=height, class_="plot")
    for tick_s in axis.ticks():
        x = axis.x(tick_s)
        yield node("path", d=f"M{x:g},{AXIS_H - 6:g} V{height:g}", class_="tick")
        yield node("text", time_words(tick_s), x=x, y=AXIS_H - 10, class_="tick-word")


def time_words(time_s: float) -> str:
    """A moment in words of a clock."""
    if time_s < 600:
        return f"{time_s:g} s"
    hours, seconds = divmod(round(time_s), 3600)
    return f"{hours} h {seconds // 60:02d}" if hours else f"{seconds / 60:g} min"


def _veil(axis: Axis, height: float) -> Node:
    """What covers the stretches ahead of the moment that is shown."""
    return node("rect", x=axis.right, y=AXIS_H, width=0, height=height - AXIS_H, class_="ahead")


def _cursor(axis: Axis, height: float) -> Node:
    """The moment that is shown, at the end at first."""
    return node(
        "path", d=f"M0,{AXIS_H - 8:g} V{height:g}", class_="cursor", transform=f"translate({axis.right:g},0)"
    )


def _group_title(title: str, hue: str, y: float, width: float) -> Node:
    line = node("path", d=f"M0,{y + GROUP_H - 4:g} H{width:g}", class_="group-line")
    words = node("text", title, x=0, y=y + GROUP_H - 8, class_="group-name")
    return node("g", [line, words], style=f"--bus: var(--st-{hue}-color)")


def _lane(row: LaneRow, stretches: Iterable[Stretch], axis: Axis, y: float) -> Iterator[Node]:
    name = node("text", row.name, x=4, y=y + 12, class_="lane-name")
    _fit(name, row.name, axis.left - 10)
    bar_y = y + row.height - BAR - GAP + 1
    yield name
    yield from (_bar(row, one, axis, bar_y) for one in stretches)


def _fit(text: Node, words: str, room: float) -> None:
    """Squeeze a name that is too long for its column."""
    wide = sum(7.2 if letter.isupper() else 5.4 for letter in words)
    if wide > room:
        text.set("textLength", f"{room:g}")
        text.set("lengthAdjust", "spacingAndGlyphs")


def _bar(row: LaneRow, stretch: Stretch, axis: Axis, y: float) -> Node:
    x, end = axis.x(stretch.start_s), axis.x(stretch.end_s)
    words = STATE_WORDS.get(stretch.value, stretch.value)
    title = f"{row.name}: {words}, {stretch.start_s:.3f} to {stretch.end_s:.3f} s"
    value = stretch.value.replace(" ", "-")
    kind = f"stretch {row.lane.kind} {value}"
    return node(
        "rect", [node("title", title)], x=x, y=y, width=max(end - x, 0.5), height=BAR, class_=kind
    )  # fmt: skip


def _mark(placed: Placed, y: float) -> Node:
    event, shape = placed.mark.event, shape_of(placed.mark)
    words = f"{event.time_s:.3f} s: {event.text}"
    wide = ICON + len(placed.label) * LETTER + 2
    parts = [
        node("title", words),
        node(
            "rect", x=ICON / 2 - wide if placed.on_left else -ICON / 2, y=-ROW / 2, width=wide, height=ROW,
            rx=3, class_="hit",
        ),
        (SHAPES.get(shape) or MARKS[shape])(),
    ]  # fmt: skip
    if placed.label:
        x, anchor = (-ICON / 2 - 1, "end") if placed.on_left else (ICON / 2 + 1, None)
        parts.append(node("text", placed.label, x=x, y=4, text_anchor=anchor, class_="label"))
    return node(
        "g", parts, class_=f"event {shape.replace(' ', '-')}", data_id=f"event {event.id}",
        data_at=f"{event.time_s:.6f}", tabindex="0", role="button", aria_label=words,
        transform=f"translate({placed.x:g},{y + placed.row * ROW + ROW / 2:g})",
    )  # fmt: skip
