"""Where everything is on the plan of a car from above: the words of the file's places, sorted into zones.

The plan has five zones from front to rear and three across. It is a drawing of zones, not to scale: a zone is
as large as what sits in it needs. A place that says neither left nor right is put where such parts usually
are in a left-hand-drive car (common practice): the steering column left, the glove box right.

Lengths are units of the drawing. Not modeled: height above the floor, how the looms run.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import ceil

from sim.vehicle.car import Car
from sim.vehicle.words import counted
from ui.drawing.fuse_box import boxes_of

ZONES = ("engine bay", "dash", "front seats", "middle", "rear")
FRONT, DASH, SEATS, MIDDLE, REAR = range(5)
RIGHT, CENTER, LEFT = range(3)  # as they follow each other from the top where the front is at the left

# the first of these whose words are among those of a place
ALONG: tuple[tuple[int, str], ...] = (
    (MIDDLE, r"rear seat|back seat|second row|behind the (driver|passenger)|sliding door|b-pillar|rail|fuel"),
    (MIDDLE, r"\bstep\b|wheel houses"),
    (REAR, r"rear|trunk|tailgate|liftgate|hatch|cargo|tow|c-pillar|d-pillar"),
    (DASH, r"steering (column|wheel)|heater box"),
    (DASH, r"dash|glove|start button|pedal|a-pillar|windshield|bulkhead|scuttle|cowl"),
    (FRONT, r"engine|bumper|condenser|radiator|grille|fender|intake|throttle|hood|battery|front axle"),
    (FRONT, r"headlamp|washer tank|cross-member"),
    (FRONT, r"transmission|steering rack|front (compartment|box)|motor"),
    (SEATS, r"roof, front|headliner|console|tunnel|door|seat|sill|shift"),
    (MIDDLE, r"roof|floor|middle"),
)  # fmt: skip
ACROSS: tuple[tuple[int, str], ...] = (
    (LEFT, r"\bleft\b"),
    (RIGHT, r"\bright\b"),
    (LEFT, r"driver|steering (column|wheel)|pedal|start button"),
    (RIGHT, r"passenger|glove|sliding door|\bstep\b"),
)

UNIT, GAP, EDGE = 86.0, 5.0, 26.0
ROUND = 9.0  # from what sits at the edge to the outline
LEAST_LENGTH, LEAST_WIDTH = 1.7, 0.38  # of a car with little in it, by the plan's own width
MODULE_H, SMALL_H, TWO_LINES_H = 52.0, 26.0, 34.0  # the first: a name in two lines and its state
SITE_LETTER_W = 7.2  # of the name of a place, in bold
LABEL_H = 18.0
LONGEST_PLACE = 14  # letters that are still read on a part's width


@dataclass(frozen=True, slots=True)
class Sited:
    """A part and where its file says that it is. ident: its `data-id`.

    kind: module, box, sensor, ground, connector, orange connector, parts (several at one place, see
    `parts_at`)."""

    ident: str
    kind: str
    name: str
    place: str

    @property
    def halves(self) -> int:
        """How many half units wide it is drawn."""
        return 1 if self.kind in ("ground", "connector") else 2

    @property
    def height(self) -> float:
        """How high it is drawn."""
        if self.kind == "module":
            return MODULE_H
        return TWO_LINES_H if len(self.lines) > 1 else SMALL_H

    @property
    def lines(self) -> list[str]:
        """Its name as it is written on it: in two lines where one is too long, broken at a space."""
        name = self.name.replace("_", " ")
        breaks = [place for place, letter in enumerate(name) if letter == " "]
        if not breaks or self.halves < 2 or len(name) * SITE_LETTER_W < UNIT:
            return [name]
        middle = min(breaks, key=lambda place: abs(2 * place - len(name)))
        return [name[:middle], name[middle + 1 :]]


@dataclass(frozen=True, slots=True)
class Chip:
    """A part at its place on the plan: its corner and size."""

    part: Sited
    x: float
    y: float
    w: float
    h: float

    @property
    def middle(self) -> tuple[float, float]:
        """The middle of it."""
        return self.x + self.w / 2, self.y + self.h / 2


@dataclass(frozen=True, slots=True)
class PlanLayout:
    """The whole plan. body: corner and size of the car; zones: where each begins and ends along the car.

    upright: the front is at the top, otherwise at the left. loose: parts that the plan has no zone for.
    """

    width: float
    height: float
    upright: bool
    body: tuple[float, float, float, float]
    zones: tuple[tuple[float, float], ...]
    chips: tuple[Chip, ...]
    loose: tuple[Chip, ...]


def sited(car: Car) -> list[Sited]:
    """Everything that has a place in the car's file, and modules without one: as its diagram shows it."""
    claimed = car.claimed
    kinds = (
        ("module", "module", claimed.modules),
        ("ground", "ground", claimed.grounds),
        ("connector", "connector", claimed.inline),
        ("connector", "sensor", claimed.sensors),
        ("connector", "orange connector", claimed.high_voltage.orange if claimed.high_voltage else {}),
    )
    parts = [
        Sited(f"{ident} {name}", kind, name, one.location)
        for ident, kind, group in kinds
        for name, one in group.items()
    ]
    boxes = [Sited(f"box {name}", "box", name, claimed.place_of_box(name)) for name in boxes_of(car)]
    dlc = (
        [Sited("connector DLC", "connector", "DLC", claimed.dlc.location)] if "DLC" in car.connectors else []
    )
    small = [
        Sited(f"parts {place}", "parts", _name_at(place, names), place)
        for place, names in parts_at(car).items()
    ]
    return [*parts, *boxes, *small, *dlc]


def _name_at(place: str, names: Sequence[str]) -> str:
    """What is written where small parts sit: the one part, the place, or how many if that is too long."""
    if len(names) == 1:
        return names[0]
    return place if len(place) <= LONGEST_PLACE else counted(len(names), "part")


def parts_at(car: Car) -> dict[str, list[str]]:
    """The connectors of airbags, lamps, heaters and the like by place; without one, by their module."""
    found: dict[str, list[str]] = {}
    for name, circuit in car.claimed.watched.items():
        place = circuit.group.location or car.claimed.modules[circuit.module].location
        found.setdefault(place or circuit.module, []).append(name)
    return found


def zone_of(place: str) -> tuple[int, int] | None:
    """Along and across the car, by the words of a place; None if they name no part of a car."""
    words = place.lower()
    along = next((zone for zone, pattern in ALONG if re.search(pattern, words)), None)
    if along is None:
        return None
    return along, next((side for side, pattern in ACROSS if re.search(pattern, words)), CENTER)


def plan_of(car: Car, width: float, upright: bool) -> PlanLayout:
    """The plan of a car, `width` units wide."""
    cells: dict[tuple[int, int], list[Sited]] = {}
    loose: list[Sited] = []
    for part in sited(car):
        zone = zone_of(part.place)
        if zone is None:
            loose.append(part)
        else:
            cells.setdefault(zone if not upright else (LEFT - zone[1], zone[0]), []).append(part)
    across = (3, 5) if upright else (5, 3)  # how many columns and rows of cells
    units = _units(cells, across, int((width - 2 * EDGE) // (UNIT + GAP)))
    return _placed(cells, across, units, loose, width, upright)


def _units(cells: Mapping[tuple[int, int], Sequence[Sited]], across: tuple[int, int], room: int) -> list[int]:
    """How many modules there is room for beside each other in each column: what makes the plan least high."""
    units = [1] * across[0]
    while sum(units) < room:
        tries = [[n + (place == column) for place, n in enumerate(units)] for column in range(across[0])]
        best = min(tries, key=lambda one: sum(_row_heights(cells, across, one)))
        if sum(_row_heights(cells, across, best)) >= sum(_row_heights(cells, across, units)):
            break
        units = best
    return units


def _row_heights(
    cells: Mapping[tuple[int, int], Sequence[Sited]], across: tuple[int, int], units: Sequence[int]
) -> list[float]:
    return [
        max(SMALL_H, *(_height(cells.get((column, row), ()), units[column]) for column in range(across[0])))
        for row in range(across[1])
    ]


def _height(parts: Iterable[Sited], units: int) -> float:
    """How high a cell is, by what is in it."""
    parts = list(parts)
    lines = 0.0
    for halves, height in ((2, MODULE_H), (2, TWO_LINES_H), (2, SMALL_H), (1, SMALL_H)):
        count = sum(1 for one in parts if (one.halves, one.height) == (halves, height))
        lines += ceil(count * halves / (2 * units)) * (height + GAP)
    return lines


def _placed(
    cells: Mapping[tuple[int, int], Sequence[Sited]],
    across: tuple[int, int],
    units: Sequence[int],
    loose: Sequence[Sited],
    width: float,
    upright: bool,
) -> PlanLayout:
    spare = (width - 2 * EDGE - sum(units) * (UNIT + GAP)) / across[0]
    widths = [n * (UNIT + GAP) + spare for n in units]
    between = LABEL_H if upright else 2 * GAP
    least = (LEAST_LENGTH if upright else LEAST_WIDTH) * (width - 2 * EDGE) / across[1]
    heights = [max(height + between, least) for height in _row_heights(cells, across, units)]
    top = EDGE + (0 if upright else LABEL_H + GAP)
    lefts = [EDGE + sum(widths[:column]) for column in range(across[0])]
    tops = [top + sum(heights[:row]) for row in range(across[1])]
    chips: list[Chip] = []
    for (column, row), parts in cells.items():
        free = heights[row] - between - _height(parts, units[column])
        x = lefts[column] + (spare + GAP) / 2
        chips += _flowed(parts, x, tops[row] + (LABEL_H if upright else GAP) + free / 2, units[column])
    below = tops[-1] + heights[-1]
    body = (EDGE - ROUND, top - ROUND, width - 2 * (EDGE - ROUND), below - top + 2 * ROUND)
    under = below + EDGE + LABEL_H + GAP + (0 if upright else LABEL_H)  # below the mirrors
    strip = _flowed(loose, EDGE, under, int((width - 2 * EDGE) // (UNIT + GAP)))
    bottom = max((chip.y + chip.h for chip in strip), default=below + EDGE - GAP)
    starts, lengths = (tops, heights) if upright else (lefts, widths)
    zones = tuple((start, start + length) for start, length in zip(starts, lengths, strict=True))
    return PlanLayout(width, bottom + GAP, upright, body, zones, tuple(chips), tuple(strip))


def _flowed(parts: Iterable[Sited], x: float, y: float, units: int) -> list[Chip]:
    """Modules, then boxes, then small parts, in lines of so many units."""
    chips: list[Chip] = []
    half, last = 0, (0, 0.0)
    for part in sorted(parts, key=lambda one: (-one.halves, -one.height)):
        shape = part.halves, part.height
        if chips and (shape != last or half + part.halves > 2 * units):
            y, half = y + last[1] + GAP, 0
        wide = UNIT if part.halves == 2 else (UNIT - GAP) / 2
        chips.append(Chip(part, x + half * (UNIT + GAP) / 2, y, wide, part.height))
        half, last = half + part.halves, shape
    return chips
