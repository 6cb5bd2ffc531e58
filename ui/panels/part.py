"""One part of the car, picked on the map or from a list: what is known of it, and what can be done to it."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import streamlit as st

from sim.instruments.cautions import VENTS_GAS
from sim.vehicle.codes import is_role
from sim.vehicle.problems import EditProblem
from sim.vehicle.words import counted
from ui.drawing import sheet
from ui.drawing.battery import POSTS, battery
from ui.drawing.tables import plain_table
from ui.panels import holders, why
from ui.panels.cautions import caution
from ui.panels.controls import inspect_button, part_row
from ui.panels.diagram import buses_through, connector_words, connectors_of, feeds_of, module_words
from ui.panels.prices import price_at_work, with_price
from ui.panels.terminals import papers_of
from ui.state.held import Held
from ui.state.visible import Visible
from ui.state.work import ask_to_do_as_shown, tells_problems

REFER = "Hand to a licensed technician"
MOST_WORDS = 120  # characters of what the pins of a connector are for; of more pins the number is told
MOST_PINS, FEW_PINS = 12, 3  # longer tables wait until they are asked for, if more than a few pins


def show(held: Held, visible: Visible) -> None:
    """Choose a part; its panel."""
    idents = [f"module {name}" for name in visible.modules]
    idents += [f"connector {name}" for name, plug in held.car.connectors.items() if plug.kind != "module"]
    idents += holders.idents(held.car)
    if st.session_state.get("part") not in idents:
        st.session_state.part = None
    chosen = st.selectbox(
        "part", idents, key="part", index=None, placeholder="pick a part on the map, or here",
        format_func=lambda ident: _words(held, ident), persist_state="session",
    )  # fmt: skip
    if chosen is None:
        st.caption("A click on the map, or Tab, arrow keys and Enter, opens a part here.")
        return
    kind, _, name = chosen.partition(" ")
    PANELS[kind](held, visible, name)


def _words(held: Held, ident: str) -> str:
    kind, _, name = ident.partition(" ")
    if kind == "connector":
        return connector_words(held.car, held.car.connectors[name])
    if kind != "module":
        return holders.words(held.car, kind, name)
    title = held.car.claimed.modules[name].title
    return f"{name} · {title}" if title else name


def _module(held: Held, visible: Visible, name: str) -> None:
    module = visible.modules[name]
    count = f"{module.code_count} code{'s' if module.code_count != 1 else ''}"
    known = [f"**{module.word}**", f"{count} {'read' if visible.only_found else 'stored'}"]
    if module.supply_v is not None:
        known.insert(1, f"{module.supply_v:.1f} V at its supply")
    with st.container(key="module_state"):
        st.markdown(" · ".join(known))
    if module.alone_on:
        st.markdown(f"awake, no communication on: {', '.join(module.alone_on)}")
    st.caption(module_words(held.car, name))
    _plugs(held, visible, name)
    _fuses(held, visible, name)
    if held.car.claimed.modules[name].gateway and "bypass" in visible.tools:
        _bypass(held, visible, name)
    with st.container(horizontal=True):
        if visible.only_found:
            inspect_button(visible, name)
        else:
            st.button("Why is it like that?", key="why_part", icon=":material/help:", on_click=_ask_why)
        if "clear" in visible.tools:
            clear = partial(ask_to_do_as_shown, lambda: [f"clear {_picked()}"])
            words = with_price("Clear its codes", price_at_work(f"clear {name}"))
            st.button(words, key="clear_part", on_click=clear)
        if "scan" in visible.tools and name in held.car.addresses:
            identify = partial(ask_to_do_as_shown, lambda: [f"identify {_picked()}"])
            words = with_price("Identify", price_at_work(f"identify {name}"))
            st.button(words, key="identify_part", on_click=identify)
    if _is_airbag(held, name):
        caution("airbag")


def _picked() -> str:
    """The module that is picked when a button is pressed."""
    kind, _, name = (st.session_state.get("part") or "").partition(" ")
    if kind != "module":
        raise EditProblem("pick a module first")
    return name


@tells_problems
def _ask_why() -> None:
    why.ask_why("silent", _picked())


def _is_airbag(held: Held, name: str) -> bool:
    spec = held.car.claimed.modules[name]
    return is_role(spec.role or name, "AIRBAG") or "airbag" in spec.title.lower()


def _plugs(held: Held, visible: Visible, name: str) -> None:
    if "unplug" not in visible.tools:
        return
    st.markdown("**Connectors**")
    for plug in connectors_of(held.car, name):
        words = "; ".join(papers_of(held).words(pin) for pin in plug.pins)
        _plug_row(visible, plug.id, words if len(words) < MOST_WORDS else counted(len(plug.pins), "pin"))
    caution("probing")


def _plug_row(visible: Visible, connector: str, words: str) -> None:
    verb = "plug" if connector in visible.connectors_off else "unplug"
    part_row(visible, verb, connector, words)


def _fuses(held: Held, visible: Visible, name: str) -> None:
    feeds = feeds_of(held.car, name)
    if not feeds or "fuses" not in visible.tools:
        return
    st.markdown("**Fuses on the way to it**, as the diagram shows")
    for fuse, words in feeds.items():
        part_row(visible, "fit" if fuse in visible.out else "pull", fuse, words)


def _bypass(held: Held, visible: Visible, name: str) -> None:
    st.markdown("**Bypass lead** in place of this gateway")
    fitted = next((lead for lead in visible.leads if lead.startswith(f"bypass {name} ")), None)
    if fitted:
        take_off = partial(ask_to_do_as_shown, lambda: [f"unbypass {_picked()}"])
        st.button("Take the bypass lead off", key="unbypass", on_click=take_off)
    else:
        buses = st.multiselect(
            "buses that it joins", held.car.messages.buses_of[name], key=f"buses {name}",
            persist_state="session", select_all=False,
        )  # fmt: skip
        st.button(
            "Unplug it and fit the lead" if _plugged(held, visible, name) else "Fit the bypass lead",
            key="bypass", disabled=len(buses) < 2,
            on_click=partial(ask_to_do_as_shown, partial(_fit_lead, held, visible)),
        )  # fmt: skip
    caution("bypass")


def _plugged(held: Held, visible: Visible, name: str) -> list[str]:
    return [plug.id for plug in connectors_of(held.car, name) if plug.id not in visible.connectors_off]


def _fit_lead(held: Held, visible: Visible) -> list[str]:
    name = _picked()
    buses = st.session_state.get(f"buses {name}") or []
    if len(buses) < 2:
        raise EditProblem(f"choose two buses or more for the bypass lead in place of {name}")
    unplug = [f"unplug {plug}" for plug in _plugged(held, visible, name)]
    return [*unplug, f"bypass {name} {buses[0]} to {' and '.join(buses[1:])}"]


def _connector(held: Held, visible: Visible, name: str) -> None:
    plug = held.car.connectors[name]
    if plug.kind == "orange":
        _orange(visible, name)
        return
    if plug.kind == "battery":
        idents = {post.terminal: f"connector {post.clamp}" for post in POSTS}
        at = [post.terminal for post in POSTS if post.clamp == name]
        sheet.show(battery(visible.connectors_off, VENTS_GAS, idents, at), "battery_part", _picked_clamp)
    buses = buses_through(held.car, name)
    if buses:
        st.caption(f"buses through it: {', '.join(buses)}")
    if ("battery" if plug.kind == "battery" else "unplug") in visible.tools:
        _plug_row(visible, name, f"{len(plug.pins)} pins")
    caution("battery" if plug.kind == "battery" else "probing")
    if plug.pins:
        rows = [(pin.cavity, papers_of(held).words(pin)) for pin in plug.pins]
        shown = len(rows) if len(rows) <= MOST_PINS + FEW_PINS else MOST_PINS
        sheet.show(plain_table(("pin", "carries"), rows[:shown]), "pins")
        if rows[shown:]:
            with st.expander(counted(len(rows) - shown, "more pin")):
                sheet.show(plain_table(("pin", "carries"), rows[shown:]), "more_pins")


def _orange(visible: Visible, name: str) -> None:
    """An orange connector: it can be inspected, or handed to a licensed technician."""
    caution("high_voltage")
    with st.container(horizontal=True):
        inspect_button(visible, name)
        if "repair" in visible.tools:
            refer = partial(ask_to_do_as_shown, lambda: [f"refer {_picked_connector()}"])
            st.button(REFER, key="refer_part", icon=":material/engineering:", on_click=refer)


def _picked_connector() -> str:
    """The connector that is picked when a button is pressed."""
    kind, _, name = (st.session_state.get("part") or "").partition(" ")
    if kind != "connector":
        raise EditProblem("pick a connector first")
    return name


def _picked_clamp() -> None:
    """The clamp on the post that was picked is the next part."""
    picked = sheet.picked("battery_part")
    if picked:
        st.session_state.part = picked


PANELS: dict[str, Callable[[Held, Visible, str], None]] = {
    "module": _module,
    "connector": _connector,
    "fuse": holders.show_holder,
    "relay": holders.show_holder,
    "box": holders.show_box,
    "ground": holders.show_ground,
    "parts": holders.show_parts,
}
