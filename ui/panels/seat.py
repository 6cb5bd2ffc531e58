"""The driver's seat: what it shows, and what can be pressed there."""

from __future__ import annotations

from typing import Literal

import streamlit as st

from sim.bench.actions import FOB_PLACES, TO_THE_LIGHTS
from sim.modules.facts import MOVES
from sim.vehicle.elements import CHARGE_CABLE
from ui.drawing import sheet
from ui.drawing.dash import ACTIONS, Controls, cluster, controls
from ui.panels.cautions import caution
from ui.panels.controls import action_button
from ui.panels.help import term
from ui.state.held import Held
from ui.state.visible import Visible
from ui.state.work import ask_to_do

SPEEDS_KPH = (5, 30, 50, 0)
KEY_WORDS = {"key_accessory": "accessory", "key_run": "run", "key_crank": "crank"}
ELSEWHERE = ("brake", "button", *KEY_WORDS)


def show(held: Held, visible: Visible) -> None:
    """Lamps, engine and ignition; button, brake, fob, key, other switches."""
    operated = frozenset(switch.operated_by for switch in held.car.built.switches.values())
    on = visible.operated
    has = Controls(operated, on, visible.seat.ignition)
    sheet.show(cluster(visible.seat) + controls(has), "seat", _picked)
    if "button" in operated:
        _button("brake" in operated, "brake" in on)
    if "key_run" in operated:
        _key(on)
    _drive(visible, "brake" in operated)
    _fob(None if "key_run" in operated else term("fob"))  # two question marks would have the same name
    if held.car.built.high_voltage and held.car.built.high_voltage.inlet:
        _cable(CHARGE_CABLE in on)
    _others(held, on)
    caution("high_voltage" if held.car.built.high_voltage else "cranking")


def _picked() -> None:
    """Do what was clicked on the drawing: turn the key, press the button or the pedal."""
    action = sheet.picked("seat")
    if action in ACTIONS:
        ask_to_do(action)


def _button(has_brake: bool, brake_on: bool) -> None:
    with st.container(horizontal=True):
        action_button("Press start", "press start", "press", ":material/radio_button_checked:")
        if has_brake:
            action_button("Press start with brake", "press start with brake", "press_brake", kind="primary")
    if has_brake:
        words, action = ("Release the brake", "brake off") if brake_on else ("Hold the brake", "brake on")
        action_button(words, action, "brake")


def _key(on: frozenset[str]) -> None:
    """The key's positions; the one where it is now is told in words and looks chosen."""
    now = "run" if "key_run" in on else "accessory" if "key_accessory" in on else "off"
    st.caption(f"ignition key, now at: {now}", help=term("power mode", "fob"))
    with st.container(horizontal=True):
        for position in ("off", "accessory", "run", "crank"):
            kind: Literal["primary", "secondary"] = "primary" if position == now else "secondary"
            action_button(position, f"key {position}", kind=kind)


def _drive(visible: Visible, has_brake: bool) -> None:
    """Driving, while the engine runs or the vehicle is ready; how fast it goes is told in words."""
    if visible.seat.engine not in MOVES and not visible.seat.auto_stopped:
        return
    with st.container(horizontal=True, vertical_alignment="center", gap="small"):
        st.caption(f"speed {visible.seat.speed_kph} km/h", width="content")
        for speed_kph in SPEEDS_KPH:
            words = f"drive at {speed_kph} km/h" if speed_kph else "stop the car"
            action_button(words, f"drive at {speed_kph} km/h", kind="tertiary")
        if has_brake:
            action_button("stop at the lights", f"drive {TO_THE_LIGHTS}", kind="tertiary")


def _fob(help: str | None) -> None:
    with st.container(horizontal=True, vertical_alignment="center", gap="small"):
        st.caption("key fob", width="content", help=help)
        for place in FOB_PLACES:
            action_button(place, f"fob {place}", kind="tertiary")


def _cable(is_in: bool) -> None:
    taken_out, put_in = (
        ("Take the charging cable out", "cable out"),
        ("Plug the charging cable in", "cable in"),
    )
    words, action = taken_out if is_in else put_in
    action_button(words, action, "cable")


def _others(held: Held, on: frozenset[str]) -> None:
    switches = held.car.built.switches
    others = {name: one for name, one in switches.items() if one.operated_by not in ELSEWHERE}
    if not others:
        return
    with st.expander("Other switches"):
        for name, switch in others.items():
            now, then = ("on", "off") if switch.operated_by in on else ("off", "on")
            title = switch.title or name.replace("_", " ")
            action_button(f"{title}: {now} → turn {then}", f"switch {name} {then}")
