"""The driver's seat: what it shows, and what can be pressed there."""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.bench.actions import FOB_PLACES
from ui.drawing import sheet
from ui.drawing.tables import seat_panel
from ui.panels.cautions import caution
from ui.state.held import Held
from ui.state.visible import Visible
from ui.state.work import ask_to_do

KEY_WORDS = {"key_accessory": "accessory", "key_run": "run", "key_crank": "crank"}
ELSEWHERE = ("brake", "button", *KEY_WORDS)


def show(held: Held, visible: Visible) -> None:
    """Lamps, engine and ignition; button, brake, fob, key, other switches."""
    sheet.show(seat_panel(visible.seat), "seat")
    operated = {switch.operated_by for switch in held.car.built.switches.values()}
    on = visible.operated
    if "button" in operated:
        _button("brake" in operated, "brake" in on)
    if "key_run" in operated:
        _key()
    _fob()
    _others(held, on)
    caution("cranking")


def _button(has_brake: bool, brake_on: bool) -> None:
    with st.container(horizontal=True):
        st.button(
            "Press start",
            key="press",
            on_click=partial(ask_to_do, "press start"),
            icon=":material/radio_button_checked:",
        )
        if has_brake:
            st.button(
                "Press start with brake",
                key="press_brake",
                type="primary",
                on_click=partial(ask_to_do, "press start with brake"),
            )
    if has_brake:
        words, action = ("Let the brake go", "brake off") if brake_on else ("Hold the brake", "brake on")
        st.button(words, key="brake", on_click=partial(ask_to_do, action))


def _key() -> None:
    st.caption("ignition key")
    with st.container(horizontal=True):
        for position in ("off", "accessory", "run", "crank"):
            st.button(
                position,
                key=f"key {position}",
                type="primary" if position == "crank" else "secondary",
                on_click=partial(ask_to_do, f"key {position}"),
            )


def _fob() -> None:
    with st.container(horizontal=True, vertical_alignment="center", gap="small"):
        st.caption("key fob", width="content")
        for place in FOB_PLACES:
            st.button(place, key=f"fob {place}", type="tertiary", on_click=partial(ask_to_do, f"fob {place}"))


def _others(held: Held, on: frozenset[str]) -> None:
    others = [
        (name, switch)
        for name, switch in held.car.built.switches.items()
        if switch.operated_by not in ELSEWHERE
    ]
    if not others:
        return
    with st.expander("Other switches"):
        for name, switch in others:
            turned = switch.operated_by in on
            words = f"{switch.title or name.replace('_', ' ')}: {'on' if turned else 'off'}"
            action = f"switch {name} {'off' if turned else 'on'}"
            st.button(
                f"{words} → turn {'off' if turned else 'on'}", key=action, on_click=partial(ask_to_do, action)
            )
