"""The diagrams of a CAN bus line and of a LIN cluster."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

from sim.instruments.labels import HIGH, LOW, MINUS, ONE_WIRE, PLUS
from sim.instruments.service import ServiceInformation
from sim.instruments.sheet import BOX, FAINT, MARGIN, Sheet
from sim.vehicle.description_wiring import Bus
from sim.vehicle.wire_ends import LineStop

STOP_X = 132  # px from stop to stop
LEFT, LINE_Y, LOW_Y = MARGIN + 70, MARGIN + 150, MARGIN + 178


class _Line(NamedTuple):
    """One wire of a pair: the letter of its pins, its words beside the line and in full, its color."""

    leg: str
    short: str
    words: str
    color: str


_CAN_LINES = (_Line("H", "high", "CAN high", HIGH), _Line("L", "low", "CAN low", LOW))
_LINK_LINES = (
    _Line("P", "plus", "Ethernet plus", PLUS),
    _Line("N", "minus", "Ethernet minus", MINUS),
)


@dataclass(frozen=True, slots=True)
class _Stop:
    """A stop of a line: its place in px, and on which side of the line its box is."""

    name: str
    x: float
    above: bool

    def box_y(self, lowest_line: float) -> float:
        """Return the upper edge of the box."""
        return LINE_Y - 96 if self.above else lowest_line + 40

    def near(self, lowest_line: float) -> float:
        """The edge of the box that faces the line."""
        return self.box_y(lowest_line) + (56 if self.above else 0)


def _stops(names: Iterable[str]) -> Iterator[_Stop]:
    return (_Stop(name, LEFT + k * STOP_X, k % 2 == 0) for k, name in enumerate(names))


def bus_diagram(service: ServiceInformation, bus: str) -> str:
    """Return the diagram of a CAN bus: the pair with its stops in their order."""
    spec = service.vehicle.buses[bus]
    stops = spec.stops
    sheet = Sheet()
    lines = _LINK_LINES if spec.is_ethernet else _CAN_LINES
    for y, one in zip((LINE_Y, LOW_Y), lines, strict=True):
        _line(sheet, y, len(stops), one.short, one.color)
    title = f"{spec.title or bus}, {spec.rate}"
    sheet.text(LEFT, MARGIN + 8, title, 15, "start", bold=True)
    for stop, at in zip(_stops(one.name for one in stops), stops, strict=True):
        name = at.name
        if name in service.vehicle.inline:
            _inline(sheet, stop, (LINE_Y, LOW_Y))
        elif at.is_resistor:
            _terminator(sheet, stop)
        else:
            note = ", ".join(_extras(spec, at))
            _module(sheet, stop, note, f"{name}{f', {note}' if note else ''}", LOW_Y)
            ends = service.bus_pins(bus, name)
            for y, dx, one in zip((LINE_Y, LOW_Y), (-14, 14), lines, strict=True):
                _pin(sheet, stop, ends.get(one.leg, ""), dx, one.words, (y, LOW_Y), one.color)
    return sheet.svg(f"Wiring diagram of bus {bus}")


def _extras(spec: Bus, stop: LineStop) -> Iterator[str]:
    """What is written in the box of a module on a pair."""
    if spec.is_ethernet:
        yield f"PHY {'master' if spec.phy_master == stop.name else 'slave'}"
    if stop.is_terminated:
        yield "120 Ω"
    if stop.is_through:
        yield "in and out"


def cluster_diagram(service: ServiceInformation, cluster: str) -> str:
    """Return the diagram of a LIN cluster: one wire, the pull-ups of master and slaves in their boxes."""
    spec = service.vehicle.lin[cluster]
    sheet = Sheet()
    _line(sheet, LINE_Y, len(spec.line), "LIN", ONE_WIRE)
    title = f"{spec.title or cluster}, LIN {spec.bitrate_bps / 1000:g} kbit/s"
    sheet.text(LEFT, MARGIN + 8, title, 15, "start", bold=True)
    for stop in _stops(spec.line):
        if stop.name in service.vehicle.inline:
            _inline(sheet, stop, (LINE_Y,))
            continue
        note = "master, 1 kΩ" if stop.name == spec.master else "slave, 30 kΩ"
        _module(sheet, stop, note, f"{stop.name}, {note} to its supply", LINE_Y)
        pin = service.bus_pins(cluster, stop.name)["LIN"]
        _pin(sheet, stop, pin, 0, "LIN", (LINE_Y, LINE_Y), ONE_WIRE)
    return sheet.svg(f"Wiring diagram of LIN cluster {cluster}")


def _line(sheet: Sheet, y: float, stops: int, words: str, color: str) -> None:
    sheet.wire(LEFT - 14, y, LEFT + (stops - 1) * STOP_X + 14, y, color)
    sheet.text(LEFT - 26, y + 4, words, size=12, anchor="end", ink=FAINT)


def _module(sheet: Sheet, stop: _Stop, note: str, title: str, lowest_line: float) -> None:
    """The box of a module."""
    inside, top = Sheet(), stop.box_y(lowest_line)
    inside.box(stop.x - 46, top, 92, 56, BOX)
    inside.text(stop.x, top + 24, stop.name, size=15, bold=True)
    inside.text(stop.x, top + 42, note, size=12, ink=FAINT)
    sheet.part(stop.name, title, inside)
    sheet.reach(stop.x + 60, top + 60)


def _pin(
    sheet: Sheet, stop: _Stop, pin: str, dx: float, words: str, lines: tuple[float, float], color: str
) -> None:
    """A pin of a module's box and its stub. lines: the one that the stub ends on, and the lowest."""
    x, near = stop.x + dx, stop.near(lines[1])
    sheet.wire(x, near, x, lines[0], color)
    inside = Sheet()
    inside.terminal(x, near, bold=False)
    inside.text(
        stop.x + (2 * dx or 14), near + (13 if stop.above else -5), pin.rpartition(".")[2], size=11, ink=FAINT
    )
    sheet.part(pin or stop.name, f"{pin}, {words}", inside)
    sheet.dot(x, lines[0], 3.5)


def _terminator(sheet: Sheet, stop: _Stop) -> None:
    inside = Sheet()
    inside.box(stop.x - 7, LINE_Y + 4, 14, 20)
    inside.text(stop.x, LOW_Y + 22, f"{stop.name} 120 Ω", size=12)
    sheet.part(f"{stop.name}.H", f"terminator {stop.name}, 120 Ω", inside)


def _inline(sheet: Sheet, stop: _Stop, lines: tuple[float, ...]) -> None:
    inside = Sheet()
    for y in lines:
        inside.plug(stop.x, y, 6)
    inside.text(stop.x, lines[0] - 16, stop.name, bold=True)
    sheet.part(stop.name, f"in-line connector {stop.name}", inside)
