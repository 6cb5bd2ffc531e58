"""Meter, test light and eye: choose where the leads go, measure, read; what the reading is worth.

Every measurement is a sentence in the bench's log. With `keep the leads on`, the same measurement follows
each action, so that one can watch the meter while taking connectors off.
"""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.bench.action_words import words_of
from sim.bench.observations import SHOWN_AS, Kind
from sim.instruments.cautions import VENTS_GAS
from sim.instruments.expected import ExpectedReading
from sim.instruments.scope import Picture
from sim.training.jobs import instrument_for
from sim.vehicle.problems import EditProblem
from ui.drawing import sheet
from ui.drawing.battery import POSTS, battery
from ui.drawing.instruments import Setup, display, expected_table, readings_table, strip
from ui.panels.controls import action_button
from ui.panels.help import term
from ui.panels.terminals import (
    GENTLEST,
    choose_from,
    choose_way,
    loops,
    measuring_button,
    papers_of,
    sights,
    terminals,
    way_words,
)
from ui.state.held import Held
from ui.state.visible import Visible

KINDS = {
    "volts": "Volts", "minimum": "Min V", "maximum": "Max V", "frequency": "Hz", "duty": "Duty %",
    "ohms": "Ohms", "continuity": "Continuity", "amps": "Amps",
    "clamp": "Clamp A",
    "load": "Load test", "look": "Inspect",
}  # fmt: skip
BY_HAND_ICONS = {"wiggle": "vibration", "heat": "local_fire_department", "freeze": "ac_unit"}
LAMPS_W = {2.0: "2 W test light", 5.0: "5 W", 21.0: "21 W", 55.0: "55 W"}
USUAL_LAMP_W = 21.0
# words of the glossary that are met with an instrument
MET_WITH = {
    "volts": ("voltage drop", "pulsed signal"), "continuity": ("continuity",), "load": ("load test",),
    "ohms": ("terminator", "open"), "minimum": ("starter",), "maximum": ("wiggle test",),
    "frequency": ("wheel speed sensor",), "duty": ("duty cycle",),
}  # fmt: skip
CAN_STAY = ("volts", "minimum", "maximum", "frequency", "duty", "ohms", "continuity")
SHOWN_READINGS = 40
LEADS = ("red", "black")
POINTS = {"look": ("look_at",), "amps": ("loop_at",), "clamp": ("loop_at",)}
POST_OF = {post.clamp: post.terminal for post in POSTS}


def show(held: Held, visible: Visible, to_diagrams: bool = True) -> None:
    """The measuring panel; `to_diagrams`: with a link to them."""
    readings = held.notebook.of(held.bench)
    seen = st.container(key="reading")
    kind = choose(held, visible)
    with seen:
        last = next((one for one in reversed(readings) if not isinstance(one.result, Picture)), None)
        sheet.show(display(_set_up(kind, held, visible), last), "display", _turn_the_dial)
    words = {"look": "Inspect", "load": "Load test"}.get(kind, "Measure")
    icon = ":material/visibility:" if kind == "look" else ":material/electric_meter:"
    measuring_button(words, "measure", icon, held, visible, sentence, "choose where to measure first")
    if kind == "look":
        _by_hand()
    _keep_on(kind)
    _battery(visible)
    if to_diagrams and "diagrams" in st.session_state.get("entries", {}):
        st.page_link(
            st.session_state.entries["diagrams"], label="Place the leads on a drawing",
            icon=":material/schema:",
        )  # fmt: skip
    if kind not in ("look", "amps", "clamp"):
        _expected(held)
    if readings:
        with st.expander(f"Readings: {len(readings)}", expanded=len(readings) > 1, key="readings_box"):
            sheet.show(readings_table(readings[-SHOWN_READINGS:]), "readings", partial(_take_again, held))


def _by_hand() -> None:
    """What a hand, a heat gun or freeze spray does at the part that is chosen for an inspection."""
    part = st.session_state.get("look_at")
    if not part:
        return
    with st.container(horizontal=True):
        for verb, icon in BY_HAND_ICONS.items():
            action_button(words_of(f"{verb} {part}"), f"{verb} {part}", icon=f":material/{icon}:")
    st.caption("Leave the meter's leads on, then read Min V and Max V.", help=term("wiggle test"))


def _set_up(kind: str, held: Held, visible: Visible) -> Setup:
    """The instrument as it is set up on the page now."""
    at = tuple(st.session_state.get(key) or "" for key in _keys_of(kind))
    known = {"look": sights, "amps": loops, "clamp": loops}.get(kind)
    words = terminals(held, visible) if known is None else known(held)
    can_turn = tuple(one for one in KINDS if instrument_for(Kind(one)) in visible.tools)
    return Setup(kind, at, tuple(words.get(one, one) for one in at), can_turn)


def _keys_of(kind: str) -> tuple[str, ...]:
    """The fields that say where this instrument goes."""
    return POINTS.get(kind, tuple(f"probe_{lead}" for lead in LEADS))


def _turn_the_dial() -> None:
    _, _, kind = sheet.picked("display").partition(" ")
    if kind in KINDS:
        st.session_state.measure_kind = kind


def _battery(visible: Visible) -> None:
    """The battery, where it is what is measured: a post picked gets its lead."""
    chosen = [st.session_state.get(key) or "" for key in _keys_of(st.session_state.measure_kind)]
    if not any(one.startswith("BAT") for one in chosen):
        return
    at = [POST_OF.get(one, one) for one in chosen]
    idents = {post: f"post {post}" for post in POST_OF.values()}
    sheet.show(battery(visible.connectors_off, VENTS_GAS, idents, at), "battery", _picked_post)


def _picked_post() -> None:
    """The red lead on the positive post, the black one on the other; or the clamp of the post."""
    post = sheet.picked("battery").removeprefix("post ")
    clamp = next((name for name, one in POST_OF.items() if one == post), "")
    single = POINTS.get(st.session_state.get("measure_kind", ""))
    if clamp and single:
        st.session_state[single[0]] = clamp
    elif clamp:
        put_probe("red" if post == "BAT+" else "black", post)


def choose(held: Held, visible: Visible) -> str:
    """Instrument, terminals and way of probing; the instrument."""
    kinds = [one for one in KINDS if instrument_for(Kind(one)) in visible.tools]
    if st.session_state.get("measure_kind") not in kinds:
        st.session_state.measure_kind = kinds[0]
    kind = str(
        st.segmented_control(
            "instrument", kinds, key="measure_kind", format_func=KINDS.__getitem__,
            required=True, label_visibility="collapsed", persist_state="session",
        )
    )  # fmt: skip
    if kind == "look":
        choose_from("part to inspect", sights(held), "look_at", "a connector, fuse, relay, ground or wire")
    elif kind == "amps":
        help = term("sleep current", "parasitic draw")
        choose_from("open the circuit at", loops(held), "loop_at", "a fuse, pin or battery clamp", help)
    elif kind == "clamp":
        help = term("clamp meter", "parasitic draw")
        choose_from("clamp around the wire at", loops(held), "loop_at", "a fuse, pin or battery clamp", help)
    else:
        leads = _leads(held, visible, term(*MET_WITH.get(kind, ())) or None)
        if kind == "load":
            _lamp("lamp_w")
        choose_way(held, visible, leads, "way")
        if kind == "volts":
            _burning(held, visible)
    return kind


def sentence() -> str:
    """The measurement that is chosen; nothing while a lead hangs free."""
    state = st.session_state
    kind, red, black = state.get("measure_kind"), state.get("probe_red"), state.get("probe_black")
    if kind == "look":
        return f"look {state.look_at}" if state.get("look_at") else ""
    if kind in ("amps", "clamp"):
        clamp = "clamp " if kind == "clamp" else ""
        return f"measure {clamp}amps {state.loop_at}" if state.get("loop_at") else ""
    if not red or not black:
        return ""
    if kind == "load":
        return f"load {red} to {black} with {state.get('lamp_w', USUAL_LAMP_W):g} W lamp{way_words('way')}"
    burning = ""
    if kind == "volts" and state.get("lamp_burns") and state.get("lamp_a") and state.get("lamp_b"):
        watt = state.get("burning_w", USUAL_LAMP_W)
        burning = f" while {watt:g} W lamp at {state.lamp_a} to {state.lamp_b}"
    function = SHOWN_AS.get(Kind(str(kind)), kind)
    return f"measure {function} {red} to {black}{burning}{way_words('way')}"


def beside(held: Held) -> None:
    """The last reading in one line, while the leads stay on."""
    readings = held.notebook.of(held.bench)
    if readings and watched():
        with st.container(key="watched_reading"):
            sheet.show(strip(readings[-1]), "strip")


def put_probe(lead: str, node: str) -> None:
    """A lead goes on a terminal."""
    st.session_state[f"probe_{lead}"] = node


def _leads(held: Held, visible: Visible, help: str | None) -> tuple[str, str]:
    known = terminals(held, visible)
    red = choose_from("red lead (+) on", known, "probe_red", "pin, cavity, fuse, ground, DLC pin", help)
    with st.container(horizontal=True, vertical_alignment="bottom", gap="small"):
        black = choose_from("black lead (−) on", known, "probe_black", "pin, cavity, fuse, ground, DLC pin")
        st.button(
            "", key="swap_leads", icon=":material/swap_vert:", help="swap the leads", on_click=_swap_leads
        )
    return red, black


def _swap_leads() -> None:
    state = st.session_state
    state.probe_red, state.probe_black = state.get("probe_black"), state.get("probe_red")


def _lamp(key: str) -> None:
    st.segmented_control(
        "lamp", list(LAMPS_W), default=USUAL_LAMP_W, key=key, format_func=LAMPS_W.__getitem__, required=True,
        persist_state="session",
    )  # fmt: skip


def _burning(held: Held, visible: Visible) -> None:
    """A lamp elsewhere that loads the circuit while volts are measured."""
    if st.toggle("while a test lamp loads the circuit", key="lamp_burns", persist_state="session"):
        known = terminals(held, visible)
        choose_from("lamp from", known, "lamp_a", "a terminal")
        choose_from("lamp to", known, "lamp_b", "a terminal")
        _lamp("burning_w")


def _keep_on(kind: str) -> None:
    st.toggle(
        "keep the leads on: measure again after each action", key="keep_leads",
        disabled=kind not in CAN_STAY or not sentence(), persist_state="session",
    )  # fmt: skip
    st.session_state.watched = watched


def watched() -> list[str]:
    """What is measured after each action, by a meter whose leads stay on."""
    state = st.session_state
    stays = state.get("keep_leads") and state.get("measure_kind") in CAN_STAY and sentence()
    return [sentence()] if stays else []


def _expected(held: Held) -> None:
    points = [st.session_state.get(f"probe_{lead}") or "" for lead in LEADS]
    lines = dict.fromkeys(line for at in points for line in _expected_at(held, at))
    if lines:
        with st.expander(f"Expected values: {len(lines)}", key="expected_box"):
            sheet.show(expected_table(lines), "expected", _set_up_expected)


def _expected_at(held: Held, at: str) -> list[ExpectedReading]:
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
    elif words[:3] == ["measure", "clamp", "amps"]:
        state.measure_kind, state.loop_at = "clamp", words[3]
    elif words[0] in ("measure", "load"):
        state.measure_kind = "load" if words[0] == "load" else words[1]
        at = words.index("to")
        state.probe_red, state.probe_black = words[at - 1], words[at + 1]
        state.way = sentence.partition(" by ")[2] or GENTLEST
        state.lamp_burns = " while " in sentence
