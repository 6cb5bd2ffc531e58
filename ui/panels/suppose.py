"""What is supposed about the car, added kind by kind and listed; and what is done in every combination."""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.bench.action_words import lines_of, sentence_of
from sim.handbook.links import SENTENCES
from sim.lab.drive import plain_morning
from sim.lab.suppositions import puts_right
from sim.vehicle.edits import catalogue, parse_edit
from sim.vehicle.edits_shut_down import conditions_for
from sim.vehicle.fault_words import fault_words
from sim.vehicle.problems import EditProblem, Problem
from ui.panels.controls import named
from ui.panels.help import tell
from ui.state.held import Held
from ui.state.suppositions import BAY, MORNING, OWN, USES, actions_now, store, supposed_words, suppositions
from ui.state.work import as_shown


def add(held: Held) -> None:
    """Choose a kind of supposition, say it, and add it."""
    st.markdown("**Add what you suppose**")
    kind = st.selectbox(
        "kind", list(FORMS), key="suppose_kind", label_visibility="collapsed", persist_state="session"
    )
    sentence = FORMS[kind](held)
    st.button(
        "Suppose this", key="suppose_add", icon=":material/add:", disabled=not sentence,
        on_click=partial(_append, held, kind, sentence),
    )  # fmt: skip
    if st.session_state.get("suppose_problem"):
        tell(st.session_state.suppose_problem, SENTENCES)


def _append(held: Held, kind: str, sentence: str) -> None:
    st.session_state.suppose_problem = ""
    try:
        if st.session_state.suppose_kind != kind:
            raise EditProblem("choose what to suppose first")
        parts = "".join(as_shown(sentence)()).split(";")
        text = "; ".join(parse_edit(part, held.car).text for part in parts)
    except Problem as problem:
        st.session_state.suppose_problem = str(problem)
        return
    known = suppositions(held)
    if text not in known:
        store(held, [*known, text])


def _waits(held: Held) -> str:
    modules = list(held.car.built.modules)
    one = st.selectbox("this module", modules, key="waits_who")
    st.selectbox("waits at start-up for", [name for name in modules if name != one], key="waits_for")
    return "theory {waits_who} waits for {waits_for}"


def _shuts_down(held: Held) -> str:
    one = st.selectbox("this module", list(held.car.built.modules), key="shuts_who")
    st.selectbox("is offline while this holds", list(conditions_for(held.car, one)), key="shuts_when")
    st.caption("Several together: *in words*, joined by 'and' or 'or'.")
    return "theory {shuts_who} shuts down when {shuts_when}"


def _through(held: Held) -> str:
    buses = held.car.built.buses
    bus = st.selectbox("this bus", list(buses), key="through_bus")
    modules = [stop.name for stop in buses[bus].stops if stop.name in held.car.built.modules]
    st.selectbox("runs in and out through the connector of", modules, key="through_module")
    return "theory {through_bus} runs through {through_module}"


def _feeds(held: Held) -> str:
    fuses = held.car.built.fuses
    if not fuses:
        st.caption("This car's file names no fuses.")
        return ""
    st.selectbox(
        "this fuse", list(fuses), key="feeds_fuse",
        format_func=lambda one: f"{one} · {fuses[one].title or fuses[one].location}",
    )  # fmt: skip
    consumers = [end.target for spec in fuses.values() for end in spec.ends]
    st.selectbox("really feeds", consumers, key="feeds_what")
    return "theory {feeds_fuse} feeds {feeds_what}"


def _fault(held: Held) -> str:
    st.selectbox(
        "this fault", catalogue(held.car), key="suppose_fault",
        format_func=lambda one: fault_words(one, held.car),
    )  # fmt: skip
    return "{suppose_fault}"


def _words(held: Held) -> str:
    st.text_input(
        "any edit, in words", key="suppose_words", placeholder="corrode GATEWAY.GND 2 ohm",
        help="several that belong together are divided by ';': they are then all there or all left out",
        persist_state="session",
    )  # fmt: skip
    return "{suppose_words}"


# what each draws, and the sentence that comes of it
FORMS = {
    "theory: a module waits for another": _waits,
    "theory: a module shuts down while a condition holds": _shuts_down,
    "theory: a bus runs through a connector": _through,
    "theory: a fuse feeds something else": _feeds,
    "fault from the catalogue": _fault,
    "in words": _words,
}


def choose_actions(held: Held) -> None:
    """Choose what is done: as in the bay, a plain morning, or one's own list."""
    options = [BAY, MORNING, OWN] if held.bench.log[1:] else [MORNING, OWN]
    chosen = st.radio("and then, in every combination", options, key="suppose_log", persist_state="session")
    if chosen == OWN:
        st.session_state.setdefault("what_if_own", "\n".join(plain_morning(held.car)))
        st.text_area("what is done, one action in each line", key="what_if_own", persist_state="session")
        return
    st.caption(f"{sentence_of(actions_now(held), held.car)}.")
    moved = [text for text in suppositions(held) if text in held.bench.log]
    if chosen == BAY and moved:
        words = "; ".join(supposed_words(held, text) for text in moved)
        st.caption(f":material/info: {words}: done first, or left out")
    repairs = [text for text in held.bench.log if puts_right(text, suppositions(held))]
    if chosen == BAY and repairs:
        words = "; ".join(lines_of(repairs, held.car))
        st.caption(f":material/info: the repairs of what is supposed are left out: {words}")


def listed(held: Held) -> None:
    """What is supposed, each with its use."""
    texts = suppositions(held)
    st.markdown("**Supposed**")
    if not texts:
        st.caption("Nothing yet. Choose a fault or a theory, then press *Suppose this*.")
    car_text, repairs = st.session_state.get("suppose_repairs") or ["", []]
    if repairs and car_text == held.car_text:
        words = "; ".join(lines_of(repairs, held.car))
        st.caption(f"'Without' a fault is what its repair does: {words}.")
    for text in texts:
        with st.container(horizontal=True, vertical_alignment="center"):
            st.text(supposed_words(held, text), width="stretch")
            st.selectbox(
                f"use of {text}", USES, key=f"use {text}", label_visibility="collapsed", width=170,
                persist_state="session",
            )  # fmt: skip
            st.button(named("Remove", text), key=f"remove {text}", on_click=partial(_remove, held, text))


def _remove(held: Held, text: str) -> None:
    store(held, [one for one in suppositions(held) if one != text])
