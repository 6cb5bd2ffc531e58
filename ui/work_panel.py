"""Take something apart or put it together: choose what, choose which, do it; everything that is changed."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import streamlit as st

from sim.vehicle.edits import catalogue
from ui.cautions import caution
from ui.diagram import connector_words
from ui.seen import Seen
from ui.session import Held, ask_to_do


def show(held: Held, seen: Seen) -> None:
    """The work panel."""
    kind = st.selectbox("what", list(KINDS), key="work_kind", persist_state="session")
    KINDS[kind](held, seen)
    _free_line()
    _battery(seen)
    # where a complaint is to be solved, the list would give the answer away
    with st.expander(
        f"Changed on this car now: {len(seen.changes)}", expanded=not held.job, key="changes_box"
    ):
        _changes(seen)


def _connector(held: Held, seen: Seen) -> None:
    plugs = [name for name, plug in held.car.connectors.items() if plug.kind != "battery"]
    name = st.selectbox(
        "which connector",
        plugs,
        key="work_connector",
        format_func=lambda one: connector_words(held.car, held.car.connectors[one]),
    )
    if name in seen.connectors_off:
        _buttons(("Plug", f"plug {name}"))
    else:
        _buttons(("Unplug", f"unplug {name}"))
    caution("probing")


def _fuse(held: Held, seen: Seen) -> None:
    fuses = held.car.claimed.fuses
    name = st.selectbox(
        "which fuse",
        list(fuses),
        key="work_fuse",
        format_func=lambda one: (
            f"{one} · {fuses[one].rating_a:g} A, {fuses[one].title or fuses[one].location}"
        ),
    )
    if name in seen.out:
        _buttons(("Fit a right one", f"fit {name}"))
    else:
        _buttons(("Pull", f"pull {name}"), ("Blow", f"blow {name}"))
    rating_a = st.number_input(
        "a fuse of another rating, in A", 1.0, 500.0, float(fuses[name].rating_a), step=1.0, key="work_rating"
    )
    _buttons((f"Fit {rating_a:g} A", f"fit {name} {rating_a:g} A"))
    caution("shorts")


def _relay(held: Held, seen: Seen) -> None:
    relays = held.car.claimed.relays
    if not relays:
        st.caption("This car has no relays.")
        return
    name = st.selectbox(
        "which relay",
        list(relays),
        key="work_relay",
        format_func=lambda one: f"{one} · {relays[one].title or relays[one].location}",
    )
    _buttons(("Fit", f"fit {name}") if name in seen.out else ("Pull", f"pull {name}"))


def _joint(held: Held, seen: Seen) -> None:
    joints = [text.removeprefix("open ") for text in catalogue(held.car) if text.startswith("open ")]
    pins = held.car.pins
    name = st.selectbox(
        "which pin or ground point", joints, key="work_joint",
        format_func=lambda one: f"{one} · {pins[one].function}" if one in pins else f"{one} · ground point",
    )  # fmt: skip
    ohm = st.number_input("added resistance, in ohm", 0.001, 10_000_000.0, 0.5, key="work_ohm", format="%g")
    _buttons(
        ("Interrupt", f"open {name}"),
        (f"Add {ohm:g} ohm", f"corrode {name} {ohm:g} ohm"),
        ("Mend", f"mend {name}"),
    )


def _short(held: Held, seen: Seen) -> None:
    pins = list(held.car.pins)
    one = st.selectbox(
        "from", pins, key="work_short_a", format_func=lambda pin: f"{pin} · {held.car.pins[pin].function}"
    )
    other = st.selectbox("to", ["BODY", "BAT+", *pins], key="work_short_b")
    _buttons(("Short them", f"short {one} to {other}"), ("Take the short off", f"unshort {one} to {other}"))
    caution("shorts")


KINDS: dict[str, Callable[[Held, Seen], None]] = {
    "connector": _connector,
    "fuse": _fuse,
    "relay": _relay,
    "pin or ground point": _joint,
    "short": _short,
}


def _buttons(*pairs: tuple[str, str]) -> None:
    with st.container(horizontal=True):
        for words, action in pairs:
            st.button(words, key=f"work {action}", on_click=partial(ask_to_do, action))


def _free_line() -> None:
    with st.form("free", border=False), st.container(horizontal=True, vertical_alignment="bottom"):
        st.text_input(
            "or say it in words",
            key="sentence",
            placeholder="unplug ECM, corrode GW.GND 2 ohm, wait 30 s ...",
        )
        st.form_submit_button("Do it", on_click=_say)


def _say() -> None:
    ask_to_do(st.session_state.sentence)


def _battery(seen: Seen) -> None:
    with st.expander("Battery"):
        off = "BAT.NEG" in seen.connectors_off
        words, action = (
            ("Reconnect the battery", "reconnect battery")
            if off
            else ("Disconnect the battery", "disconnect battery")
        )
        _buttons((words, action))
        charge_pct = st.slider("state of charge, in %", 0, 100, 60, 5, key="work_charge")
        _buttons((f"Set {charge_pct} %", f"charge {charge_pct} %"))
        caution("battery", "airbag")


def _changes(seen: Seen) -> None:
    with st.container(key="changes"):
        for change in seen.changes:
            with st.container(horizontal=True, vertical_alignment="center"):
                st.button(
                    "Undo",
                    key=f"undo {change.text}",
                    help=change.undo,
                    on_click=partial(ask_to_do, change.undo),
                )
                st.text(change.text, width="stretch")
    for theory in seen.theories:
        st.caption(f"supposed: {theory} (see the page Suppose)")
