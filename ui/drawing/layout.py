"""Where everything is on the map of a car: computed once per car, from what its wiring diagram shows.

Each bus is a line with its modules in physical order, and so is each LIN cluster, below the buses; its master
is there a second time. The module that is on most buses is a tall box
at the left, and the lines that begin or end at it start there. A module that joins a line to one further away
is a tall box at the end of both. A line that is too long for its row goes on in the next one, backwards.

Lengths are units of the drawing (SVG user units), not meters. Not modeled: where in the car things are.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace

from sim.vehicle.car import Car
from sim.vehicle.wire_ends import LineStop

WIDE, NARROW = 900.0, 420.0
PROJECTED = (WIDE, 1000.0, 1100.0, 1200.0, 1300.0)
PROJECTED_ROOM = 1350 / 780  # width to height of what a projector of 1920 by 1080 has for the map
BOX_W, BOX_H = 96.0, 52.0
STUB = 12.0
SINGLE_PITCH, DOUBLE_PITCH = 102.0, 51.0
PILL_PITCH = 30.0
NAME_W = 420.0  # as far as the name of a line and its bit rate may reach
LABEL_H = 20.0
ROW_GAP = 8.0
EDGE = 8.0


@dataclass(frozen=True, slots=True)
class Box:
    """A module on the map: its corner and size."""

    module: str
    x: float
    y: float
    w: float
    h: float


@dataclass(frozen=True, slots=True)
class Stop:
    """One item of a bus at its place on the line.

    kind: module, joint, inline, dlc or terminator. `side`: its box is above (-1) or below (1) the line.
    """

    bus: str
    kind: str
    name: str
    x: float
    y: float
    side: int = 0
    terminated: bool = False
    through: bool = False


@dataclass(frozen=True, slots=True)
class BusLine:
    """One bus: the corners of its line in order, its stops, and where its name is written."""

    bus: str
    corners: tuple[tuple[float, float], ...]
    stops: tuple[Stop, ...]
    label: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Layout:
    """The whole map."""

    width: float
    height: float
    lines: tuple[BusLine, ...]
    boxes: tuple[Box, ...]


@dataclass(frozen=True, slots=True)
class _Item:
    """A stop before it has a place; `kind` as of `Stop`."""

    stop: LineStop
    kind: str

    @property
    def name(self) -> str:
        return self.stop.name

    @property
    def boxed(self) -> bool:
        """Whether it is a module's box; all others are small."""
        return self.kind in ("module", "joint")


def layout_of(car: Car, width: float = WIDE) -> Layout:
    """The map of a car, `width` units wide (`WIDE` for a screen, `NARROW` for a phone)."""
    return _Drafting(car, width).layout()


def for_a_projector(layout: Callable[[float], Layout]) -> Layout:
    """The map at the width at which its type is largest where the whole of it is seen on a projector."""
    tried = [layout(width) for width in PROJECTED]
    return max(tried, key=lambda one: min(PROJECTED_ROOM / one.width, 1 / one.height))


class _Drafting:
    """Lays one line after the other, from the top."""

    def __init__(self, car: Car, width: float) -> None:
        self.car, self.width = car, width
        self.buses_of = car.messages.buses_of
        self.hub = self._hub()
        self.left = EDGE + (BOX_W + 12 if self.hub else 0)
        self.y = 4.0
        self.lines: list[BusLine] = []
        self.boxes: dict[str, list[Box]] = {}
        self.ends: dict[str, tuple[float, float]] = {}  # joints that a later line can start from

    def layout(self) -> Layout:
        for bus in self._order():
            self._lay(bus)
        for cluster in self.car.claimed.lin:
            self._lay_cluster(cluster)
        self._place_hub()
        boxes = tuple(box for several in self.boxes.values() for box in several)
        stops = [stop for line in self.lines for stop in line.stops]
        right = max([*(box.x + box.w for box in boxes), *(stop.x + PILL_PITCH for stop in stops)])
        return Layout(min(self.width, right + EDGE), self.y, tuple(self.lines), boxes)

    def _hub(self) -> str | None:
        joints = [name for name, buses in self.buses_of.items() if len(buses) > 1]
        return max(joints, key=lambda name: len(self.buses_of[name]), default=None)

    def _order(self) -> list[str]:
        """Short lines of the hub first, then its others, each line that hangs on another after that one."""
        buses = list(self.car.claimed.buses)
        own = [bus for bus in buses if self.hub is None or bus in self.buses_of[self.hub]]
        rest = [bus for bus in buses if bus not in own]
        carried = {bus: self._carrier(bus, own) for bus in rest}
        own.sort(key=lambda bus: (bus in carried.values(), not self._is_short(bus)))
        order: list[str] = []
        for bus in own:
            order += [bus, *(child for child in rest if carried[child] == bus)]
        return [*order, *(bus for bus in rest if bus not in order)]

    def _carrier(self, bus: str, own: Iterable[str]) -> str | None:
        joints = [name for name, buses in self.buses_of.items() if bus in buses]
        return next((other for other in own if any(other in self.buses_of[name] for name in joints)), None)

    def _is_short(self, bus: str) -> bool:
        return all(item.kind != "module" for item in self._items(bus))

    def _items(self, bus: str) -> list[_Item]:
        return [_Item(stop, self._kind(stop)) for stop in self.car.claimed.buses[bus].stops]

    def _kind(self, stop: LineStop) -> str:
        if stop.name in self.buses_of:
            return "joint" if len(self.buses_of[stop.name]) > 1 else "module"
        if stop.name == "DLC":
            return "dlc"
        return "terminator" if stop.is_resistor else "inline"

    def _lay(self, bus: str) -> None:
        items = self._items(bus)
        start = self._start_of(items)
        if start is not None and items[-1].name == start:
            items = items[::-1]
        x, direction = self.left, 1
        if start is not None and start != self.hub:
            x, direction = self.ends[start][0], -1 if self.ends[start][0] > self.width / 2 else 1
        room = self.width - EDGE - x if direction > 0 else x - BOX_W / 2 - self.left
        to_place = items if start is None else items[1:]
        _Row(self, bus, items, start, x, direction, _length(to_place) > room).lay()

    def _lay_cluster(self, cluster: str) -> None:
        modules = self.car.claimed.modules
        names = self.car.claimed.lin[cluster].line
        items = [_Item(LineStop(name), "module" if name in modules else "inline") for name in names]
        double = _length(items) > self.width - EDGE - self.left
        _Row(self, cluster, items, None, self.left, 1, double).lay()

    def _start_of(self, items: list[_Item]) -> str | None:
        ends = [items[0].name, items[-1].name]
        if self.hub in ends:
            return self.hub
        # a tall box may only reach into the next line: between others it would cover what is there
        above = self.lines[-1].stops[-1].name if self.lines else ""
        return above if above in ends and above in self.ends else None

    def _place_hub(self) -> None:
        stops = [stop for line in self.lines for stop in line.stops]
        rows = [stop.y for stop in stops if stop.name == self.hub and stop.x < self.left]
        if self.hub is not None and rows:
            tall = Box(self.hub, EDGE, min(rows) - BOX_H / 2, BOX_W, max(rows) - min(rows) + BOX_H)
            self.boxes[self.hub] = [tall, *self.boxes.get(self.hub, [])]


def _length(items: list[_Item]) -> float:
    """How long a line is with all its boxes on one side."""
    return sum(SINGLE_PITCH if item.boxed else PILL_PITCH for item in items)


@dataclass
class _Row:
    """One bus on its row, or rows; `double`: boxes on both sides of the line."""

    draft: _Drafting
    bus: str
    items: list[_Item]
    start: str | None
    x: float
    direction: int
    double: bool
    stops: list[Stop] = field(default_factory=list)
    corners: list[tuple[float, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        # the first box of a two-sided row must not reach back over where the line begins
        self.over = (BOX_W - DOUBLE_PITCH) / 2 if self.double else 0.0
        self.inset = self.over
        self.boxed = any(item.boxed for item in self.items if item.name != self.start)
        self.side = -1 if self.double else 1

    def lay(self) -> None:
        draft = self.draft
        label_y = draft.y + 13
        self._new_row(first=True)
        items = self.items
        if self.start is not None:
            self._leave_joint(items[0])
            items = items[1:]
        for place, item in enumerate(items, start=1):
            self._place(item, last=place == len(items))
        self._close_row()
        first_x = min(stop.x for stop in self.stops if stop.y == self.stops[0].y)
        at_left = self.corners[0][0] <= first_x + 1
        label_x = draft.left + 4 if at_left else max(draft.left, first_x - BOX_W / 2)
        if at_left and self.start not in (None, draft.hub):
            label_x = self.corners[0][0] + 8  # beside the tall box that the line begins at, not below it
        draft.lines.append(BusLine(self.bus, tuple(self.corners), tuple(self.stops), (label_x, label_y)))

    def _new_row(self, first: bool = False) -> None:
        top = self.draft.y + (LABEL_H if first else 0)
        self.line_y = top + (BOX_H + STUB if self.double else 12 if self.boxed else 14)
        if first and self._joint_is_near():
            self.line_y = max(self.line_y, top + BOX_H / 2)
        self.bottom = self.line_y + (STUB + BOX_H if self.boxed else 14)

    def _joint_is_near(self) -> bool:
        """Would a tall box at the end of a short line cover the line's name?"""
        end, draft = self.items[-1], self.draft
        placed = end.name in draft.boxes or end.name == draft.hub
        return end.kind == "joint" and not placed and _length(self.items[:-1]) < NAME_W

    def _close_row(self) -> None:
        self.draft.y = self.bottom + ROW_GAP

    def _leave_joint(self, item: _Item) -> None:
        """The line begins at a tall box that is there already."""
        draft = self.draft
        if item.name == draft.hub:
            x = EDGE + BOX_W
            self.x = x + 12
        else:
            box = draft.boxes[item.name][0]
            draft.boxes[item.name] = [replace(box, h=self.line_y + BOX_H / 2 - box.y)]
            x = box.x if self.direction < 0 else box.x + box.w
            self.x = x + 12 * self.direction
        self.corners.append((x, self.line_y))
        place = x - 1 if item.name == draft.hub else x
        self._stop(item, place)

    def _stop(self, item: _Item, x: float, side: int = 0) -> None:
        stop = item.stop
        self.stops.append(
            Stop(self.bus, item.kind, item.name, x, self.line_y, side, stop.is_terminated, stop.is_through)
        )

    def _place(self, item: _Item, last: bool) -> None:
        placed = item.name in self.draft.boxes or item.name == self.draft.hub
        if item.kind == "joint" and last and not placed:
            self._end_in_joint(item)
            return
        boxed = item.boxed
        pitch = (DOUBLE_PITCH if self.double else SINGLE_PITCH) if boxed else PILL_PITCH
        if boxed and self.inset:
            self.x += self.direction * self.inset
            self.inset = 0.0
        self._turn_if_full(pitch, boxed)
        x = self.x + self.direction * pitch / 2
        self.x += self.direction * pitch
        if not self.corners:
            self.corners.append((x, self.line_y))
        side = self.side if boxed else 0
        if boxed:
            top = self.line_y + STUB if side > 0 else self.line_y - STUB - BOX_H
            box = Box(item.name, x - BOX_W / 2, top, BOX_W, BOX_H)
            self.draft.boxes.setdefault(item.name, []).append(box)
            self.side = -self.side if self.double else self.side
        self._stop(item, x, side)
        if last:
            self.corners.append((x, self.line_y))

    def _turn_if_full(self, pitch: float, boxed: bool, last: bool = False) -> None:
        # a box of a two-sided row is wider than its pitch and needs half of the rest on each side
        reach = max(pitch, (pitch + BOX_W) / 2) if boxed else pitch
        limit = self.draft.width - EDGE if self.direction > 0 else self.draft.left
        if (self.x + self.direction * reach - limit) * self.direction <= 0 or not self.stops:
            return
        turn = self.x
        self.corners.append((turn, self.line_y))
        self._close_row()
        self._new_row()
        if last:  # nothing but the tall box at its end is in this row
            self.line_y = self.draft.y + BOX_H / 2
            self.bottom = self.line_y + BOX_H / 2
        self.corners.append((turn, self.line_y))
        self.direction = -self.direction
        self.x = turn
        self.inset = self.over

    def _end_in_joint(self, item: _Item) -> None:
        """The line ends at a module from which another line goes on: a box on the line."""
        self._turn_if_full(BOX_W + 12 + self.over, boxed=False, last=True)
        near = self.x + (12 + self.over) * self.direction
        left = near if self.direction > 0 else near - BOX_W
        self.draft.boxes[item.name] = [Box(item.name, left, self.line_y - BOX_H / 2, BOX_W, BOX_H)]
        self.draft.ends[item.name] = (left + BOX_W / 2, self.line_y)
        self.corners.append((near, self.line_y))
        self._stop(item, near)
