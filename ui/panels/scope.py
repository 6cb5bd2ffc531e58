"""The scope: two channels on any two points each, a time base, two cursors."""

from __future__ import annotations

import streamlit as st

from sim.instruments.scope import BEFORE_SHARE, Picture
from ui.drawing import sheet
from ui.drawing.instruments import screen
from ui.panels.help import term
from ui.panels.terminals import choose_from, choose_way, measuring_button, terminals, way_words
from ui.state.held import Held
from ui.state.visible import Visible

SWEEPS = ("20 us", "50 us", "100 us", "200 us", "500 us", "1 ms", "2 ms", "5 ms", "20 ms", "100 ms")
FIRST_SWEEP = "500 us"
CHANNELS = (1, 2)
ENDS = ("scope_1a", "scope_1b", "scope_2a", "scope_2b")
SOCKET = {"scope_1a": "DLC.6", "scope_1b": "DLC.4", "scope_2a": "DLC.14", "scope_2b": "DLC.4"}
STEPS = 500  # of a cursor, across the screen


def show(held: Held, visible: Visible) -> None:
    """The scope panel."""
    pictures = [one.result for one in held.notebook.of(held.bench) if isinstance(one.result, Picture)]
    if pictures:
        _screen(pictures[-1])
    else:
        st.caption("No sweep yet. Choose two points for each channel; the diagnostic connector is preset.")
    _choose(held, visible)
    nothing = "choose two points for a channel first"
    measuring_button("Take a sweep", "sweep", ":material/monitoring:", held, visible, _sentence, nothing)


def _screen(picture: Picture) -> None:
    first_us, second_us = _cursors(picture)
    with st.container(key="scope_screen"):
        sheet.show(screen(picture, picture.cursors(first_us / 1e6, second_us / 1e6)), "screen")


def _cursors(picture: Picture) -> tuple[float, float]:
    begin_us = -BEFORE_SHARE * picture.sweep_s * 1e6
    end_us = begin_us + picture.sweep_s * 1e6
    step_us = picture.sweep_s * 1e6 / STEPS
    start = (begin_us / 2, begin_us + 0.3 * (end_us - begin_us))
    key = f"cursors {picture.sweep_s:g}"
    first_us, second_us = st.slider(
        "cursors A and B, in µs after the first edge", begin_us, end_us, start, step_us, key=key,
        format="%.2f", persist_state="session",
    )  # fmt: skip
    return float(first_us), float(second_us)


def _choose(held: Held, visible: Visible) -> None:
    known = terminals(held, visible)
    for key in ENDS:
        if key not in st.session_state and SOCKET[key] in known:
            st.session_state[key] = SOCKET[key]
    for number in CHANNELS:
        one, other = st.columns(2, gap="small")
        with one:
            help = term("CAN high, CAN low") if number == 1 else None
            choose_from(f"channel {number}", known, f"scope_{number}a", "tip", help)
        with other:
            choose_from("against", known, f"scope_{number}b", "ground clip")
    base, how = st.columns(2, gap="small")
    with base:
        st.selectbox(
            "time base, whole screen", SWEEPS, index=SWEEPS.index(FIRST_SWEEP), key="sweep_time",
            format_func=lambda text: text.replace("us", "µs"), persist_state="session",
            help=term("dominant", "recessive", "bit rate"),
        )  # fmt: skip
    with how:
        choose_way(held, visible, [st.session_state.get(key) or "" for key in ENDS], "scope_way")


def _sentence() -> str:
    """The sweep that is chosen; nothing while no channel has both ends."""
    state = st.session_state
    ends = [(state.get(f"scope_{number}a"), state.get(f"scope_{number}b")) for number in CHANNELS]
    channels = " and ".join(f"{a} to {b}" for a, b in ends if a and b)
    return f"scope {channels} for {state.sweep_time}{way_words('scope_way')}" if channels else ""
