"""Meter, test light and eye: choose where the leads go, measure, read; what the reading is worth.

Every measurement is a sentence in the bench's log. With `keep the leads on`, the same measurement follows
each action, so that one can watch the meter while taking connectors off.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import streamlit as st

from sim.bench.observations import Observation, parse_observation
from sim.instruments import cautions
from sim.vehicle.problems import EditProblem
from ui.cautions import MAKER
from ui.drawing import sheet
from ui.drawing.meter import display, expected_table, readings_table, strip
from ui.seen import Seen
from ui.session import Held, ask_to_do
from ui.terminals import as_seen, loops, papers_of, sights, terminals, ways

KINDS = {
    "volts": "Volts", "ohms": "Ohms", "continuity": "Beep", "amps": "Amps", "load": "Lamp", "look": "Look",
}  # fmt: skip
LAMPS_W = {2.0: "2 W test light", 5.0: "5 W", 21.0: "21 W", 55.0: "55 W"}
GENTLEST = "the gentlest way"
SHOWN_READINGS = 40
LEADS = ("red", "black")


@dataclass(frozen=True, slots=True)
class Setup:
    """What is set up to be measured; `sentence` is empty while a lead hangs free."""

    kind: str
    sentence: str
    what: Observation | None = None
    problem: str = ""


def show(held: Held, seen: Seen) -> None:
    """The measuring panel."""
    setup = choose(held, seen)
    go(held, setup)
    readings = held.notebook.of(held.bench)
    if readings:
        with st.container(key="reading"):
            sheet.show(display(readings[-1]), "display")
    _keep_on(setup)
    _expected(held)
    if readings:
        with st.expander(f"Readings: {len(readings)}", expanded=len(readings) > 1):
            sheet.show(readings_table(readings[-SHOWN_READINGS:]), "readings", partial(_take_again, held))


def choose(held: Held, seen: Seen) -> Setup:
    """Instrument, terminals and way of probing."""
    kind = str(
        st.segmented_control(
            "instrument", list(KINDS), default="volts", key="measure_kind", format_func=KINDS.__getitem__,
            required=True, label_visibility="collapsed", persist_state="session",
        )
    )  # fmt: skip
    if kind == "look":
        part = _choice("look at", sights(held), "look_at", "a connector, fuse, relay, ground or wire")
        return _set_up(held, seen, kind, f"look {part}" if part else "")
    if kind == "amps":
        place = _choice("open the loop at", loops(held), "loop_at", "a fuse, pin or battery clamp")
        return _set_up(held, seen, kind, f"measure amps {place}" if place else "")
    red, black = _leads(held, seen)
    head = f"load {red} to {black}" if kind == "load" else f"measure {kind} {red} to {black}"
    if kind == "load":
        head += f" with {_lamp('lamp_w'):g} W lamp"
    elif kind == "volts":
        head += _burning(held, seen)
    way = _way(held, seen, [point for point in (red, black) if point])
    return _set_up(held, seen, kind, f"{head}{way}" if red and black else "")


def go(held: Held, setup: Setup) -> None:
    """The button that measures, what to mind, and what the panel has to say against it."""
    words = {"look": "Look", "load": "Hold the lamp there"}.get(setup.kind, "Measure")
    st.button(
        words, key="measure", type="primary", disabled=not setup.sentence,
        icon=":material/visibility:" if setup.kind == "look" else ":material/electric_meter:",
        on_click=partial(ask_to_do, setup.sentence, pause_s=0.0),
    )  # fmt: skip
    if setup.problem:
        st.caption(setup.problem)
    if setup.what is not None:
        for text in cautions.of(setup.what, held.car):
            st.caption(f":material/warning: {text} {MAKER if text == cautions.AIRBAG else ''}")


def beside(held: Held) -> None:
    """The last reading in one line, while the leads stay on."""
    readings = held.notebook.of(held.bench)
    if readings and st.session_state.get("watched"):
        with st.container(key="watched_reading"):
            sheet.show(strip(readings[-1]), "strip")


def put_probe(lead: str, node: str) -> None:
    """A lead goes on a terminal."""
    st.session_state[f"probe_{lead}"] = node


def _leads(held: Held, seen: Seen) -> tuple[str, str]:
    known = terminals(held, seen)
    red = _choice(":red[●] red lead on", known, "probe_red", "pin, cavity, fuse, ground, DLC pin")
    with st.container(horizontal=True, vertical_alignment="bottom", gap="small"):
        black = _choice("⚫ black lead on", known, "probe_black", "pin, cavity, fuse, ground, DLC pin")
        st.button(
            "", key="swap_leads", icon=":material/swap_vert:", help="swap the leads", on_click=_swap_leads
        )
    return red, black


def _choice(label: str, known: dict[str, str], key: str, placeholder: str) -> str:
    if st.session_state.get(key) not in known:
        st.session_state[key] = None
    chosen = st.selectbox(
        label, list(known), key=key, index=None, placeholder=placeholder, persist_state="session",
        format_func=lambda name: known.get(name, name),
    )  # fmt: skip
    return chosen or ""


def _swap_leads() -> None:
    state = st.session_state
    state.probe_red, state.probe_black = state.get("probe_black"), state.get("probe_red")


def _lamp(key: str) -> float:
    return float(
        st.segmented_control(
            "lamp", list(LAMPS_W), default=21.0, key=key, format_func=LAMPS_W.__getitem__, required=True,
            persist_state="session",
        )
        or 21.0
    )  # fmt: skip


def _burning(held: Held, seen: Seen) -> str:
    """A lamp elsewhere that loads the circuit while volts are measured."""
    if not st.toggle("while a lamp burns somewhere", key="lamp_burns", persist_state="session"):
        return ""
    known = terminals(held, seen)
    a = _choice("lamp from", known, "lamp_a", "a terminal")
    b = _choice("lamp to", known, "lamp_b", "a terminal")
    watt = _lamp("burning_w")
    return f" while {watt:g} W lamp at {a} to {b}" if a and b else ""


def _way(held: Held, seen: Seen, points: list[str]) -> str:
    possible = ways(as_seen(held.car, seen), points)
    if len(possible) < 2:
        return ""
    if st.session_state.get("way") not in [GENTLEST, *possible]:
        st.session_state.way = GENTLEST
    chosen = st.selectbox("how", [GENTLEST, *possible], key="way", persist_state="session")
    return "" if chosen == GENTLEST else f" by {chosen}"


def _set_up(held: Held, seen: Seen, kind: str, sentence: str) -> Setup:
    if not sentence:
        return Setup(kind, "")
    try:
        return Setup(kind, sentence, parse_observation(sentence, as_seen(held.car, seen)))
    except EditProblem as problem:
        return Setup(kind, sentence, None, str(problem))


def _keep_on(setup: Setup) -> None:
    can_stay = setup.kind in ("volts", "ohms", "continuity") and bool(setup.sentence)
    on = st.toggle(
        "keep the leads on: measure again after each action", key="keep_leads", disabled=not can_stay,
        persist_state="session",
    )  # fmt: skip
    st.session_state.watched = setup.sentence if on and can_stay else ""


def _expected(held: Held) -> None:
    lines = []
    for lead in LEADS:
        at = st.session_state.get(f"probe_{lead}") or ""
        lines += _expected_at(held, at)
    lines = list(dict.fromkeys(lines))
    if lines:
        with st.expander(f"What should be there: {len(lines)}"):
            sheet.show(expected_table(lines), "expected", _set_up_expected)


def _expected_at(held: Held, at: str) -> list:
    owner = {"BAT+": "BAT", "BAT-": "BAT"}.get(at, at)
    papers = papers_of(held)
    for name in (owner, owner.rpartition(".")[0]):
        try:
            return list(papers.expected(name))
        except EditProblem:
            continue
    return []


def _set_up_expected() -> None:
    set_up_sentence(sheet.picked("expected"))


def _take_again(held: Held) -> None:
    picked = sheet.picked("readings")
    for reading in held.notebook.of(held.bench):
        if str(reading.place) == picked:
            set_up_sentence(reading.result.action)


def set_up_sentence(sentence: str) -> None:
    """Set the panel up for a measurement that is written down as a sentence."""
    words = sentence.split()
    state = st.session_state
    if words[0] == "look":
        state.measure_kind, state.look_at = "look", " ".join(words[1:])
    elif words[:2] == ["measure", "amps"]:
        state.measure_kind, state.loop_at = "amps", words[2]
    elif words[0] in ("measure", "load"):
        state.measure_kind = "load" if words[0] == "load" else words[1]
        at = words.index("to")
        state.probe_red, state.probe_black = words[at - 1], words[at + 1]
        state.way = sentence.partition(" by ")[2] or GENTLEST
        state.lamp_burns = " while " in sentence
