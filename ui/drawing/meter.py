"""What an instrument shows, as HTML: meter, lamp, what the eye has found, the last readings.

A reading is told by digits and words; color and light only repeat them.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from markupsafe import Markup

from sim.instruments.expected import ExpectedReading
from sim.instruments.inspection import Inspection
from sim.instruments.lamp import Loaded
from sim.instruments.meter import Measured
from sim.instruments.read import NotedReading
from sim.instruments.result import Result, digits
from sim.instruments.scope import Picture
from sim.markup import macros

_html = macros(Path(__file__).with_name("instruments.html"))

KINDS = {
    "volts": "volts, average",
    "minimum": "volts, minimum",
    "ohms": "ohms",
    "continuity": "continuity",
    "amps": "amps, in series",
}
GLOW = {"bright": 1.0, "dim": 0.55, "glows": 0.25, "dark": 0.0}


def display(reading: NotedReading) -> Markup:
    """The instrument that was used last, with its reading and what a trainer would say about it."""
    result = reading.result
    match result:
        case Measured():
            face = _meter(result, reading.time_s)
        case Loaded():
            face = _lamp(result, reading.time_s)
        case Inspection():
            face = _html("look", result, reading.time_s)
        case _:
            face = _html("plain", result)
    return face + said(result)


def blank() -> Markup:
    """A meter that has shown nothing yet."""
    return _html("blank")


def strip(reading: NotedReading) -> Markup:
    """The same in one line, for beside other work."""
    return _html("strip", reading.result)


def readings_table(readings: Iterable[NotedReading]) -> Markup:
    """Readings, the last one on top; each can be picked to be taken again."""
    return _html("readings_table", [(one, _short(one.result)) for one in reversed(list(readings))])


def expected_table(lines: Iterable[ExpectedReading]) -> Markup:
    """What a meter should show, with when and where the figure comes from; each can be picked."""
    return _html("expected_table", lines)


def said(result: Result) -> Markup:
    """What a trainer would say about a reading, and what taking it has spoilt."""
    return _html("said", result)


def _short(result: Result) -> str:
    if isinstance(result, Inspection):
        return f"{len(result.finds)} found" if result.finds else "nothing found"
    return "a sweep" if isinstance(result, Picture) else result.display


def _meter(result: Measured, time_s: float) -> Markup:
    shown, _, rest = result.display.partition(", ")
    number, _, unit = shown.partition(" ")
    points = result.action.split(" by ")[0].split(" while ")[0].split()[2:]
    return _html("meter", KINDS[result.kind], time_s, number, unit, rest, result.beeps, points)


def _lamp(result: Loaded, time_s: float) -> Markup:
    red, black = result.action.split()[1], result.action.split()[3]
    volts = (
        ("without the lamp", result.open_v),
        ("across the lamp", result.loaded_v),
        ("lost before it", result.feed_drop_v),
        ("lost behind it", result.ground_drop_v),
    )
    figures = [(words, digits(volt, "V")) for words, volt in volts if volt is not None]
    figures.insert(1 + (result.open_v is not None), ("through it", digits(result.lamp_a, "A")))
    watts = result.action.partition(" with ")[2].partition(" by ")[0]
    return _html("lamp", result, GLOW[result.light], time_s, watts, figures, red, black)
