"""What an instrument shows, as HTML: meter, lamp, what the eye has found, the scope's screen, readings.

The picture of an instrument has dial and leads as they are chosen now, and the last reading.

A reading is told by digits and words; color and light only repeat them. A sweep is a PNG by matplotlib with
two cursors laid over it as HTML; it is kept by its content, so that a cursor that moves costs no drawing.
"""

from __future__ import annotations

import base64
import hashlib
import io
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import streamlit as st
from markupsafe import Markup

from sim.bench.action_words import words_of
from sim.instruments.expected import ExpectedReading
from sim.instruments.inspection import Inspection
from sim.instruments.lamp import Loaded
from sim.instruments.meter import Measured
from sim.instruments.read import NotedReading
from sim.instruments.result import Result, digits
from sim.instruments.scope import Cursors, Picture
from sim.instruments.screen import figure, scale
from sim.markup import macros
from ui.drawing.meter import dial, lamp_leads, leads

_html = macros(Path(__file__).with_name("instruments.html"))

KINDS = {
    "volts": "volts, average",
    "minimum": "volts, minimum",
    "maximum": "volts, maximum",
    "frequency": "frequency",
    "duty": "duty cycle",
    "ohms": "ohms",
    "continuity": "continuity",
    "amps": "amps, in series",
    "clamp": "amps, clamp meter",
}
GLOW = {"bright": 1.0, "dim": 0.55, "glows": 0.25, "dark": 0.0}
SIZE_IN, DPI = (4.6, 3.7), 160  # for a panel's width; letters come out as large as those around it


@dataclass(frozen=True, slots=True)
class Setup:
    """An instrument as it is set up now: its kind, where its leads are, in words; what the dial offers."""

    kind: str
    at: tuple[str, ...]
    words: tuple[str, ...]
    to_turn: tuple[str, ...] = ()


def display(setup: Setup, last: NotedReading | None) -> Markup:
    """The instrument that is chosen, with the last reading; one of another instrument is a line below it."""
    result = None if last is None else last.result
    is_of = {"load": Loaded, "look": Inspection}.get(setup.kind, Measured)
    own = last if isinstance(result, is_of) else None
    face = _html("look", own) if setup.kind == "look" else {"load": _lamp}.get(setup.kind, _meter)(setup, own)
    if last is None or result is None:
        return face
    return face + (strip(last) if own is None else Markup()) + said(result)


def strip(reading: NotedReading) -> Markup:
    """The same in one line, for beside other work."""
    return _html("strip", reading.result, words_of(reading.result.action))


def readings_table(readings: Iterable[NotedReading]) -> Markup:
    """Readings, the last one on top; each can be picked to be taken again."""
    return _html(
        "readings_table",
        [(one, words_of(one.result.action), _short(one.result)) for one in reversed(list(readings))],
    )


def expected_table(lines: Iterable[ExpectedReading]) -> Markup:
    """What a meter should show, with when and where the figure comes from; each can be picked."""
    return _html("expected_table", [(line, words_of(line.action)) for line in lines])


def said(result: Result) -> Markup:
    """What a trainer would say about a reading, and what taking it has spoiled."""
    return _html("said", result)


def _short(result: Result) -> str:
    if isinstance(result, Inspection):
        return f"{len(result.finds)} found" if result.finds else "nothing found"
    return "a sweep" if isinstance(result, Picture) else result.display


def _meter(setup: Setup, last: NotedReading | None) -> Markup:
    """A meter: the display with the last reading, dimmed where the leads or the dial have moved since."""
    around = (dial(setup.kind, setup.to_turn), leads(setup.kind), setup.words)
    if last is None or not isinstance(last.result, Measured):
        return _html("meter", "nothing measured yet", None, "– – –", "", "", False, False, *around)
    result = last.result
    shown, _, rest = result.display.partition(", ")
    number, _, unit = shown.partition(" ")
    moved = (result.kind, tuple(last.what.points)) != (setup.kind, setup.at)
    return _html("meter", KINDS[result.kind], last, number, unit, rest, result.beeps, moved, *around)


def _lamp(setup: Setup, last: NotedReading | None) -> Markup:
    """A test lamp: how bright it was, and the volts around it."""
    around = (lamp_leads(), setup.words)
    if last is None or not isinstance(last.result, Loaded):
        return _html("lamp", "test lamp", None, "– – –", GLOW["dark"], [], *around)
    result = last.result
    volts = (
        ("without the lamp", result.open_v),
        ("across the lamp", result.loaded_v),
        ("lost before it", result.feed_drop_v),
        ("lost after it", result.ground_drop_v),
    )
    figures = [(words, digits(volt, "V")) for words, volt in volts if volt is not None]
    figures.insert(1 + (result.open_v is not None), ("through it", digits(result.lamp_a, "A")))
    return _html(
        "lamp", f"{last.what.lamp_w:g} W lamp", last, result.light, GLOW[result.light], figures, *around
    )


# -- the scope's screen --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Drawn:
    """A PNG, and where its grid lies: left, top, width, height as shares of the whole."""

    png: bytes
    grid: tuple[float, float, float, float]


def drawn(picture: Picture) -> Drawn:
    """The sweep as a PNG."""
    return _drawn(digest(picture), picture)


@st.cache_data(max_entries=200, show_spinner=False)
def _drawn(key: str, _picture: Picture) -> Drawn:
    made = figure(_picture, title=" ", size_in=SIZE_IN)
    file = io.BytesIO()
    made.savefig(file, format="png", dpi=DPI)
    box = made.axes[0].get_position()
    return Drawn(file.getvalue(), (box.x0, 1 - box.y1, box.width, box.height))


def digest(picture: Picture) -> str:
    """The content of a sweep as a short text."""
    hashed = hashlib.sha256(picture.action.encode())
    for one in picture.channels:
        hashed.update(one.time_s.tobytes())
        hashed.update(one.volt.tobytes())
    hashed.update(repr(picture.frames).encode())
    return hashed.hexdigest()


def screen(picture: Picture, cursors: Cursors) -> Markup:
    """The screen with its cursors, and what they read, as HTML."""
    shown = drawn(picture)
    left, top, width, height = shown.grid
    begin_s = float(picture.channels[0].time_s[0])
    marks = [
        (name, 100 * (left + width * (time_s - begin_s) / picture.sweep_s), 100 * top, 100 * height)
        for name, time_s in zip("AB", cursors.times_s, strict=True)
    ]
    source = f"data:image/png;base64,{base64.b64encode(shown.png).decode('ascii')}"
    words = f"Scope: {picture.action}. {picture.display}"
    divided = scale(picture)
    per = [_round(divided.volt_v, "V"), _round(divided.time_s, "s")]
    return (
        _html("screen", source, words, marks, len(picture.channels), *per)
        + _read_out(picture, cursors)
        + said(picture)
    )


def _read_out(picture: Picture, cursors: Cursors) -> Markup:
    volts = [(*at, step_v) for at, step_v in zip(cursors.volts, cursors.steps_v, strict=True)]
    channels = [
        (one, [digits(volt, "V") for volt in each]) for one, each in zip(picture.channels, volts, strict=True)
    ]
    less: list[str] = []
    if len(volts) == 2 and not any(one.floating for one in picture.channels):
        less = [digits(first - second, "V") for first, second in zip(*cursors.volts, strict=True)]
    times = [_time(time_s) for time_s in (*cursors.times_s, cursors.between_s)]
    return _html("read_out", *times, channels, less)


def _round(value: float, unit: str) -> str:
    """0.00005 s as 50 µs."""
    shrunk = next((one for one in (("", 1.0), ("m", 1e-3), ("µ", 1e-6)) if value >= one[1]), ("n", 1e-9))
    return f"{value / shrunk[1]:g} {shrunk[0]}{unit}"


def _time(time_s: float) -> str:
    size = abs(time_s)
    return f"{time_s * 1e6:.1f} µs" if size < 1e-3 else f"{time_s * 1e3:.3f} ms"
