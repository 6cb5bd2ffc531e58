"""One part of the car, picked on the map or from a list: what is known of it, and what can be done to it."""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.vehicle.problems import EditProblem
from ui.drawing import sheet
from ui.drawing.tables import plain_table
from ui.panels import why
from ui.panels.cautions import caution
from ui.panels.diagram import buses_through, connector_words, connectors_of, feeds_of, gateways, module_words
from ui.state.held import Held
from ui.state.visible import Visible
from ui.state.work import ask_to_do, ask_to_do_as_shown, tells_problems

MOST_PINS = 12  # longer tables wait until they are asked for


def show(held: Held, visible: Visible) -> None:
    """Choose a module or in-line connector; its panel."""
    idents = [f"module {name}" for name in visible.modules]
    idents += [f"connector {name}" for name, plug in held.car.connectors.items() if plug.kind != "module"]
    if st.session_state.get("part") not in idents:
        st.session_state.part = None
    chosen = st.selectbox(
        "part", idents, key="part", index=None, placeholder="pick a part on the map, or here",
        format_func=lambda ident: _words(held, ident), persist_state="session",
    )  # fmt: skip
    if chosen is None:
        st.caption("A click on the map, or Tab, arrow keys and Enter, opens a module or connector here.")
        return
    kind, _, name = chosen.partition(" ")
    if kind == "module":
        _module(held, visible, name)
    else:
        _connector(held, visible, name)


def _words(held: Held, ident: str) -> str:
    kind, _, name = ident.partition(" ")
    if kind == "connector":
        return connector_words(held.car, held.car.connectors[name])
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
        st.markdown(f"awake and in touch with nobody on: {', '.join(module.alone_on)}")
    st.caption(module_words(held.car, name))
    _plugs(held, visible, name)
    _fuses(held, visible, name)
    if name in gateways(held.car) and "bypass" in visible.tools:
        _bypass(held, visible, name)
    with st.container(horizontal=True):
        if visible.only_found:
            _look(visible, name)
        else:
            st.button(
                "Why is it like that?",
                key="why_part",
                icon=":material/help:",
                on_click=_ask_why,
            )
        if "clear" in visible.tools:
            st.button(
                "Clear its codes",
                key="clear_part",
                on_click=partial(ask_to_do_as_shown, lambda: [f"clear {_picked()}"]),
            )
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


def _look(visible: Visible, name: str) -> None:
    if "eye" in visible.tools:
        st.button(
            f"Look at {name}", key=f"look {name}", icon=":material/visibility:",
            on_click=partial(ask_to_do, f"look {name}"),
        )  # fmt: skip


def _is_airbag(held: Held, name: str) -> bool:
    spec = held.car.claimed.modules[name]
    return "SRS" in (name, spec.role) or "airbag" in spec.title.lower()


def _plugs(held: Held, visible: Visible, name: str) -> None:
    if "unplug" not in visible.tools:
        return
    st.markdown("**Connectors**")
    for plug in connectors_of(held.car, name):
        _plug_row(visible, plug.id, ", ".join(pin.function for pin in plug.pins))
    caution("probing")


def _plug_row(visible: Visible, connector: str, words: str) -> None:
    off = connector in visible.connectors_off
    action, verb = (f"plug {connector}", "Plug") if off else (f"unplug {connector}", "Unplug")
    with st.container(horizontal=True, vertical_alignment="center"):
        st.button(f"{verb} {connector}", key=action, on_click=partial(ask_to_do, action))
        if visible.only_found:
            _look(visible, connector)
        st.caption(words if len(words) < 120 else f"{words[:117]}...", width="stretch")


def _fuses(held: Held, visible: Visible, name: str) -> None:
    feeds = feeds_of(held.car, name)
    if not feeds or "fuses" not in visible.tools:
        return
    st.markdown("**Fuses on the way to it**, as the diagram shows")
    for feed in feeds:
        out = feed.fuse in visible.out
        action, verb = (f"fit {feed.fuse}", "Fit") if out else (f"pull {feed.fuse}", "Pull")
        with st.container(horizontal=True, vertical_alignment="center"):
            st.button(f"{verb} {feed.fuse}", key=action, on_click=partial(ask_to_do, action))
            if visible.only_found:
                _look(visible, feed.fuse)
            st.caption(feed.words, width="stretch")


def _bypass(held: Held, visible: Visible, name: str) -> None:
    st.markdown("**Bypass lead** in place of this gateway")
    fitted = next((lead for lead in visible.leads if lead.startswith(f"bypass {name} ")), None)
    if fitted:
        st.button(
            "Take the bypass lead off",
            key="unbypass",
            on_click=partial(ask_to_do_as_shown, lambda: [f"unbypass {_picked()}"]),
        )
    else:
        buses = st.multiselect(
            "buses that it joins",
            held.car.messages.buses_of[name],
            key=f"buses {name}",
            persist_state="session",
            select_all=False,
        )
        st.button(
            "Unplug it and fit the lead" if _plugged(held, visible, name) else "Fit the bypass lead",
            key="bypass",
            disabled=len(buses) < 2,
            on_click=partial(ask_to_do_as_shown, partial(_fit_lead, held, visible)),
        )
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
    buses = buses_through(held.car, name)
    if buses:
        st.caption(f"carries: {', '.join(buses)}")
    if ("battery" if plug.kind == "battery" else "unplug") in visible.tools:
        _plug_row(visible, name, f"{len(plug.pins)} pins")
    caution("battery" if plug.kind == "battery" else "probing")
    if plug.pins:
        rows = [(pin.cavity, pin.function) for pin in plug.pins]
        sheet.show(plain_table(("pin", "carries"), rows[:MOST_PINS]), "pins")
        if len(rows) > MOST_PINS:
            with st.expander(f"{len(rows) - MOST_PINS} more pins"):
                sheet.show(plain_table(("pin", "carries"), rows[MOST_PINS:]), "more_pins")
