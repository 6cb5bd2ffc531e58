"""A class as HTML: its join code for the projector, and the board."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from html import escape

from sim.training.records import BoardRow

LESS = ("exercise", "last")  # what a phone has no room for


def join_code(code: str, address: str) -> str:
    """The code in letters that the last row can read."""
    spaced = "".join(f"<span>{escape(letter)}</span>" for letter in code)
    return (
        f'<div class="joincode" role="img" aria-label="class code {escape(" ".join(code))}">{spaced}</div>'
        f'<p class="joinwhere">{escape(address)}</p>'
    )


def board(rows: Iterable[BoardRow], minutes: Mapping[str, float]) -> str:
    """One line per student, each of which can be picked; `minutes`: what an exercise is meant to take."""
    head = "".join(
        f'<th class="{"less" if name in LESS else ""}">{name}</th>'
        for name in ("student", "exercise", "state", "work", "last", "look here")
    )
    body = "".join(_row(row, minutes.get(row.exercise, 0.0)) for row in rows)
    return f'<div class="wide"><table class="board"><tr>{head}</tr>{body}</table></div>'


def _row(row: BoardRow, target_min: float) -> str:
    state, words = _state(row)
    signs = "".join(f'<span class="sign">{escape(sign)}</span>' for sign in row.signs)
    name = escape(row.student)
    return (
        f'<tr data-id="{row.student_id}" tabindex="0" aria-label="{name}: {words}">'
        f'<td class="who">{name}</td><td class="less">{escape(row.exercise)}</td>'
        f'<td><span class="at {state}">{words}</span></td><td>{_work(row, target_min)}</td>'
        f'<td class="small less">{escape(row.last_action)}</td><td>{signs}</td></tr>'
    )


def _state(row: BoardRow) -> tuple[str, str]:
    if row.attempt_id is None:
        return "waits", "not begun"
    if row.complete is None:
        return "works", "at work"
    credit = f"{100 * (row.credit or 0.0):.0f} %"
    credit += ", after it was shown" if row.after_showing else ""
    return ("done", f"complete, {credit}") if row.complete else ("part", f"handed in, {credit}")


def _work(row: BoardRow, target_min: float) -> str:
    if row.attempt_id is None:
        return ""
    of = f" of {target_min:.0f}" if target_min else ""
    over_min = row.minutes - target_min if target_min else 0.0
    bar = ""
    if target_min:
        share = min(100.0, 100 * row.minutes / target_min)
        over = " over" if over_min > 0 else ""
        bar = f'<span class="bar{over}" aria-hidden="true"><i style="width: {share:.0f}%"></i></span>'
    hints = f", {row.hints} hint{'s' if row.hints != 1 else ''}" if row.hints else ""
    steps = f"{row.steps} step{'s' if row.steps != 1 else ''}"
    late = f", {over_min:.0f} over" if over_min > 0 else ""
    return f'{bar}<span class="small">{row.minutes:.0f}{of} min{late}, {steps}{hints}</span>'
