"""Take something apart or put it together: choose what, choose which, do it; everything that is changed.

In an exercise the car is a customer's: there are repairs and checks to choose from, nothing that breaks it.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import streamlit as st

from sim.training.exercise import Tool
from sim.vehicle.edits import catalogue, offers_at
from sim.vehicle.edits_modules import BITRATES_BPS
from ui.panels.cautions import caution
from ui.panels.diagram import connector_words
from ui.state.held import Held
from ui.state.visible import Visible
from ui.state.work import as_shown, ask_to_do, ask_to_do_as_shown


def show(held: Held, visible: Visible) -> None:
    """The work panel."""
    kinds = [name for name, (tool, _) in KINDS.items() if tool in visible.tools]
    if kinds:
        if st.session_state.get("work_kind") not in kinds:
            st.session_state.work_kind = kinds[0]
        kind = st.selectbox("what", kinds, key="work_kind", persist_state="session")
        KINDS[kind][1](held, visible)
    _free_line(visible)
    if "battery" in visible.tools:
        _battery(visible)
    # where a complaint is to be solved, the list would give the answer away
    with st.expander(
        f"{'Taken apart, as far as you know' if visible.only_found else 'Changed on this car now'}: "
        f"{len(visible.changes)}",
        expanded=not held.job,
        key="changes_box",
    ):
        _changes(visible)


def _connector(held: Held, visible: Visible) -> None:
    plugs = [name for name, plug in held.car.connectors.items() if plug.kind != "battery"]
    name = st.selectbox(
        "which connector",
        plugs,
        key="work_connector",
        format_func=lambda one: connector_words(held.car, held.car.connectors[one]),
    )
    plug = "plug {work_connector}"
    if name in visible.connectors_off:
        _buttons(("Plug", plug))
    else:
        press_home = [("Press it home", plug)] if visible.only_found else []
        _buttons(*faults(visible.only_found, "connector", "{work_connector}"), *press_home)
    caution("probing")


def _fuse(held: Held, visible: Visible) -> None:
    fuses = held.car.claimed.fuses
    name = st.selectbox(
        "which fuse",
        list(fuses),
        key="work_fuse",
        format_func=lambda one: (
            f"{one} · {fuses[one].rating_a:g} A, {fuses[one].title or fuses[one].location}"
        ),
    )
    _holder(visible, "fuse", name in visible.out, ("Fit a right one", "fit {work_fuse}"), "{work_fuse}")
    st.number_input(
        "a fuse of another rating, in A", 1.0, 500.0, float(fuses[name].rating_a), step=1.0, key="work_rating"
    )
    _buttons(("Fit this rating", "fit {work_fuse} {work_rating:g} A"))
    caution("shorts")


def _relay(held: Held, visible: Visible) -> None:
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
    _holder(visible, "relay", name in visible.out, ("Fit", "fit {work_relay}"), "{work_relay}")


def _holder(visible: Visible, part: str, is_out: bool, fit: tuple[str, str], chosen: str) -> None:
    """A fuse or relay: one that is in may turn out to be wrong, so a customer's gets a right one, too."""
    offered = [] if is_out else faults(visible.only_found, part, chosen)
    _buttons(*offered, *([fit] if is_out or visible.only_found else []))


def _joint(held: Held, visible: Visible) -> None:
    opens = [text.removeprefix("open ") for text in catalogue(held.car) if text.startswith("open ")]
    joints = [name for name in opens if name not in held.car.claimed.grounds]
    joints += [name for name, part in held.car.elements.items() if getattr(part, "kind", "") == "terminator"]
    pins = held.car.pins
    name = st.selectbox(
        "which", joints, key="work_joint",
        format_func=lambda one: f"{one} · {pins[one].function}" if one in pins else one,
    )  # fmt: skip
    if not visible.only_found:
        st.number_input("added resistance, in ohm", 0.001, 10_000_000.0, 0.5, key="work_ohm", format="%g")
    _buttons(
        *faults(visible.only_found, "joint", "{work_joint}", ohm="work_ohm"), ("Mend", "mend {work_joint}")
    )
    if visible.only_found or name not in pins:
        return
    st.number_input("opens every so many s, by chance", 1.0, 3600.0, 20.0, key="work_between")
    st.number_input("for so many s", 0.01, 3600.0, 0.3, key="work_open", format="%g")
    _buttons(*faults(visible.only_found, "pin", "{work_joint}", between_s="work_between", open_s="work_open"))


def _swap(held: Held, visible: Visible) -> None:
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
    st.selectbox("in the cavity of", others, key="work_swap_b", format_func=lambda pin: _pin_words(held, pin))
    pair = "{work_swap_a} with {work_swap_b}"
    _buttons(*faults(visible.only_found, "pins", pair), ("Swap back", f"unswap {pair}"))
    caution("probing")


def _pin_words(held: Held, name: str) -> str:
    return f"{name} · {held.car.pins[name].function}"


def _ground(held: Held, visible: Visible) -> None:
    grounds = held.car.claimed.grounds
    st.selectbox(
        "which ground point",
        list(grounds),
        key="work_ground",
        format_func=lambda one: f"{one} · {grounds[one].location or grounds[one].title}",
    )
    if not visible.only_found:
        st.number_input("voltage above the body, in V", -15.0, 15.0, 1.5, step=0.5, key="work_offset")
    offered = faults(visible.only_found, "ground", "{work_ground}", volt="work_offset")
    _buttons(*offered, ("Clean and tighten it", "mend {work_ground}"))


def _short(held: Held, visible: Visible) -> None:
    pins = list(held.car.pins)
    st.selectbox(
        "from", pins, key="work_short_a", format_func=lambda pin: f"{pin} · {held.car.pins[pin].function}"
    )
    st.selectbox("to", ["BODY", "BAT+", *pins], key="work_short_b")
    pair = "{work_short_a} to {work_short_b}"
    _buttons(*faults(visible.only_found, "terminals", pair), ("Take the short off", f"unshort {pair}"))
    caution("shorts")


def _resistor(held: Held, visible: Visible) -> None:
    pins = held.car.pins
    functions = {(pin.connector, pin.function): name for name, pin in pins.items()}
    pairs = {
        f"{high} to {low}": f"{high} and {low} · {function}"
        for (plug, function), high in functions.items()
        if function.rpartition(".")[2] == "H" and (low := functions.get((plug, f"{function[:-1]}L")))
    }
    st.selectbox("across the pair at", list(pairs), key="work_resistor", format_func=pairs.__getitem__)
    if not visible.only_found:
        st.number_input("resistance, in ohm", 0.001, 10_000_000.0, 120.0, key="work_pair_ohm", format="%g")
    offered = faults(visible.only_found, "pair", "{work_resistor}", ohm="work_pair_ohm")
    _buttons(*offered, ("Take the resistor out", "unterminate {work_resistor}"))


def _sensor(held: Held, visible: Visible) -> None:
    sensors = held.car.claimed.sensors
    if not sensors:
        st.caption("This car has no sensors with wires of their own.")
        return
    st.selectbox(
        "which sensor",
        list(sensors),
        key="work_sensor",
        format_func=lambda one: f"{one} · {sensors[one].title}",
    )
    _buttons(
        *faults(visible.only_found, "sensor", "{work_sensor}"), ("Fit a right one", "replace {work_sensor}")
    )


def _module(held: Held, visible: Visible) -> None:
    modules = held.car.claimed.modules
    name = st.selectbox(
        "which module", list(modules), key="work_module",
        format_func=lambda one: f"{one} · {modules[one].title}" if modules[one].title else one,
    )  # fmt: skip
    _buttons(
        *faults(visible.only_found, "module", "{work_module}"), ("Fit a right one", "replace {work_module}")
    )
    if visible.only_found:
        st.caption("A new module is dear, and it is the last thing to try: supply, ground and lines first.")
        return
    buses = [bus for bus in held.car.messages.buses_of[name] if bus in held.car.claimed.buses]
    if not buses:
        return
    bus = st.selectbox("its controller on", buses, key="work_channel")
    right_kbps = held.car.claimed.buses[bus].bitrate_bps // 1000
    rates_kbps = [rate // 1000 for rate in BITRATES_BPS if rate // 1000 != right_kbps]
    st.selectbox("a wrong bit rate, in kbit/s", rates_kbps, key="work_rate")
    _buttons(*faults(visible.only_found, "channel", "{work_module}.{work_channel}", kbps="work_rate"))


FOR_EXAMPLE = "unplug ECM, corrode GW.GND 2 ohm, wait 30 s ..."
KINDS: dict[str, tuple[Tool, Callable[[Held, Visible], None]]] = {
    "connector": ("unplug", _connector),
    "fuse": ("fuses", _fuse),
    "relay": ("fuses", _relay),
    "pin, wire or terminator": ("repair", _joint),
    "swapped wires": ("repair", _swap),
    "ground point": ("repair", _ground),
    "short": ("repair", _short),
    "resistor across a pair": ("repair", _resistor),
    "sensor itself": ("repair", _sensor),
    "module itself": ("repair", _module),
}


def _buttons(*pairs: tuple[str, str]) -> None:
    """Buttons by their words, and what each does, with the keys of this panel's lists and fields in it."""
    with st.container(horizontal=True):
        for words, action in pairs:
            st.button(words, key=f"work {action}", on_click=partial(ask_to_do_as_shown, as_shown(action)))


def faults(only_found: bool, part: str, chosen: str, **fields: str) -> list[tuple[str, str]]:
    """The faults that are offered at a kind of part; a customer's car is taken apart and never harmed.

    chosen: the part, by the keys of its lists. fields: the key of the field for each figure.
    """
    return [
        (offer.button, offer.asked(chosen, fields))
        for kind, offer in offers_at(part)
        if kind.hands_on or not only_found
    ]


def _free_line(visible: Visible) -> None:
    such_as = "mend ECM.C1.3, fit F2, wait 30 s ..." if visible.only_found else FOR_EXAMPLE
    with st.form("free", border=False), st.container(horizontal=True, vertical_alignment="bottom"):
        st.text_input(
            "or say it in words",
            key="sentence",
            placeholder=such_as,
        )
        st.form_submit_button("Do it", on_click=_say)


def _say() -> None:
    ask_to_do(st.session_state.sentence)


def _battery(visible: Visible) -> None:
    with st.expander("Battery"):
        off = "BAT.NEG" in visible.connectors_off
        words, action = (
            ("Reconnect the battery", "reconnect battery")
            if off
            else ("Disconnect the battery", "disconnect battery")
        )
        _buttons((words, action))
        if visible.only_found:
            _buttons(("Charge the battery", "charge 80 %"))
        else:
            st.slider("state of charge, in %", 0, 100, 60, 5, key="work_charge")
            _buttons(("Set this charge", "charge {work_charge} %"))
        caution("battery", "airbag")


def _changes(visible: Visible) -> None:
    with st.container(key="changes"):
        for change in visible.changes:
            with st.container(horizontal=True, vertical_alignment="center"):
                st.button(
                    "Undo",
                    key=f"undo {change.text}",
                    help=change.undo,
                    on_click=partial(ask_to_do, change.undo),
                )
                st.text(change.text, width="stretch")
    for theory in visible.theories:
        st.caption(f"supposed: {theory} (see the page What if)")
