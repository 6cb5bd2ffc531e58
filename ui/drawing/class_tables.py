"""A class as HTML: its join code for the projector, and the board."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from markupsafe import Markup

from sim.markup import macros
from sim.training.rows import BoardRow

_html = macros(Path(__file__).with_name("class.html"))

LESS = ("exercise", "last")  # what a phone has no room for


def join_code(code: str, address: str) -> Markup:
    """The code in letters that the last row can read."""
    return _html("join_code", code, address)


def board(rows: Iterable[BoardRow], minutes: Mapping[str, float]) -> Markup:
    """One line per student, each of which can be picked; `minutes`: what an exercise is meant to take."""
    told = [(row, *_state(row), _work(row, minutes.get(row.exercise, 0.0))) for row in rows]
    return _html("board", told, LESS)


def _state(row: BoardRow) -> tuple[str, str]:
    if row.attempt_id is None:
        return "waits", "not begun"
    if row.complete is None:
        return "works", "at work"
    credit = f"{100 * (row.credit or 0.0):.0f} %"
    credit += ", after it was shown" if row.after_showing else ""
    return ("done", f"complete, {credit}") if row.complete else ("part", f"handed in, {credit}")


def _work(row: BoardRow, target_min: float) -> Markup | str:
    if row.attempt_id is None:
        return ""
    of = f" of {target_min:.0f}" if target_min else ""
    over_min = row.minutes - target_min if target_min else 0.0
    hints = f", {row.hints} hint{'s' if row.hints != 1 else ''}" if row.hints else ""
    steps = f"{row.steps} step{'s' if row.steps != 1 else ''}"
    late = f", {over_min:.0f} over" if over_min > 0 else ""
    words = f"{row.minutes:.0f}{of} min{late}, {steps}{hints}"
    return _html("work", row, words, target_min, over_min > 0)
