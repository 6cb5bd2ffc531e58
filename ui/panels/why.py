"""Why: from a code, a silent module, a mode, a lamp, the engine, a bus or the battery back to the edits."""

from __future__ import annotations

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
    why_telltale,
)
from ui.drawing import sheet
from ui.drawing.tables import because_tree
from ui.state.held import Held
from ui.state.visible import Visible

KINDS = {
    "code": "a trouble code",
    "silent": "a module that does not answer",
    "mode": "the power mode",
    "lamp": "a lamp",
    "engine": "the engine",
    "awake": "a bus that is awake",
    "battery": "the battery",
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


def show(held: Held, visible: Visible) -> None:
    """The why panel."""
    event = st.session_state.get("why_event")
    if event is not None and event < len(held.bench.trace):
        st.markdown("**One event**")
        _tree(why_event(held.bench, event))
        st.button("Ask something else", key="why_else", on_click=_no_event)
        return
    kind = st.selectbox(
        "why", list(KINDS), key="why_kind", format_func=KINDS.__getitem__, persist_state="session"
    )
    items = _items(held, visible, kind)
    if items == []:
        st.caption(
            {"code": "No module has a code stored.", "lamp": "This car has no lamps described."}.get(
                kind, "Nothing to ask."
            )
        )
        return
    item = _choose(kind, items) if items else ""
    _tree(_answer(held.bench, kind, item))


def _no_event() -> None:
    st.session_state.why_event = None


def _items(held: Held, visible: Visible, kind: str) -> list[str] | None:
    """What can be asked about; None if the question needs no choice."""
    match kind:
        case "code":
            return [f"{module} {code}" for module, code in visible.codes]
        case "silent":
            return list(visible.modules)
        case "lamp":
            return [lamp.name for lamp in visible.seat.lamps]
        case "awake":
            return list(held.car.built.buses)
    return None


def _choose(kind: str, items: list[str]) -> str:
    if st.session_state.get(f"why_{kind}") not in items:
        st.session_state[f"why_{kind}"] = items[0]
    return str(st.selectbox("which", items, key=f"why_{kind}", persist_state="session"))


def _answer(bench: Bench, kind: str, item: str) -> Because:
    match kind:
        case "code":
            module, code = item.split()
            return why_code(bench, module, code)
        case "silent":
            return why_silent(bench, item)
        case "lamp":
            return why_telltale(bench, item)
        case "mode":
            return why_mode(bench)
        case "awake":
            return why_awake(bench, item)
        case "battery":
            return why_battery(bench)
    return why_engine(bench)


def _tree(because: Because) -> None:
    whole = st.toggle(
        "every branch, also those that end at no edit", key="why_whole", persist_state="session"
    )
    with st.container(key="because"):
        sheet.show(because_tree(because if whole else because.to_edits()), "tree")
    roots = because.to_edits().roots()
    if because.reaches_edit:
        st.markdown(f"At the root: **{'; '.join(roots[:4])}**{' ...' if len(roots) > 4 else ''}")
    elif because.causes:
        st.caption(
            "No edit of the car stands behind this: it follows from how the car is built and operated."
        )
