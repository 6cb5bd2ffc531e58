"""What an instrument shows, as HTML: meter, lamp, what the eye has found, the last readings.

A reading is told by digits and words; colour and light only repeat them.
"""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

from sim.instruments.expected import ExpectedReading
from sim.instruments.inspection import Look
from sim.instruments.lamp import Loaded
from sim.instruments.meter import Measured
from sim.instruments.result import Result, digits
from sim.instruments.scope import Picture
from ui.state.readings import Reading

KINDS = {
    "volts": "volts, average",
    "minimum": "volts, minimum",
    "ohms": "ohms",
    "continuity": "continuity",
    "amps": "amps, in series",
}
GLOW = {"bright": 1.0, "dim": 0.55, "glows": 0.25, "dark": 0.0}


def display(reading: Reading) -> str:
    """The instrument that was used last, with its reading and what a trainer would say about it."""
    result = reading.result
    match result:
        case Measured():
            face = _meter(result, reading.time_s)
        case Loaded():
            face = _lamp(result, reading.time_s)
        case Look():
            face = _eye(result, reading.time_s)
        case _:
            face = f'<div class="meter"><div class="digits">{escape(result.display)}</div></div>'
    return face + said(result)


def blank() -> str:
    """A meter that has shown nothing yet."""
    return (
        '<div class="meter"><div class="title"><span>nothing measured yet</span></div>'
        '<div class="digits dim">– – –</div></div>'
    )


def strip(reading: Reading) -> str:
    """The same in one line, for beside other work."""
    return (
        f'<div class="meter line" role="status"><b>{escape(reading.result.display)}</b>'
        f'<span class="small dim">{escape(reading.result.action)}</span></div>'
    )


def readings_table(readings: Iterable[Reading]) -> str:
    """Readings, the last one on top; each can be picked to be taken again."""
    rows = "".join(
        f'<tr data-id="{reading.place}" tabindex="0"><td>{escape(reading.result.action)}<br>'
        f'<span class="dim small">at {reading.time_s:.1f} s</span></td>'
        f'<td class="code shown">{escape(_short(reading.result))}</td></tr>'
        for reading in reversed(list(readings))
    )
    return f'<div class="scroll"><table>{rows}</table></div>'


def expected_table(lines: Iterable[ExpectedReading]) -> str:
    """What a meter should show, with when and where the figure comes from; each can be picked."""
    rows = "".join(
        f'<tr data-id="{escape(line.action)}" tabindex="0"><td>{escape(line.action)}</td>'
        f'<td class="code">{line.low:g} … {line.high:g} {escape(line.unit)}</td>'
        f'<td>{escape(line.when)}<br><span class="small dim">{escape(line.source)}</span></td></tr>'
        for line in lines
    )
    head = "<tr><th>measured so</th><th>should show</th><th>when, and the source</th></tr>"
    return f'<div class="wide"><table>{head}{rows}</table></div>'


def _short(result: Result) -> str:
    if isinstance(result, Look):
        return f"{len(result.finds)} found" if result.finds else "nothing found"
    return "a sweep" if isinstance(result, Picture) else result.display


def _meter(result: Measured, time_s: float) -> str:
    shown, _, rest = result.display.partition(", ")
    number, _, unit = shown.partition(" ")
    points = result.action.split(" by ")[0].split(" while ")[0].split()[2:]
    leads = _leads(points[0], points[-1]) if len(points) == 3 else _in_series(points[0])
    buzz = f'<span class="buzz {"on" if result.beeps else ""}">{escape(rest)}</span>' if rest else ""
    return _case(
        KINDS[result.kind],
        time_s,
        f'<div class="digits">{escape(number)}<span class="unit">{escape(unit)}</span>{buzz}</div>{leads}',
    )


def _lamp(result: Loaded, time_s: float) -> str:
    red, black = result.action.split()[1], result.action.split()[3]
    bulb = (
        f'<span class="bulb" style="--glow: {GLOW[result.light]}"><i></i></span>'
        f'<b class="light">{escape(result.light)}</b>'
    )
    figures = [("across the lamp", digits(result.loaded_v, "V")), ("through it", digits(result.lamp_a, "A"))]
    if result.open_v is not None:
        figures.insert(0, ("without the lamp", digits(result.open_v, "V")))
    for words, drop_v in (("lost before it", result.feed_drop_v), ("lost behind it", result.ground_drop_v)):
        if drop_v is not None:
            figures.append((words, digits(drop_v, "V")))
    cells = "".join(
        f'<div><span class="small dim">{words}</span><b class="code">{escape(value)}</b></div>'
        for words, value in figures
    )
    watts = escape(result.action.partition(" with ")[2].partition(" by ")[0])
    face = f'<div class="digits lampface">{bulb}</div><div class="figures">{cells}</div>{_leads(red, black)}'
    return _case(watts, time_s, face)


def _eye(result: Look, time_s: float) -> str:
    lines = "".join(
        f'<li class="{"found" if words in result.finds else ""}">{escape(words)}</li>'
        for words in result.sees
    )
    return _case(f"looked at {result.part}", time_s, f'<ul class="seen">{lines}</ul>')


def _case(title: str, time_s: float, face: str) -> str:
    return (
        f'<div class="meter" role="status" aria-live="polite"><div class="title"><span>{escape(title)}</span>'
        f"<span>at {time_s:.1f} s</span></div>{face}</div>"
    )


def _leads(red: str, black: str) -> str:
    return (
        f'<div class="leads"><span><i class="red">+</i>{escape(red)}</span>'
        f'<span><i class="black">−</i>{escape(black)}</span></div>'
    )


def _in_series(place: str) -> str:
    return f'<div class="leads"><span>in series at {escape(place)}</span></div>'


def said(result: Result) -> str:
    """What a trainer would say about a reading, and what taking it has spoilt."""
    notes = "".join(f"<li>{escape(text)}</li>" for text in result.notes)
    harm = "".join(f'<li class="harm">On a real car: {escape(text)}</li>' for text in result.harm)
    return f'<ul class="said">{notes}{harm}</ul>' if notes or harm else ""
