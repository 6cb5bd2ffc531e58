"""Suppose: the same actions on the same car, with and without a fault or a theory about its design."""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.vehicle.edits import catalogue, parse_edit
from sim.vehicle.messages import line_items
from sim.vehicle.problems import Problem
from ui import session
from ui.drawing import sheet
from ui.drawing.tables import side_by_side
from ui.outcomes import combinations, play_all, rows, step_words
from ui.session import Held, work_off

USES = ("with and without", "always", "left out")
MOST_VARIED = 3


def show() -> None:
    """The page; a fragment of its own."""
    _suppose()


@st.fragment
def _suppose() -> None:
    held: Held = st.session_state.held
    place = st.empty()
    work_off(held, place)
    if st.session_state.pop("to_the_bay", False) and not held.problem:
        st.switch_page(st.session_state.entries["bay"])
    st.title("Suppose ...")
    st.markdown(
        f"The **{held.car.title}** once more from the beginning, with and without what you suppose. "
        "A *fault* is something done to the car, a *theory* is about how it was built."
    )
    if held.problem:
        st.error(held.problem, icon=":material/block:")
    left, right = st.columns([1, 1.15], gap="large")
    with left:
        _add(held)
    with right:
        actions = _actions(held)
        _list(held)
    _play(held, actions)
    _shown()


def _suppositions(held: Held) -> list[str]:
    """What is supposed; begins with what the bench was given."""
    kept = st.session_state.get("suppositions")
    if kept is None or kept[0] != held.car_text:
        st.session_state.suppositions = kept = (held.car_text, list(held.bench.given))
        st.session_state.cases = None
    return list(kept[1])


def _store(held: Held, texts: list[str]) -> None:
    st.session_state.suppositions = (held.car_text, texts)
    st.session_state.cases = None


def _add(held: Held) -> None:
    st.markdown("**Add what you suppose**")
    kind = st.selectbox(
        "kind", list(FORMS), key="suppose_kind", label_visibility="collapsed", persist_state="session"
    )
    sentence = FORMS[kind](held)
    st.button(
        "Suppose this",
        key="suppose_add",
        icon=":material/add:",
        disabled=not sentence,
        on_click=partial(_append, held, sentence),
    )
    if st.session_state.get("suppose_problem"):
        st.error(st.session_state.suppose_problem, icon=":material/block:")


def _append(held: Held, sentence: str) -> None:
    st.session_state.suppose_problem = ""
    try:
        text = parse_edit(sentence, held.car).text
    except Problem as problem:
        st.session_state.suppose_problem = str(problem)
        return
    known = _suppositions(held)
    if text not in known:
        _store(held, [*known, text])


def _waits(held: Held) -> str:
    modules = list(held.car.built.modules)
    one = st.selectbox("this module", modules, key="waits_who")
    other = st.selectbox("waits at its start for", [name for name in modules if name != one], key="waits_for")
    return f"theory {one} waits for {other}"


def _through(held: Held) -> str:
    buses = held.car.built.buses
    bus = st.selectbox("this bus", list(buses), key="through_bus")
    modules = [item for item, _ in line_items(buses[bus].line) if item in held.car.built.modules]
    module = st.selectbox("runs in and out through the connector of", modules, key="through_module")
    return f"theory {bus} runs through {module}"


def _feeds(held: Held) -> str:
    fuses = held.car.built.fuses
    if not fuses:
        st.caption("This car's file names no fuses.")
        return ""
    fuse = st.selectbox(
        "this fuse",
        list(fuses),
        key="feeds_fuse",
        format_func=lambda one: f"{one} · {fuses[one].title or fuses[one].location}",
    )
    consumers = [item.split()[0] for spec in fuses.values() for item in spec.feeds]
    consumer = st.selectbox("in truth feeds", consumers, key="feeds_what")
    return f"theory {fuse} feeds {consumer}"


def _fault(held: Held) -> str:
    return str(st.selectbox("this fault", catalogue(held.car), key="suppose_fault"))


def _words(held: Held) -> str:
    return str(st.text_input("any edit, in words", key="suppose_words", placeholder="corrode GW.GND 2 ohm"))


FORMS = {
    "theory: a module waits for another": _waits,
    "theory: a bus runs through a connector": _through,
    "theory: a fuse feeds something else": _feeds,
    "fault from the catalogue": _fault,
    "in words": _words,
}


def _actions(held: Held) -> list[str]:
    own = "what was done in the bay"
    options = [own, "a plain morning"] if held.bench.log[1:] else ["a plain morning"]
    chosen = st.radio("and then", options, key="suppose_log", horizontal=True, persist_state="session")
    actions = held.bench.log if chosen == own else _morning(held)
    st.caption(" → ".join(actions))
    return list(actions)


def _morning(held: Held) -> list[str]:
    """Start it, switch it off, scan: by the button or the key that the car has."""
    operated = {switch.operated_by for switch in held.car.built.switches.values()}
    if "key_run" in operated:
        return ["key crank", "wait 8 s", "key off", "wait 5 s", "scan"]
    if "button" in operated:
        start = "press start with brake" if "brake" in operated else "press start"
        return [start, "wait 8 s", "press start", "wait 5 s", "scan"]
    return ["wait 10 s", "scan"]


def _list(held: Held) -> None:
    texts = _suppositions(held)
    st.markdown("**Supposed**" if texts else "*Nothing is supposed yet.*")
    for text in texts:
        with st.container(horizontal=True, vertical_alignment="center"):
            st.text(text, width="stretch")
            st.selectbox(
                "use",
                USES,
                key=f"use {text}",
                label_visibility="collapsed",
                width=170,
                persist_state="session",
            )
            st.button(
                "Remove",
                key=f"remove {text}",
                on_click=partial(_store, held, [one for one in texts if one != text]),
            )


def _play(held: Held, actions: list[str]) -> None:
    texts = _suppositions(held)
    use = {text: st.session_state.get(f"use {text}", USES[0]) for text in texts}
    varied = [text for text in texts if use[text] == USES[0]]
    always = [text for text in texts if use[text] == USES[1]]
    cases = combinations(always, varied[:MOST_VARIED])
    if len(varied) > MOST_VARIED:
        st.warning(
            f"At most {MOST_VARIED} at a time can be varied; set the others to 'always' or 'left out'."
        )
        return
    words = f"Play {len(cases)} cases side by side" if len(cases) > 1 else "Play it"
    st.button(
        words,
        key="suppose_play",
        type="primary",
        icon=":material/play_arrow:",
        on_click=partial(_ask_to_play, cases, varied, actions),
    )


def _ask_to_play(cases: list[tuple[str, ...]], varied: list[str], actions: list[str]) -> None:
    def job(held: Held, report: session.Report) -> None:
        st.session_state.cases = (play_all(held.car_text, cases, actions, report), cases, varied)

    session.ask(job)


def _shown() -> None:
    kept = st.session_state.get("cases")
    if not kept:
        return
    accounts, givens, varied = kept
    head = [_heading(given, varied) for given in givens]
    with st.container(key="cases"):
        cells = zip(*(rows(account) for account in accounts), strict=True)
        sheet.show(
            side_by_side(["", *head], [(row[0][0], *(value for _, value in row)) for row in cells]),
            "cases_table",
        )
    with st.expander("Action by action"):
        sights = zip(*(account.sights for account in accounts if not account.impossible), strict=True)
        lines = [
            (f"{place}. {several[0].action}", *(step_words(sight) for sight in several))
            for place, several in enumerate(sights, start=1)
        ]
        possible = [words for words, account in zip(head, accounts, strict=True) if not account.impossible]
        sheet.show(side_by_side(["", *possible], lines), "steps_table")
    st.caption("This is what this model does, not what a real car must do.")
    with st.container(horizontal=True, vertical_alignment="bottom"):
        place = st.selectbox(
            "take one into the bay", range(len(givens)), key="take_case", format_func=lambda one: head[one]
        )
        st.button(
            "Into the bay, before any action", key="take_case_go", on_click=partial(_take, givens[place])
        )


def _heading(given: tuple[str, ...], varied: list[str]) -> str:
    inside = [text.removeprefix("theory ") for text in varied if text in given]
    return " + ".join(inside) or ("none of these" if varied else "as supposed")


def _take(given: tuple[str, ...]) -> None:
    session.ask(session.start_again(given))
    st.session_state.to_the_bay = True
