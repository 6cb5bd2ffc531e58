"""Take something apart or put it together: choose what, choose which, do it; everything that is changed.

In an exercise the car is a customer's: there are repairs and checks to choose from, nothing that breaks it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial

import streamlit as st

from sim.bench.actions import begins_an_action
from sim.training.exercise import Tool
from sim.vehicle.answer_parts import PARTS, PartSort, other_straps_of
from sim.vehicle.car import Car
from sim.vehicle.edits import catalogue, offers_at
from sim.vehicle.edits_modules import BITRATES_BPS
from sim.vehicle.edits_set_up import with_set_up
from sim.vehicle.elements import OTHER_LEGS, Resistor
from sim.vehicle.high_voltage_parts import orange_connectors
from sim.vehicle.problems import Problem
from ui.drawing import sheet
from ui.drawing.fuse_box import fuse_box
from ui.panels.cautions import caution
from ui.panels.diagram import connector_words, connectors_of
from ui.panels.prices import price_as_shown, with_price
from ui.state.held import Held
from ui.state.visible import Visible
from ui.state.work import as_shown, ask_to_do, ask_to_do_as_shown, tells_problems


def show(held: Held, visible: Visible) -> None:
    """The work panel."""
    kinds = [name for name, (tool, _) in KINDS.items() if tool in visible.tools]
    if not held.car.claimed.high_voltage:
        kinds = [name for name in kinds if name != HIGH_VOLTAGE]
    if kinds:
        _take_the_part(held, kinds)
        if st.session_state.get("work_kind") not in kinds:
            st.session_state.work_kind = kinds[0]
        kind = st.selectbox("what", kinds, key="work_kind", persist_state="session")
        KINDS[kind][1](held, visible)
    _free_line(visible)
    if "battery" in visible.tools:
        _battery(visible)
    # where a complaint is to be solved, the list would give the answer away
    title = "Taken apart so far" if visible.only_found else "Changed on this car now"
    with st.expander(f"{title}: {len(visible.changes)}", expanded=not held.job, key="changes_box"):
        _changes(visible)


def _take_the_part(held: Held, kinds: list[str]) -> None:
    """The part that was chosen last on the map comes along, once: of a module its first connector."""
    part = st.session_state.get("part") or ""
    if part == st.session_state.get("work_part", ""):
        return
    st.session_state.work_part = part
    kind, _, name = part.partition(" ")
    if kind == "module":
        kind, name = "connector", next((plug.id for plug in connectors_of(held.car, name)), "")
    words = "ground point" if kind == "ground" else kind
    if words in kinds and (kind != "connector" or name in _plugs(held.car)):
        st.session_state.work_kind, st.session_state[f"work_{kind}"] = words, name


def _plugs(car: Car) -> list[str]:
    """The connectors that are worked on here."""
    return [name for name, plug in car.connectors.items() if plug.kind not in ("battery", "orange")]


def _connector(held: Held, visible: Visible) -> None:
    name = st.selectbox(
        "which connector", _plugs(held.car), key="work_connector",
        format_func=lambda one: connector_words(held.car, held.car.connectors[one]),
    )  # fmt: skip
    plug = "plug {work_connector}"
    if name in visible.connectors_off:
        _buttons(("Plug", plug))
    else:
        press_home = [("Seat it fully", plug)] if visible.only_found else []
        _offer(visible, "connector", "{work_connector}", *press_home)
    caution("probing")


def _fuse(held: Held, visible: Visible) -> None:
    fuses = held.car.claimed.fuses
    words = {name: f"{one.rating_a:g} A, {one.title or one.location}" for name, one in fuses.items()}
    name = _which("which fuse", "work_fuse", words)
    _holder(visible, "fuse", name in visible.out, ("Fit a good one", "fit {work_fuse}"), "{work_fuse}")
    st.number_input(
        "a fuse of another rating, in A", 1.0, 500.0, float(fuses[name].rating_a), step=1.0, key="work_rating"
    )
    _buttons(("Fit this rating", "fit {work_fuse} {work_rating:g} A"))
    caution("shorts")
    _box(held, visible, f"fuse {name}", fuses[name].location)


def _relay(held: Held, visible: Visible) -> None:
    relays = {name: one.title or one.location for name, one in held.car.claimed.relays.items()}
    if not relays:
        st.caption("This car has no relays.")
        return
    name = _which("which relay", "work_relay", relays)
    _holder(visible, "relay", name in visible.out, ("Fit", "fit {work_relay}"), "{work_relay}")
    _box(held, visible, f"relay {name}", held.car.claimed.relays[name].location)


def _box(held: Held, visible: Visible, chosen: str, box: str) -> None:
    """The box of what is chosen; a click chooses another fuse or relay in it."""
    sheet.show(fuse_box(held.car, box, visible, chosen), "work_box", _picked_in_box)


def _picked_in_box() -> None:
    kind, _, name = sheet.picked("work_box").partition(" ")
    if kind in ("fuse", "relay"):
        st.session_state.work_kind, st.session_state[f"work_{kind}"] = kind, name


def _holder(visible: Visible, part: str, is_out: bool, fit: tuple[str, str], chosen: str) -> None:
    """A fuse or relay: one that is in may turn out to be wrong, so a customer's gets a right one, too."""
    if is_out:
        _buttons(fit)
    else:
        _offer(visible, part, chosen, *([fit] if visible.only_found else []))


def _joint(held: Held, visible: Visible) -> None:
    opens = [text.removeprefix("open ") for text in catalogue(held.car) if text.startswith("open ")]
    joints = [name for name in opens if name not in held.car.claimed.grounds]
    joints += [
        name
        for name, part in held.car.elements.items()
        if isinstance(part, Resistor) and part.kind == "terminator"
    ]
    pins = held.car.pins
    words = PARTS["wire"](held.car) | {name: pin.function for name, pin in pins.items()}
    name = _which("which", "work_joint", {one: words.get(one, "") for one in joints})
    if not visible.only_found:
        st.number_input("added resistance, in ohm", 0.001, 10_000_000.0, 0.5, key="work_ohm", format="%g")
    _offer(visible, "joint", "{work_joint}", ("Repair", "repair {work_joint}"), ohm="work_ohm")
    if visible.only_found or name not in pins:
        return
    st.number_input("opens about every, in s", 1.0, 3600.0, 20.0, key="work_between")
    st.number_input("each time for, in s", 0.01, 3600.0, 0.3, key="work_open", format="%g")
    _offer(visible, "pin", "{work_joint}", between_s="work_between", open_s="work_open")


def _swap(held: Held, visible: Visible) -> None:
    plug_of = {
        name: pin.connector
        for name, pin in held.car.pins.items()
        if held.car.connectors[pin.connector].kind == "module"
    }
    functions = _functions(held)
    one = _which("the wire of", "work_swap_a", {name: functions[name] for name in plug_of})
    others = [name for name in plug_of if name != one and plug_of[name] == plug_of[one]]
    if not others:
        st.caption("This connector has no other pin.")
        return
    _which("in the cavity of", "work_swap_b", {name: functions[name] for name in others})
    pair = "{work_swap_a} with {work_swap_b}"
    _offer(visible, "pins", pair, ("Swap back", f"unswap {pair}"))
    caution("probing")


def _functions(held: Held) -> dict[str, str]:
    """What each pin of the car carries."""
    return {name: pin.function for name, pin in held.car.pins.items()}


def _ground(held: Held, visible: Visible) -> None:
    grounds = {name: one.location or one.title for name, one in held.car.claimed.grounds.items()}
    _which("which ground point", "work_ground", grounds)
    if not visible.only_found:
        st.number_input("voltage above body ground, in V", -15.0, 15.0, 1.5, step=0.5, key="work_offset")
    tighten = ("Clean and tighten it", "repair {work_ground}")
    _offer(visible, "ground", "{work_ground}", tighten, volt="work_offset")


def _short(held: Held, visible: Visible) -> None:
    _which("from", "work_short_a", _functions(held))
    st.selectbox("to", ["BODY", "BAT+", *held.car.pins], key="work_short_b")
    pair = "{work_short_a} to {work_short_b}"
    _offer(visible, "terminals", pair, ("Remove the short", f"remove short {pair}"))
    caution("shorts")


def _resistor(held: Held, visible: Visible) -> None:
    functions = {(pin.connector, pin.function): name for name, pin in held.car.pins.items()}
    pairs = {
        f"{high} to {low}": f"{high} and {low} · {function}"
        for (plug, function), high in functions.items()
        if function.rpartition(".")[2] in OTHER_LEGS
        and (low := functions.get((plug, f"{function[:-1]}{OTHER_LEGS[function[-1]]}")))
    }
    st.selectbox("across the pair at", list(pairs), key="work_resistor", format_func=pairs.__getitem__)
    if not visible.only_found:
        st.number_input("resistance, in ohm", 0.001, 10_000_000.0, 120.0, key="work_pair_ohm", format="%g")
    take_out = ("Remove the resistor", "unterminate {work_resistor}")
    _offer(visible, "pair", "{work_resistor}", take_out, ohm="work_pair_ohm")


def _sensor(held: Held, visible: Visible) -> None:
    sensors = held.car.claimed.sensors
    if not sensors:
        st.caption("This car has no sensors with wires of their own.")
        return
    _which("which sensor", "work_sensor", {name: one.title for name, one in sensors.items()})
    _offer(visible, "sensor", "{work_sensor}", ("Fit a good one", "replace {work_sensor}"))


def _module(held: Held, visible: Visible) -> None:
    modules = {name: one.title for name, one in held.car.claimed.modules.items()}
    name = _which("which module", "work_module", modules)
    solder = ("Resolder its ground joint", "repair {work_module}:GND.trace")
    _offer(visible, "module", "{work_module}", ("Fit a good one", "replace {work_module}"), solder)
    if name in with_set_up(held.car, "coding") or name in with_set_up(held.car, "keys"):
        st.caption("A new one has to be set up with the tester: see Tester, Identify and set up a module.")
    if visible.only_found:
        st.caption("A new module is expensive and the last thing to try: check supply, ground and bus first.")
        return
    known = held.car.claimed.buses
    all_buses = [bus for bus in held.car.messages.buses_of[name] if bus in known]
    if straps := other_straps_of(held.car, name):
        st.selectbox("its PHY on a link, as the other end", list(straps), key="work_strap")
        _offer(visible, "link", "{work_strap}")
    buses = [bus for bus in all_buses if not known[bus].is_ethernet]
    if not buses:
        return
    bus = st.selectbox("its controller on", buses, key="work_channel")
    right_kbps = held.car.claimed.buses[bus].bitrate_bps // 1000
    rates_kbps = [rate // 1000 for rate in BITRATES_BPS if rate // 1000 != right_kbps]
    st.selectbox("a wrong bit rate, in kbit/s", rates_kbps, key="work_rate")
    _offer(visible, "channel", "{work_module}.{work_channel}", kbps="work_rate")


def _high_voltage(held: Held, visible: Visible) -> None:
    """What is orange is handed to a licensed technician; here another person may have put the fault in."""
    car = held.car
    sorts: Mapping[PartSort, Mapping[str, str]] = {sort: PARTS[sort](car) for sort in IN_PACK}
    words = {name: car.connectors[name].location for name in orange_connectors(car)}
    words |= {name: said for found in sorts.values() for name, said in found.items()}
    name = _which("which part", "work_orange", words)
    _buttons(("Hand to a licensed technician", "refer {work_orange}"))
    sort = next((sort for sort, found in sorts.items() if name in found), None)
    if sort == "rail" and not visible.only_found:
        st.number_input("its leak, in ohm", 1.0, 1e7, 20_000.0, step=10_000.0, key="work_leak")
    if sort:
        _offer(visible, sort, "{work_orange}", ohm="work_leak")
    caution("high_voltage")


HIGH_VOLTAGE = "high voltage"
IN_PACK: tuple[PartSort, ...] = ("contactor", "precharge", "rail")
FOR_EXAMPLE = "unplug ECM, corrode GATEWAY.GND 2 ohm, wait 30 s ..."
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
    HIGH_VOLTAGE: ("repair", _high_voltage),
}


def _which(label: str, key: str, words: Mapping[str, str]) -> str:
    """A list to choose one of several parts from; `words`: what is written after each name."""
    return st.selectbox(label, list(words), key=key, format_func=lambda one: _chosen_words(one, words[one]))


def _chosen_words(name: str, words: str) -> str:
    """A part as it reads in a list; a wire has no name but its ends."""
    return words if "--" in name else f"{name} · {words}" if words else name


def _buttons(*pairs: tuple[str, str]) -> None:
    """Buttons by their words and prices, and what each does, with the keys of lists and fields in it."""
    with st.container(horizontal=True):
        for words, action in pairs:
            st.button(
                with_price(words, price_as_shown(action)), key=f"work {action}",
                on_click=partial(ask_to_do_as_shown, as_shown(action)),
            )  # fmt: skip


def _offer(visible: Visible, part: str, chosen: str, *more: tuple[str, str], **fields: str) -> None:
    """Buttons for the faults at a kind of part (see `faults`), and more of them."""
    _buttons(*faults(visible.only_found, part, chosen, **fields), *more)


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
    such_as = "repair ECM.C1.3, fit F2, wait 30 s ..." if visible.only_found else FOR_EXAMPLE
    with st.form("free", border=False), st.container(horizontal=True, vertical_alignment="bottom"):
        st.text_input("or say it in words", key="sentence", placeholder=such_as)
        st.form_submit_button("Do it", on_click=_say)


@tells_problems
def _say() -> None:
    sentence = st.session_state.sentence.strip()
    word = sentence.partition(" ")[0]
    if word and not begins_an_action(word):
        held: Held = st.session_state.get("work") or st.session_state.held
        raise Problem(_what_to_say(word, held.car))
    ask_to_do(sentence)


def _what_to_say(word: str, car: Car) -> str:
    """What to write instead of a sentence that begins with no work."""
    shown = car.claimed
    parts = (*shown.modules, *shown.fuses, *shown.relays, *shown.grounds, *shown.sensors, *car.connectors)
    name = next((one for one in parts if one.lower() == word.lower()), None)
    if name is not None:
        return f"Say what to do with {name}, for example “inspect {name}”."
    ways = "inspect, measure, unplug, plug, pull, fit, repair"
    return f"“{word}” is no work on a car. Begin with what you do: {ways}."


def _battery(visible: Visible) -> None:
    with st.expander("Battery"):
        off = "BAT.NEG" in visible.connectors_off
        verb = "reconnect" if off else "disconnect"
        _buttons((f"{verb.capitalize()} the battery", f"{verb} battery"))
        if visible.only_found:
            _buttons(("Charge the battery", "charge 80 %"))
        else:
            st.slider("state of charge, in %", 0, 100, 60, 5, key="work_charge")
            _buttons(("Set this charge", "charge {work_charge} %"))
        caution("battery", "airbag")


def _changes(visible: Visible) -> None:
    if not visible.changes:
        st.caption("Nothing so far.")
    with st.container(key="changes"):
        for change in visible.changes:
            with st.container(horizontal=True, vertical_alignment="center"):
                st.button(
                    "Undo", key=f"undo {change.text}", help=change.undo,
                    on_click=partial(ask_to_do, change.undo),
                )  # fmt: skip
                st.text(change.text, width="stretch")
    for theory in visible.theories:
        st.caption(f"supposed: {theory} (see the page What if)")
