"""What a student's steps have shown, as HTML text."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from markupsafe import Markup

from sim.markup import macros
from sim.training.jobs import WorkStep
from sim.vehicle.words import counted

_html = macros(Path(__file__).with_name("class.html"))


def step_words(step: WorkStep) -> str:
    """What a step has shown, in a few words."""
    if step.vain:
        return f"in vain, {step.vain}"
    if step.display:
        return step.display
    if step.report is not None:
        report = step.report
        if not report.power:
            return "the tester has no power from the diagnostic connector"
        answering = len(report.modules) - len(report.silent)
        codes = counted(len(report.codes), "code")
        return f"{answering} of {len(report.modules)} modules answer, {codes}"
    asked = [f"{name} {word}" for name, word in step.sight.asked if word != "done"]
    if step.sight.asked:
        return ", ".join(asked) or "done"
    return ""


def step_cards(steps: Iterable[WorkStep]) -> Markup:
    """The latest steps, each with everything that it showed."""
    return _html("step_cards", [(step, step_words(step), _cost(step), _seat(step)) for step in steps])


def _seat(step: WorkStep) -> str:
    sight = step.sight
    lamps = f" · lamps lit: {', '.join(name.replace('_', ' ') for name in sight.lit)}" if sight.lit else ""
    return f"ignition {sight.ignition} · engine {sight.engine}{_engine(step)}{lamps}"


def _engine(step: WorkStep) -> str:
    if step.sight.started:
        return ", it has started"
    return ", the starter turned it" if step.sight.cranked else ""


def _cost(step: WorkStep) -> str:
    return f"{step.minutes:.1f} min{f', parts {step.cost:g}' if step.cost else ''}"


def step_table(steps: Iterable[WorkStep]) -> Markup:
    """The log: number, action, what it showed, shop minutes."""
    return _html("step_table", [(step, step_words(step)) for step in steps])
