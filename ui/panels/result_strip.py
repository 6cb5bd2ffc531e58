"""The strip above the panels: what was done last, what it has shown, its cost, the next step as a button."""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.bench.action_words import words_of
from sim.bench.actions import parse_action
from sim.lab.drive import operated, start_by_button
from sim.training.jobs import tool_for
from sim.vehicle.problems import EditProblem
from sim.vehicle.wire_names import in_words
from ui.panels import why
from ui.panels.controls import button
from ui.panels.diagram import guarded_gateways
from ui.panels.help import tell
from ui.panels.prices import price, with_price
from ui.state.classroom import plain
from ui.state.held import Held
from ui.state.next_step import Done, NextStep, Tried, next_step
from ui.state.visible import Visible
from ui.state.work import ask_to_do


def show(held: Held, visible: Visible, beside_panels: bool = True) -> None:
    """The strip; drawn after the panel, whose answer it may take up.

    beside_panels: on a page whose panels a step can open; elsewhere it offers actions only.
    """
    done = held.last_done(visible)
    step = _allowed(held, visible, next_step(done, visible, _tried(held)))
    if step is not None and step.opens and not beside_panels:
        step = None
    with st.container(horizontal=True, vertical_alignment="center", gap="small", key="strip"):
        with st.container(gap=None, width="stretch"):
            _told(held, done)
        if step is not None and held.may_act and not _is_open(step):
            cost = price(held.car, step.actions) if visible.only_found else ""
            words = in_words(step.words, held.car)
            button(
                with_price(words, cost), "next_step", partial(_take, step), icon="arrow_forward", primary=True
            )


def _told(held: Held, done: Done | None) -> None:
    if held.problem:
        with st.container(key="problem"):
            tell(held.problem, held.paragraph)
        return
    if done is None:
        words, answer = held.said or "Nothing has been done to this car yet.", ""
    else:
        words, answer = f"{words_of(done.action, held.car)}{_cost(done)}", done.answer
    if held.said and done is not None and not held.said.startswith(done.action):
        words = held.said  # about something else than the car: rewound, noted, a hint
    with st.container(key="said"):
        st.caption(plain(words))
    if answer:
        with st.container(key="answer"):
            st.markdown(plain(answer))


def _cost(done: Done) -> str:
    if done.minutes is None:
        return ""
    return f" · {done.minutes:.1f} min{f', parts {done.cost:g}' if done.cost else ''}"


def _tried(held: Held) -> Tried:
    bench = held.bench
    by = operated(held.car)
    start = "key crank" if "key_run" in by else start_by_button(held.car) if "button" in by else ""
    return Tried(
        bench.log, bench.last_report, start, tuple(guarded_gateways(held.car)), bench.cleared_since_scan,
        why.roots_shown(),
    )  # fmt: skip


def _allowed(held: Held, visible: Visible, step: NextStep | None) -> NextStep | None:
    """The step if there are the tools for it, and if the car as it is known takes it."""
    if step is not None:
        for text in step.actions:
            try:
                if tool_for(parse_action(text, held.car)) not in visible.tools:
                    return None
            except EditProblem:
                return None
    return step


def _is_open(step: NextStep) -> bool:
    """Whether the panel that a step opens is open already, with its part."""
    kind, _, what = step.opens.partition(" ")
    panel = st.session_state.get("panel")
    if kind == "part":
        return panel == "Part" and st.session_state.get("part") == what
    return kind == "panel" and panel == what


def _take(step: NextStep) -> None:
    if step.actions:
        ask_to_do(*step.actions)
        return
    kind, _, what = step.opens.partition(" ")
    if kind == "why":
        why.ask_why(*what.split(maxsplit=1))
    elif kind == "part":
        st.session_state.part, st.session_state.panel = what, "Part"
    else:
        st.session_state.panel = what
