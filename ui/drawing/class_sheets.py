"""A class as HTML: its join code for the projector, the board, and what a student's steps have shown."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

import segno
from markupsafe import Markup

from sim.bench.action_words import words_of
from sim.markup import macros
from sim.modules.facts import engine_told
from sim.training.jobs import WorkStep
from sim.training.rows import BoardRow
from sim.training.step_words import step_words
from sim.vehicle.car import Car
from sim.vehicle.words import counted

_html = macros(Path(__file__).with_name("class.html"))

LESS = ("exercise", "last")  # what a phone has no room for


def join_code(code: str, address: str) -> Markup:
    """The code in letters that the last row can read, and the address as a QR code, if there is one."""
    return _html("join_code", code, address, qr_code(address) if address else "")


def qr_code(address: str) -> Markup:
    """An address as a QR code (ISO/IEC 18004), dark on light in either scheme, as cameras need it."""
    drawn = segno.make(address, error="m", micro=False)
    return Markup(drawn.svg_inline(border=4, dark="#000000", light="#FFFFFF", omitsize=True))


def board(rows: Iterable[BoardRow], minutes: Mapping[str, float]) -> Markup:
    """One line per student, each of which can be picked; `minutes`: what an exercise is meant to take."""
    told = [
        (row, *_state(row), _work(row, minutes.get(row.exercise, 0.0)), words_of(row.last_action))
        for row in rows
    ]
    return _html("board", told, LESS)


def _state(row: BoardRow) -> tuple[str, str]:
    if row.attempt_id is None:
        return "waits", "not begun"
    if row.complete is None:
        return "works", "at work"
    if not row.released:  # the board is on the projector
        return "done", "handed in, late" if row.late else "handed in"
    credit = f"{100 * (row.credit or 0.0):.0f} %"
    credit += ", after it was shown" if row.after_showing else ""
    credit += ", late" if row.late else ""
    return ("done", f"complete, {credit}") if row.complete else ("part", f"handed in, {credit}")


def _work(row: BoardRow, target_min: float) -> Markup | str:
    if row.attempt_id is None:
        return ""
    of = f" of {target_min:.0f}" if target_min else ""
    over_min = row.minutes - target_min if target_min else 0.0
    hints = f", {counted(row.hints, 'hint')}" if row.hints else ""
    steps = counted(row.steps, "step")
    late = f", {over_min:.0f} over" if over_min > 0 else ""
    words = f"{row.minutes:.0f}{of} min{late}, {steps}{hints}"
    return _html("work", row, words, target_min, over_min > 0)


def step_cards(steps: Iterable[WorkStep], car: Car) -> Markup:
    """Of the latest steps those that say more than the strip has as the last answer."""
    latest = list(steps)
    more = [one for one in latest if _says_more(one) or (step_words(one) and one is not latest[-1])]
    cards = [(words_of(one.action, car), one, step_words(one), _cost(one), _seat(one)) for one in more]
    return _html("step_cards", cards)


def _says_more(step: WorkStep) -> bool:
    sight = step.sight
    return bool(step.notes or step.dangers or step.cautions or sight.lit or sight.cranked or sight.started)


def _seat(step: WorkStep) -> str:
    sight = step.sight
    lamps = f" · lamps lit: {', '.join(name.replace('_', ' ') for name in sight.lit)}" if sight.lit else ""
    return f"ignition {sight.ignition} · {engine_told(sight.engine)}{_engine(step)}{lamps}"


def _engine(step: WorkStep) -> str:
    if step.sight.started:
        return ", it has started"
    return ", the starter turned it" if step.sight.cranked else ""


def _cost(step: WorkStep) -> str:
    return f"{step.minutes:.1f} min{f', parts {step.cost:g}' if step.cost else ''}"


def step_table(steps: Iterable[WorkStep], car: Car) -> Markup:
    """The log: number, action, what it showed, shop minutes."""
    return _html("step_table", [(words_of(step.action, car), step, step_words(step)) for step in steps])
