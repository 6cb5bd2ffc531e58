"""Tables, trees and lamps as HTML text."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from sim.bench.explain import Because
from sim.bench.tester import Difference, ModuleReport, Report
from sim.instruments.seat import Lamp, Seat
from sim.modules.trace import Event

OPEN_DEPTH = 3  # levels of a tree that stand open at first

_LAMP_HUES = {
    "red": "--st-red-color",
    "amber": "--st-orange-color",
    "green": "--st-green-color",
    "blue": "--st-blue-color",
}


def seat_panel(seat: Seat) -> str:
    """What the driver sees: ignition, engine, fob, lamps."""
    dials = (
        ("ignition", seat.ignition),
        ("engine", seat.engine),
        ("cluster", seat.cluster),
        ("fob", seat.fob),
    )
    faces = "".join(
        f'<div class="dial"><span class="small dim">{name}</span><b>{escape(value)}</b></div>'
        for name, value in dials
    )
    lamps = "".join(_lamp(lamp) for lamp in seat.lamps)
    lamp_list = f'<div class="lamps" role="list" aria-label="warning lamps">{lamps}</div>'
    return f'<div class="dash">{faces}</div>{lamp_list}'


def _lamp(lamp: Lamp) -> str:
    state = "lit" if lamp.lit else "dark"
    title = escape(lamp.title.replace("_", " "))
    return (
        f'<span class="lamp {state}" role="listitem" style="--lamp: var({_LAMP_HUES[lamp.colour]})" '
        f'title="{title}, {lamp.colour}: {state}"><i></i>{title}{" · lit" if lamp.lit else ""}</span>'
    )


def report_table(report: Report, shown: str = "all") -> str:
    """A scan: module by module, code by code. `shown`: all, with codes, silent. A row can be asked why."""
    if not report.power:
        return '<p class="silent">The tester has no power: nothing comes from pin 16 of its connector.</p>'
    silent = [_silent_row(entry) for entry in report.modules if not entry.answers and shown != "with codes"]
    coded = [row for entry in report.modules for row in _code_rows(entry) if shown != "silent"]
    clean = [entry for entry in report.modules if entry.answers and not entry.codes]
    head = "<tr><th>module</th><th>code</th><th>text</th><th>state</th></tr>"
    table = f'<table class="report">{head}{"".join(silent + coded)}</table>' if silent or coded else ""
    return f'<div class="wide scroll">{table}</div>{_clean_line(clean) if shown == "all" else ""}'


def _clean_line(clean: list[ModuleReport]) -> str:
    if not clean:
        return ""
    names = ", ".join(f"{entry.module} ({entry.note})" if entry.note else entry.module for entry in clean)
    return f'<p class="clean"><b>{len(clean)} without codes:</b> {escape(names)}</p>'


def _silent_row(entry: ModuleReport) -> str:
    ident = escape(f"silent {entry.module}")
    return (
        f'<tr data-id="{ident}" tabindex="0"><td class="who">{escape(entry.module)}</td>'
        '<td colspan="3"><span class="silent">no answer</span></td></tr>'
    )


def _code_rows(entry: ModuleReport) -> list[str]:
    rows = []
    for code in entry.codes:
        state = "present" if code.failing_now else "stored"
        flags = escape(", ".join(code.flags))
        ident = escape(f"code {entry.module} {code.code}")
        rows.append(
            f'<tr data-id="{ident}" tabindex="0" title="{flags}"><td class="who">{escape(entry.module)}</td>'
            f'<td class="code">{escape(code.code)}</td><td class="small">{escape(code.description)}</td>'
            f'<td class="state"><span class="{state}">{state}</span> '
            f'<span class="dim small code">{code.status:02X}</span></td></tr>'
        )
    return rows


def difference_table(found: Difference) -> str:
    """What changed from one report to the other."""
    rows = [
        *(("new", f"{module} {code}") for module, code in found.new_codes),
        *(("gone", f"{module} {code}") for module, code in found.gone_codes),
        *(("now silent", module) for module in found.now_silent),
        *(("answers again", module) for module in found.now_answering),
    ]
    if not rows:
        return '<p class="dim">no difference</p>'
    body = "".join(
        f'<tr><td class="who">{escape(what)}</td><td class="code">{escape(text)}</td></tr>'
        for what, text in rows
    )
    return f"<table>{body}</table>"


def because_tree(because: Because, depth: int = 0) -> str:
    """A tree of reasons; deep branches stand closed."""
    when = "" if because.time_s is None else f'<span class="when">at {because.time_s:.3f} s</span>'
    line = f'<span class="{"edit" if because.edited else ""}">{escape(because.text)}</span>{when}'
    if not because.causes:
        return f'<div class="leaf">{line}</div>' if depth else f"<div>{line}</div>"
    inner = "".join(because_tree(cause, depth + 1) for cause in because.causes)
    opened = " open" if depth < OPEN_DEPTH else ""
    return f'<details class="{"" if depth else "top"}"{opened}><summary>{line}</summary>{inner}</details>'


def event_list(events: Sequence[Event], most: int = 60) -> str:
    """What happened, one line each, with its time; the last `most` of them."""
    if not events:
        return '<p class="dim">nothing to tell</p>'
    left_out = (
        f'<p class="dim small">{len(events) - most} earlier lines are left out</p>'
        if len(events) > most
        else ""
    )
    rows = "".join(
        f'<tr data-id="event {event.id}" tabindex="0"><td class="code dim">{event.time_s:.3f} s</td>'
        f"<td>{escape(event.text)}</td></tr>"
        for event in events[-most:]
    )
    return f'{left_out}<div class="scroll"><table>{rows}</table></div>'


def numbered(lines: Iterable[str], start: int = 1) -> str:
    """An ordered list in a box of limited height."""
    items = "".join(f"<li>{escape(line)}</li>" for line in lines)
    return f'<div class="scroll"><ol start="{start}">{items}</ol></div>'


def step_list(steps: Iterable[tuple[str, bool]]) -> str:
    """Steps with a tick before those that are done."""
    lines = "".join(f'<li class="{"done" if done else "open"}">{escape(words)}</li>' for words, done in steps)
    return f'<ul class="steps">{lines}</ul>'


def plain_table(head: Sequence[str], rows: Iterable[Sequence[str]], code_columns: Sequence[int] = ()) -> str:
    """Any table of texts."""
    top = "".join(f"<th>{escape(word)}</th>" for word in head)
    body = "".join(
        "<tr>"
        + "".join(
            f'<td class="{"code" if place in code_columns else ""}">{escape(cell)}</td>'
            for place, cell in enumerate(row)
        )
        + "</tr>"
        for row in rows
    )
    return f'<div class="wide"><table><tr>{top}</tr>{body}</table></div>'


def side_by_side(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Rows of one label and one cell per case; a row whose cells differ says so."""
    top = "".join(f"<th>{escape(word)}</th>" for word in head)
    lines = []
    for label, *cells in rows:
        differs = len(set(cells)) > 1
        marked = ' class="differs"' if differs else ""
        note = ' <span class="dim small">differs</span>' if differs else ""
        body = "".join(f"<td>{escape(cell)}</td>" for cell in cells)
        lines.append(f'<tr{marked}><td class="who">{escape(label)}{note}</td>{body}</tr>')
    return f'<div class="wide"><table><tr>{top}</tr>{"".join(lines)}</table></div>'
