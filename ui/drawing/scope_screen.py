"""The scope's screen: a sweep as a PNG by matplotlib, with two cursors laid over it as HTML.

The PNG is kept by its content, so that only a new sweep is drawn; a cursor that moves costs no drawing.
"""

from __future__ import annotations

import base64
import hashlib
import io
from dataclasses import dataclass
from pathlib import Path

import streamlit as st
from markupsafe import Markup

from sim.instruments.result import digits
from sim.instruments.scope import Cursors, Picture
from sim.instruments.screen import DAY, NIGHT, figure
from sim.markup import macros
from ui.drawing.meter import said

_html = macros(Path(__file__).with_name("instruments.html"))

SIZE_IN, DPI = (4.6, 3.7), 160  # for a panel's width; letters come out as large as those around it


@dataclass(frozen=True, slots=True)
class Drawn:
    """A PNG, and where its grid lies: left, top, width, height as shares of the whole."""

    png: bytes
    grid: tuple[float, float, float, float]


def drawn(picture: Picture, dark: bool = False) -> Drawn:
    """The sweep as a PNG."""
    return _drawn(digest(picture), picture, dark)


@st.cache_data(max_entries=200, show_spinner=False)
def _drawn(key: str, _picture: Picture, dark: bool) -> Drawn:
    made = figure(_picture, title=" ", paint=NIGHT if dark else DAY, size_in=SIZE_IN)
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


def screen(picture: Picture, cursors: Cursors, dark: bool = False) -> Markup:
    """The screen with its cursors, and what they read, as HTML."""
    shown = drawn(picture, dark)
    left, top, width, height = shown.grid
    begin_s = float(picture.channels[0].time_s[0])
    marks = [
        (name, 100 * (left + width * (time_s - begin_s) / picture.sweep_s), 100 * top, 100 * height)
        for name, time_s in zip("AB", cursors.times_s, strict=True)
    ]
    source = f"data:image/png;base64,{base64.b64encode(shown.png).decode('ascii')}"
    words = f"Scope: {picture.action}. {picture.display}"
    return _html("screen", source, words, marks) + _read_out(picture, cursors) + said(picture)


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


def _time(time_s: float) -> str:
    size = abs(time_s)
    return f"{time_s * 1e6:.1f} µs" if size < 1e-3 else f"{time_s * 1e3:.3f} ms"
