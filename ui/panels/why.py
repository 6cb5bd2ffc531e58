"""Why: from a code, a silent module, a mode, a lamp, the engine, a bus or the battery back to the edits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import streamlit as st

from sim.bench.bench import Bench
from sim.bench.explain import (
    Because,
    why_awake,
    why_battery,
    why_code,
    why_engine,
    why_event,
    why_mode,
    why_silent,
    why_start_stop,
    why_telltale,
)
from sim.training import aftermath
from sim.vehicle.car import Car
from ui.drawing import sheet
from ui.drawing.tables import because_tree
from ui.panels.help import term
from ui.state.held import Held
from ui.state.visible import Visible


@dataclass(frozen=True, slots=True)
class WhyQuestion:
    """A kind of question. `items`: what can be asked about; None if it needs no choice."""

    words: str
    because: Callable[[Bench, str], Because]
    items: Callable[[Held, Visible], list[str]] | None = None
    nothing: str = "Nothing to ask."


QUESTIONS = {
    "code": WhyQuestion(
        "a trouble code",
        lambda bench, item: why_code(bench, *item.split()),
        lambda held, visible: [f"{module} {code}" for module, code in visible.codes],
        "No module has a code stored.",
    ),
    "silent": WhyQuestion(
        "a module that does not answer", why_silent, lambda held, visible: list(visible.modules)
    ),
    "mode": WhyQuestion("the power mode", lambda bench, item: why_mode(bench)),
    "lamp": WhyQuestion(
        "a lamp",
        why_telltale,
        lambda held, visible: [lamp.name for lamp in visible.seat.lamps],
        "This car has no lamps described.",
    ),
    "engine": WhyQuestion("the engine", lambda bench, item: why_engine(bench)),
    "start-stop": WhyQuestion("start-stop", lambda bench, item: why_start_stop(bench)),
    "awake": WhyQuestion("a bus that is awake", why_awake, lambda held, visible: list(held.car.built.buses)),
    "battery": WhyQuestion("the battery", lambda bench, item: why_battery(bench)),
}


def ask_why(kind: str, item: str = "") -> None:
    """Open the panel with this question."""
    st.session_state.panel = "Why"
    st.session_state.asked_why = True
    if kind == "event":
        st.session_state.why_event = int(item)
        return
    st.session_state.why_event = None
    st.session_state.why_kind = kind
    if item:
        st.session_state[f"why_{kind}"] = item


def roots_shown() -> tuple[str, ...]:
    """The reasons at which the answer on the page ends; none while another panel is open."""
    roots: tuple[str, ...] = st.session_state.get("why_roots", ())
    return roots if st.session_state.get("panel") == "Why" else ()


def show(held: Held, visible: Visible) -> None:
    """The why panel."""
    st.session_state.why_roots = ()
    event = st.session_state.get("why_event")
    if event is not None and event < len(held.bench.trace):
        st.markdown("**One event**")
        tree(why_event(held.bench, event), held.car)
        st.button("Ask something else", key="why_else", on_click=_no_event)
        return
    kind = st.selectbox(
        "why", list(QUESTIONS), key="why_kind", format_func=lambda one: QUESTIONS[one].words,
        help=term("root cause", "monitor"),
        persist_state="session",
    )  # fmt: skip
    question = QUESTIONS[kind]
    item = ""
    if question.items is not None:
        items = question.items(held, visible)
        if not items:
            st.caption(question.nothing)
            return
        item = _choose(kind, items)
    tree(question.because(held.bench, item), held.car)


def _no_event() -> None:
    st.session_state.why_event = None


def _choose(kind: str, items: list[str]) -> str:
    if st.session_state.get(f"why_{kind}") not in items:
        st.session_state[f"why_{kind}"] = items[0]
    return str(st.selectbox("which", items, key=f"why_{kind}", persist_state="session"))


def tree(because: Because, car: Car) -> None:
    """A tree of reasons, at first with the branches that lead to edits only, and what is at its root."""
    plain = aftermath.in_words(because, car).in_words(car)
    words = "all branches, also those that end at no fault"
    whole = st.toggle(words, key="why_whole", persist_state="session")
    with st.container(key="because"):
        sheet.show(because_tree(plain if whole else plain.to_edits()), "tree")
    roots = because.to_edits().roots()
    if because.reaches_edit:
        st.session_state.why_roots = tuple(roots)
        told = "; ".join(plain.to_edits().roots()[:4])
        st.markdown(f"Root cause: **{told}**{' ...' if len(roots) > 4 else ''}")
    elif because.causes:
        st.caption("No fault causes this: it follows from how the car is built and operated.")
