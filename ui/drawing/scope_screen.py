"""The scope's screen: a sweep as a PNG by matplotlib, with two cursors laid over it as HTML.

The PNG is kept by its content, so that only a new sweep is drawn; a cursor that moves costs no drawing.
"""

from __future__ import annotations

import base64
import hashlib
import io
from dataclasses import dataclass
from html import escape

import streamlit as st

from sim.instruments.result import digits
from sim.instruments.scope import Cursors, Picture
from sim.instruments.screen import DAY, NIGHT, figure
from ui.drawing.meter import said

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


def screen(picture: Picture, cursors: Cursors, dark: bool = False) -> str:
    """The screen with its cursors, and what they read, as HTML."""
    shown = drawn(picture, dark)
    left, top, width, height = shown.grid
    begin_s = float(picture.channels[0].time_s[0])
    marks = "".join(
        f'<i class="cursor" style="left:{100 * (left + width * (time_s - begin_s) / picture.sweep_s):.3f}%;'
        f'top:{100 * top:.2f}%;height:{100 * height:.2f}%"><b>{name}</b></i>'
        for name, time_s in zip("AB", cursors.times_s, strict=True)
    )
    source = f"data:image/png;base64,{base64.b64encode(shown.png).decode('ascii')}"
    words = escape(f"Scope: {picture.action}. {picture.display}", quote=True)
    return (
        f'<div class="screen"><img src="{source}" alt="{words}">{marks}</div>'
        f"{_read_out(picture, cursors)}{said(picture)}"
    )


def _read_out(picture: Picture, cursors: Cursors) -> str:
    head = f"<tr><th></th><th>A {_time(cursors.times_s[0])}</th><th>B {_time(cursors.times_s[1])}</th>"
    rows = [f"{head}<th>B less A, {_time(cursors.between_s)}</th></tr>"]
    volts = zip(picture.channels, cursors.volts, cursors.steps_v, strict=True)
    for number, (one, (first_v, second_v), step_v) in enumerate(volts, start=1):
        cells = (
            '<td colspan="3">floating</td>'
            if one.floating
            else "".join(f'<td class="code">{digits(volt, "V")}</td>' for volt in (first_v, second_v, step_v))
        )
        name = f"{number}: {escape(one.a)} to {escape(one.b)}"
        rows.append(f'<tr><td><span class="trace t{number}"></span>{name}</td>{cells}</tr>')
    if len(picture.channels) == 2 and not any(one.floating for one in picture.channels):
        between = [first[0] - second[0] for first, second in zip(*_both(cursors), strict=True)]
        cells = "".join(f'<td class="code">{digits(volt, "V")}</td>' for volt in between)
        rows.append(f"<tr><td>1 less 2</td>{cells}<td></td></tr>")
    return f'<div class="wide"><table class="readout">{"".join(rows)}</table></div>'


def _both(cursors: Cursors) -> tuple[list[tuple[float]], list[tuple[float]]]:
    """Volts of the first and of the second channel at A and at B."""
    first, second = cursors.volts
    return [(volt,) for volt in first], [(volt,) for volt in second]


def _time(time_s: float) -> str:
    size = abs(time_s)
    return f"{time_s * 1e6:.1f} µs" if size < 1e-3 else f"{time_s * 1e3:.3f} ms"
