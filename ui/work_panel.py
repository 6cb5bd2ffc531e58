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
        _buttons(("Unplug", f"unplug {name}"), ("Half seat it", f"loosen {name}"))
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
    opens = [text.removeprefix("open ") for text in catalogue(held.car) if text.startswith("open ")]
    joints = [name for name in opens if name not in held.car.claimed.grounds]
    pins = held.car.pins
    name = st.selectbox(
        "which", joints, key="work_joint",
        format_func=lambda one: f"{one} · {pins[one].function}" if one in pins else one,
    )  # fmt: skip
    ohm = st.number_input("added resistance, in ohm", 0.001, 10_000_000.0, 0.5, key="work_ohm", format="%g")
    _buttons(
        ("Interrupt", f"open {name}"),
        (f"Add {ohm:g} ohm", f"corrode {name} {ohm:g} ohm"),
        ("Mend", f"mend {name}"),
    )


def _swap(held: Held, seen: Seen) -> None:
    pins = [
        name for name, pin in held.car.pins.items() if held.car.connectors[pin.connector].kind == "module"
    ]
    one = st.selectbox("the wire of", pins, key="work_swap_a", format_func=lambda pin: _pin_words(held, pin))
    others = [
        name for name in pins if name != one and held.car.pins[name].connector == held.car.pins[one].connector
    ]
    if not others:
        st.caption("This connector has no other pin.")
        return
    other = st.selectbox(
        "in the cavity of", others, key="work_swap_b", format_func=lambda pin: _pin_words(held, pin)
    )
    _buttons(("Swap them", f"swap {one} with {other}"), ("Swap back", f"unswap {one} with {other}"))
    caution("probing")


def _pin_words(held: Held, name: str) -> str:
    return f"{name} · {held.car.pins[name].function}"


def _ground(held: Held, seen: Seen) -> None:
    grounds = held.car.claimed.grounds
    name = st.selectbox(
        "which ground point",
        list(grounds),
        key="work_ground",
        format_func=lambda one: f"{one} · {grounds[one].location or grounds[one].title}",
    )
    volt = st.number_input("voltage above the body, in V", -15.0, 15.0, 1.5, step=0.5, key="work_offset")
    _buttons(
        ("Lift it", f"open {name}"),
        (f"Raise it by {volt:g} V", f"offset {name} {volt:g} V"),
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
    "pin, wire or terminator": _joint,
    "swapped wires": _swap,
    "ground point": _ground,
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
        st.caption(f"supposed: {theory} (see the page What if)")
