"""A car described as a table: one row per module, and out comes the text of a vehicle file.

    text = vehicle_file([TableRow("ECM", "main"), TableRow("BCM", "body, main"), TableRow("TCM", "main")])

A row needs a name and a bus. A name in words is written as one word, and the words become its title. What
is left empty is filled in: the place on the bus is the number of the row, every module has a fuse of its own
and the same ground point, and it listens to all others on its buses. A module on several buses is their
gateway. A key and a relay feed every ignition pin, and the body control module (or else the first) holds the
power mode; the diagnostic connector is on the bus that is named first.

Not modeled: whatever else a vehicle file can say. The text is a beginning to write on.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from itertools import chain, count, pairwise
from typing import Final, NoReturn

from sim.vehicle.car_templates import dressed
from sim.vehicle.checks import RESERVED
from sim.vehicle.codes import is_known_role, is_role
from sim.vehicle.description_base import MOST_MODULES, NAME
from sim.vehicle.fuse_numbers import boxes_of_numbers, in_box, printed
from sim.vehicle.problems import FileProblem, Problem, did_you_mean
from sim.vehicle.reading import car_from_text
from sim.vehicle.roles import role_title

MOST_BUSES: Final = 20  # of a vehicle file
LONGEST_TITLE: Final = 120  # of a vehicle file
USUAL_BPS: Final = 500_000
USUAL_FUSE_A: Final = 10.0  # common practice
SMALL_FUSE_A: Final = 5.0  # for the key, the ignition pins; common practice
NO_MODULE, ALL_MODULES = "-", "all"
KEY_PIN = "key"
NAME_WORDS: Final = "a name is a letter, then up to 39 letters, digits, _, + or -"
_FUSE: Final = re.compile(rf"({NAME})(?:\s+(\d{{1,3}}(?:\.\d+)?)\s*A?)?(?:\s+in\s+(?:the\s+)?(\S.*))?")
_MESSAGE: Final = re.compile(
    r"(?:0[xX])?([0-9A-Fa-f]{1,8})(?:\s+every\s+(\d{1,6}(?:\.\d+)?)\s*ms)?(?:\s+(\d{1,2})\s+bytes?)?"
)
_LENGTH: Final = re.compile(r", length: (\d+)")
_MEANS_SOMETHING_ELSE: Final = {"true", "false", "null", "yes", "no", "on", "off", "y", "n"}  # in YAML

# what each cell is called in the table
COLUMNS: Final = {
    "module": "module",
    "bus": "bus",
    "place": "place",
    "fuse": "fuse",
    "ground": "ground",
    "inline": "in-line",
    "hears": "listens to",
    "sends": "sends",
    "location": "location",
}


@dataclass(frozen=True, slots=True)
class TableRow:
    """One module; its name may be words. Names in `bus`, `inline` and `hears` are divided by commas.

    `fuse`: "F3", "F3 15 A", or with its box, "F3 15 A in engine bay". `hears`: names, "all", or "-" for no
    module. `sends`: such as "1A0 every 10 ms 8 bytes, 2B0 every 100 ms"; the first message is the one the
    others listen to.
    """

    module: str = ""
    bus: str = ""
    place: float | None = None
    fuse: str = ""
    ground: str = ""
    inline: str = ""
    hears: str = ""
    sends: str = ""
    location: str = ""

    @property
    def is_empty(self) -> bool:
        """Whether nothing is written in it."""
        return all(getattr(self, one.name) in ("", None) for one in fields(self))


class TableProblem(Problem):
    """A cell that cannot be: its row (from 1, as in the table), its column, and what is wrong.

    `others`: what else is wrong with the table.
    """

    def __init__(self, what: str, row: int, cell: str) -> None:
        super().__init__(f"row {row}, column '{COLUMNS[cell]}': {what}")
        self.row = row
        self.cell = cell
        self.others: tuple[TableProblem, ...] = ()

    def __str__(self) -> str:
        return "\n".join([self.what, *map(str, self.others)])


def vehicle_file(
    rows: Iterable[TableRow],
    title: str = "",
    bitrates: Mapping[str, int] | None = None,
    template: str = "",
) -> str:
    """The text of a vehicle file, checked by its reader; `bitrates` by bus, in bit/s.

    template: the kind of car (`sim.vehicle.car_templates`); empty, one with a key of one contact.
    Raises `TableProblem` for a cell, `Problem` where the whole is wrong.
    """
    table = _Table(rows)
    text = "\n".join([*table.lines(_title(title), bitrates or {}), ""])
    if template:
        text = dressed(text, template)
    try:
        car_from_text(text, "this table")
    except FileProblem as problem:
        table.blame(problem)
    return text


def _title(title: str) -> str:
    title = title.strip() or "A car of my own"
    if len(title) > LONGEST_TITLE:
        raise Problem(f"the name of the car has at most {LONGEST_TITLE} characters (here: {len(title)})")
    if not title.isprintable():
        raise Problem("the name of the car has a character that cannot be printed")
    return title


@dataclass(frozen=True, slots=True)
class _Unit:
    """One row, read and checked for itself."""

    row: int
    name: str
    title: str
    location: str
    buses: tuple[str, ...]
    place: float
    fuse: str
    rating_a: float | None
    box: str  # of the fuse
    ground: str
    inline: tuple[str, ...]
    hears: tuple[str, ...] | None
    sends: tuple[str, ...]

    def feed(self, pin: str = "") -> str:
        """How a fuse feeds it."""
        return f"{self.name}{pin}{' via ' if self.inline else ''}{' '.join(self.inline)}"


class _Table:
    def __init__(self, rows: Iterable[TableRow]) -> None:
        self.units = _boxed(list(_units(rows)))
        if not self.units:
            raise Problem("the table is empty: a row needs a module's name and its bus")
        self.by_name: dict[str, _Unit] = {}
        for unit in self.units:
            if unit.name in self.by_name:
                what = f"'{unit.name}' is in row {self.by_name[unit.name].row} already"
                raise TableProblem(what, unit.row, "module")
            self.by_name[unit.name] = unit
        if len(self.units) > MOST_MODULES:
            what = f"a car has at most {MOST_MODULES} modules"
            raise TableProblem(what, self.units[MOST_MODULES].row, "module")
        self.buses = list(dict.fromkeys(bus for unit in self.units for bus in unit.buses))
        if len(self.buses) > MOST_BUSES:
            first = next(unit for unit in self.units if self.buses[MOST_BUSES] in unit.buses)
            raise TableProblem(f"a car has at most {MOST_BUSES} buses", first.row, "bus")
        self.taken = {*RESERVED, *self.by_name}
        for unit in self.units:
            self.taken |= {*unit.buses, *unit.inline, unit.fuse, printed(unit.fuse, unit.box), unit.ground}
        self._default_ground = self._free("G") if any(not unit.ground for unit in self.units) else ""
        self.fuses = self._fuses()

    def _free(self, stem: str, first: str = "") -> str:
        names = chain([first] if first else [], (f"{stem}{number}" for number in count(1)))
        name = next(one for one in names if one not in self.taken)
        self.taken.add(name)
        return name

    def _fuses(self) -> dict[str, list[_Unit]]:
        """Fuses with those they feed; a module without one gets its own."""
        fuses: dict[str, list[_Unit]] = {}
        for unit in self.units:
            name = unit.fuse or self._free("F")
            mates = fuses.setdefault(name, [])
            told = next((one for one in mates if one.rating_a is not None), None)
            if told and unit.rating_a not in (None, told.rating_a):
                what = f"{name} has {told.rating_a:g} A in row {told.row}"
                raise TableProblem(what, unit.row, "fuse")
            mates.append(unit)
        return fuses

    def _fast(self) -> set[str]:
        """The buses that need CAN FD: those of who sends more than 8 bytes, and of who listens to them."""
        senders = {unit.name for unit in self.units if any(map(_is_long, unit.sends))}
        meet = [one for one in self.units if one.name in senders or senders & set(one.hears or ())]
        return {bus for unit in meet for bus in unit.buses}

    # -- the file --------------------------------------------------------------------------------------------

    def lines(self, title: str, bitrates: Mapping[str, int]) -> Iterator[str]:
        """The vehicle file, line by line."""
        key, relay = self._free("key", "key_run"), self._free("K")
        yield "# Began as a table with a row for each module; what the rows left open is common practice."
        yield f"car: {json.dumps(title, ensure_ascii=False)}"
        yield "buses:"
        for bus in self.buses:
            rate = f"bitrate_bps: {bitrates.get(bus, USUAL_BPS)}"
            fast = ", fd: {}" if bus in self._fast() else ""
            yield f"  {_plain(bus)}: {{{rate}{fast}, line: [{', '.join(self._line(bus))}]}}"
        yield from _parts(
            "grounds", dict.fromkeys(unit.ground or self._default_ground for unit in self.units)
        )
        yield from _parts("inline", dict.fromkeys(name for unit in self.units for name in unit.inline))
        yield "fuses:"
        for name, fed in self.fuses.items():
            rating_a = next((one.rating_a for one in fed if one.rating_a is not None), USUAL_FUSE_A)
            box = next(
                (f"location: {json.dumps(one.box, ensure_ascii=False)}, " for one in fed if one.box), ""
            )
            yield _fuse(name, rating_a, [unit.feed() for unit in fed], box)
        yield _fuse(self._free("F"), USUAL_FUSE_A, ["DLC"])
        yield _fuse(self._free("F"), SMALL_FUSE_A, [key])
        feeds = [unit.feed(".IGN") for unit in self.units]
        yield _fuse(self._free("F"), SMALL_FUSE_A, feeds, f"from: {relay}, ")
        yield "relays:"
        yield f"  {relay}: {{title: ignition, coil: {key}}}"
        yield "switches:"
        master = next((unit for unit in self.units if is_role(unit.name, "BCM")), self.units[0])
        yield f"  {key}: {{operated_by: key_run, to: {master.feed(f'.{KEY_PIN}')}}}"
        yield "modules:"
        for unit in self.units:
            wired = [f"inputs: {{{KEY_PIN}: {{}}}}"] if unit is master else []
            yield f"  {_plain(unit.name)}: {{{', '.join([*self._module(unit), *wired])}}}"
        yield "power_modes:"
        yield f"  master: {_plain(master.name)}"
        yield "  rules:"
        yield f"    - {{from: off, on: change, if: {{input: {KEY_PIN}}}, to: run}}"
        yield f"    - {{from: run, on: change, if: {{not: {{input: {KEY_PIN}}}}}, to: off}}"

    def _line(self, bus: str) -> Iterator[str]:
        """The stops of a line; the line passes a module's in-line connector on its way there and back."""
        on = sorted(
            (unit for unit in self.units if bus in unit.buses), key=lambda unit: (unit.place, unit.row)
        )
        stops = [
            (f"{unit.name} terminated" if unit in (on[0], on[-1]) else unit.name, unit.inline) for unit in on
        ]
        if len(on) == 1:
            stops.append((f"{self._free('R')} terminator", ()))
        if bus == self.buses[0]:
            near = [place for place in range(1, len(stops)) if not (stops[place - 1][1] and stops[place][1])]
            stops.insert(near[-1] if near else len(stops) - 1, ("DLC", ()))
        yield _plain(stops[0][0])
        for (_, left), (item, through) in pairwise(stops):
            if left != through:
                yield from reversed(left)
                yield from through
            yield _plain(item)

    def _module(self, unit: _Unit) -> Iterator[str]:
        for key, words in {"title": unit.title or role_title(unit.name), "location": unit.location}.items():
            if words:
                yield f"{key}: {json.dumps(words, ensure_ascii=False)}"
        yield f"ground: {_plain(unit.ground or self._default_ground)}"
        if len(unit.buses) > 1:
            yield "gateway: {}"
        if unit.sends:
            yield f"sends: {{{', '.join(unit.sends)}}}"
        heard = list(self._heard(unit))
        if heard:
            yield f"hears: [{', '.join(heard)}]"
            yield "hears_when: {line: IGN}"

    def _heard(self, unit: _Unit) -> Iterator[str]:
        names = unit.hears
        if names is None:
            names = tuple(one.name for one in self.units if set(one.buses) & set(unit.buses))
        elif names == (ALL_MODULES,) and ALL_MODULES not in self.by_name:
            names = tuple(self.by_name)
        for name in names:
            if name not in self.by_name:
                what = f"no module '{name}' in this table{did_you_mean(name, self.by_name)}"
                raise TableProblem(what, unit.row, "hears")
            if name == unit.name:
                if unit.hears not in (None, (ALL_MODULES,)):
                    raise TableProblem(f"{name} does not listen to itself", unit.row, "hears")
            elif is_known_role(name):
                yield _plain(name)
            else:
                # a code of the maker's own range, by the row: no generic one names this module
                yield f"{{from: {_plain(name)}, code: U1{0x100 + self.by_name[name].row:03X}}}"

    # -- blame -----------------------------------------------------------------------------------------------

    def blame(self, problem: FileProblem) -> NoReturn:
        """Name the rows and columns that the problems of the file come from."""
        raise _together([self._blamed(one) for one in problem.all]) from None

    def _blamed(self, problem: FileProblem) -> TableProblem:
        kind, name, key = (*map(str, problem.path), "", "", "")[:3]
        first = self.units[0]
        match kind:
            case "modules" if name in self.by_name:
                cell, unit = "hears" if problem.what.startswith("needs ") else key, self.by_name[name]
            case "buses":
                cell, unit = "bus", next((one for one in self.units if name in one.buses), first)
            case "fuses":
                cell, unit = "fuse", next(iter(self.fuses.get(name, [first])))
            case "grounds":
                cell, unit = "ground", next((one for one in self.units if one.ground == name), first)
            case "inline":
                cell, unit = "inline", next((one for one in self.units if name in one.inline), first)
            case _:
                raise Problem(problem.what) from None
        return TableProblem(problem.what, unit.row, cell if cell in COLUMNS else "module")


def _units(rows: Iterable[TableRow]) -> Iterator[_Unit]:
    """The rows, each checked for itself; raises `TableProblem` with all that are wrong."""
    rows = list(rows)
    named = {spelled(row.module) for row in rows}
    wrong: list[TableProblem] = []
    for number, row in enumerate(rows, start=1):
        try:
            if not row.is_empty:
                yield _unit(number, row, named)
        except TableProblem as problem:
            wrong.append(problem)
    if wrong:
        raise _together(wrong)


def _together(problems: Sequence[TableProblem]) -> TableProblem:
    first, *others = sorted(problems, key=lambda one: one.row)
    first.others = tuple(others)
    return first


def spelled(module: str) -> str:
    """The name of a module that is written in words: 'A/C control unit' is called A-C-control-unit."""
    words = module.split()
    return "-".join(filter(None, re.split(r"[^A-Za-z0-9_+]+", module))) if len(words) > 1 else "".join(words)


def _unit(number: int, row: TableRow, named: Container[str]) -> _Unit:
    """One row, checked; `named`: the modules of the table."""
    name = spelled(row.module)
    if not name:
        raise TableProblem("a module needs a name", number, "module")
    _name(name, number, "module")
    buses = _names(row.bus, number, "bus")
    if not buses:
        raise TableProblem(f"{name} needs a bus", number, "bus")
    if row.place is not None and not math.isfinite(row.place):
        raise TableProblem(f"a place is a number (here: {row.place})", number, "place")
    fuse, rating_a, box = _rated(row.fuse.strip(), number)
    grounds = _names(row.ground, number, "ground")
    if len(grounds) > 1:
        raise TableProblem(f"one ground point, not {len(grounds)}", number, "ground")
    return _Unit(
        number,
        name,
        _words(row.module, number, "module") if name != row.module.strip() else "",
        _words(row.location, number, "location"),
        buses,
        float(number) if row.place is None else float(row.place),
        fuse,
        rating_a,
        box,
        grounds[0] if grounds else "",
        _names(row.inline, number, "inline"),
        _hears(row.hears, number, named),
        tuple(_messages(row.sends, number)),
    )


def _name(text: str, number: int, cell: str) -> str:
    if not re.fullmatch(NAME, text):
        raise TableProblem(f"{NAME_WORDS} (here: '{_short(text)}')", number, cell)
    if text in RESERVED:
        raise TableProblem(f"the name '{text}' is taken by {RESERVED[text]}", number, cell)
    return text


def _names(text: str, number: int, cell: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(_name(one, number, cell) for one in re.split(r"[,;\s]+", text.strip()) if one))


def _words(text: str, number: int, cell: str) -> str:
    words = " ".join(text.split())
    if not words.isprintable():
        raise TableProblem(f"a sign that cannot be printed (here: '{_short(words)}')", number, cell)
    return words


def _hears(text: str, number: int, named: Container[str]) -> tuple[str, ...] | None:
    """None where the cell is empty."""
    text = text.strip()
    if text == NO_MODULE:
        return ()
    parts = (spelled(part) if spelled(part) in named else part for part in re.split(r"[,;\n]", text))
    return _names(",".join(parts), number, "hears") or None


def _boxed(units: list[_Unit]) -> list[_Unit]:
    """The rows with the names of their fuses: a number that two boxes have is named after its box as well."""
    boxes = boxes_of_numbers((unit.fuse, unit.box) for unit in units)
    named = []
    for unit in units:
        several = boxes[unit.fuse]
        if len(several) > 1 and not unit.box:
            which = " or ".join(f"'{unit.fuse} in {box}'" for box in several)
            raise TableProblem(f"{unit.fuse} is in {len(several)} boxes: write {which}", unit.row, "fuse")
        name = in_box(unit.fuse, unit.box) if len(several) > 1 else unit.fuse
        named.append(replace(unit, fuse=_name(name, unit.row, "fuse") if name else ""))
    return named


def _rated(text: str, number: int) -> tuple[str, float | None, str]:
    if not text:
        return "", None, ""
    match = _FUSE.fullmatch(text)
    if match is None:
        raise TableProblem(
            f"a fuse is written F3, or F3 15 A in engine bay (here: '{_short(text)}')",
            number,
            "fuse",
        )
    rating_a = None if match[2] is None else float(match[2])
    if rating_a is not None and not 0 < rating_a <= 500:
        raise TableProblem(f"a fuse has more than 0 and at most 500 A (here: {rating_a:g} A)", number, "fuse")
    return _name(match[1], number, "fuse"), rating_a, _words(match[3] or "", number, "fuse")


def _messages(text: str, number: int) -> Iterator[str]:
    taken: set[int] = set()
    for one in filter(None, map(str.strip, re.split(r"[,;\n]", text))):
        match = _MESSAGE.fullmatch(one)
        if match is None:
            what = f"a message is written 1A0, or 1A0 every 10 ms 8 bytes (here: '{_short(one)}')"
            raise TableProblem(what, number, "sends")
        can_id, period, length = int(match[1], 16), match[2], match[3]
        if can_id in taken:
            raise TableProblem(f"identifier {can_id:03X} is there twice", number, "sends")
        taken.add(can_id)
        every = f", period_ms: {float(period):g}" if period else ""
        long = f", length: {length}" if length else ""
        yield f"m{can_id:03X}: {{id: 0x{can_id:03X}{every}{long}}}"


def _is_long(message: str) -> bool:
    found = _LENGTH.search(message)
    return found is not None and int(found[1]) > 8


def _short(text: str) -> str:
    return "".join(sign if sign.isprintable() else "?" for sign in text[:60])


def _plain(name: str) -> str:
    return json.dumps(name) if name.lower() in _MEANS_SOMETHING_ELSE else name


def _parts(kind: str, names: Iterable[str]) -> Iterator[str]:
    lines = [f"  {_plain(name)}: {{}}" for name in names]
    if lines:
        yield f"{kind}:"
        yield from lines


def _fuse(name: str, rating_a: float, feeds: Sequence[str], source: str = "") -> str:
    listed = ", ".join(_plain(one) for one in feeds)
    return f"  {_plain(name)}: {{rating_a: {rating_a:g}, {source}feeds: [{listed}]}}"
