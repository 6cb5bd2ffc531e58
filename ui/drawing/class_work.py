"""What a student's steps have shown, as HTML text."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from sim.training.attempt import Step


def step_words(step: Step) -> str:
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
        return f"{answering} of {len(report.modules)} modules answer, {len(report.codes)} codes"
    asked = [f"{name} {word}" for name, word in step.sight.asked if word != "done"]
    if step.sight.asked:
        return ", ".join(asked) or "done"
    return ""


def step_cards(steps: Sequence[Step]) -> str:
    """The latest steps, each with everything that it showed."""
    return "".join(_card(step) for step in steps)


def _card(step: Step) -> str:
    sight = step.sight
    seat = f"ignition {sight.ignition} · engine {sight.engine}{_engine(step)}"
    lamps = f" · lamps lit: {', '.join(name.replace('_', ' ') for name in sight.lit)}" if sight.lit else ""
    words = step_words(step)
    shown = f'<p class="{"vain" if step.vain else "told"}">{escape(words)}</p>' if words else ""
    notes = "".join(f'<p class="small">{escape(text)}</p>' for text in step.notes)
    mind = "".join(f'<p class="mind">{escape(text)}</p>' for text in (*step.dangers, *step.cautions))
    return (
        f'<div class="step"><b>{escape(step.action)}</b> <span class="dim small">{_cost(step)}</span>'
        f'{shown}{notes}<p class="dim small">{escape(seat + lamps)}</p>{mind}</div>'
    )


def _engine(step: Step) -> str:
    if step.sight.started:
        return ", it has started"
    return ", the starter turned it" if step.sight.cranked else ""


def _cost(step: Step) -> str:
    return f"{step.minutes:.1f} min{f', parts {step.cost:g}' if step.cost else ''}"


def step_table(steps: Iterable[Step]) -> str:
    """The log: number, action, what it showed, shop minutes."""
    rows = "".join(
        f'<tr><td class="dim">{number}</td><td><b>{escape(step.action)}</b>'
        f'<div class="small">{escape(step_words(step))}</div></td>'
        f'<td class="small code">{step.minutes:.1f}</td><td class="small code">{step.labor_min:.1f}</td></tr>'
        for number, step in enumerate(steps, start=1)
    )
    head = "<tr><th></th><th>done and shown</th><th>min</th><th>sum</th></tr>"
    return f'<div class="scroll"><table>{head}{rows}</table></div>'
