"""Fuses, relays, boxes, ground points and places as chosen parts: what the diagram says, what can be done."""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.instruments.lists import FuseEntry, RelayEntry
from sim.vehicle.car import Car
from ui.drawing import sheet
from ui.drawing.fuse_box import STATES, boxes_of, fuse_box, holders_of, state_of
from ui.drawing.plan_layout import parts_at
from ui.panels.controls import inspect_button, part_row
from ui.panels.terminals import papers_of
from ui.state.held import Held
from ui.state.visible import Visible


def idents(car: Car) -> list[str]:
    """Everything of these kinds that can be chosen."""
    claimed = car.claimed
    return [
        *(f"fuse {name}" for name in claimed.fuses),
        *(f"relay {name}" for name in claimed.relays),
        *(f"box {name}" for name in boxes_of(car)),
        *(f"ground {name}" for name in claimed.grounds),
        *(f"parts {place}" for place in parts_at(car)),
    ]


def words(car: Car, kind: str, name: str) -> str:
    """One of them as it reads in a list."""
    if kind == "box":
        return name if name.endswith("fuse box") else f"{name} · fuse box"
    if kind == "parts":
        return f"parts: {name}"
    if kind == "ground":
        one = car.claimed.grounds[name]
        return f"{name} · ground point{f', {one.location}' if one.location else ''}"
    holder = holders_of(car)[name]
    rating = f"{car.claimed.fuses[name].rating_a:g} A, " if kind == "fuse" else ""
    return f"{name} · {kind}, {rating}{holder.title or holder.location}"


def show_holder(held: Held, visible: Visible, name: str) -> None:
    """A fuse or relay: what it feeds, in and out, and the box that it is in."""
    papers = papers_of(held)
    entries: list[FuseEntry | RelayEntry] = [*papers.fuses, *papers.relays]
    entry = next(one for one in entries if one.name == name)
    st.markdown(f"**{STATES[state_of(name, visible)][1]}**")
    feeds = f"; feeds {', '.join(entry.feeds)}" if entry.feeds else ""
    st.caption(f"{entry.location}{feeds}; as the diagram shows")
    if "fuses" in visible.tools:
        part_row(visible, "fit" if name in visible.out else "pull", name, entry.title)
    show_box(held, visible, entry.location)


def show_box(held: Held, visible: Visible, box: str) -> None:
    """The box as a picture; what is picked in it is the next part."""
    sheet.show(fuse_box(held.car, box, visible, st.session_state.get("part") or ""), "box", _picked_in_box)
    place = held.car.claimed.place_of_box(box)
    where = f"Its place: {place}. " if place != box else ""
    st.caption(f"{where}Names and ratings as the list says; colors of blade fuses by rating.")


def _picked_in_box() -> None:
    picked = sheet.picked("box")
    if picked:
        st.session_state.part = picked


def show_parts(held: Held, visible: Visible, place: str) -> None:
    """What sits at a place besides modules; each opens by itself."""
    st.caption(f"What sits at this place: {place}. Open one.")
    with st.container(horizontal=True, key="parts_here"):
        for name in parts_at(held.car)[place]:
            off = ", unplugged" if name in visible.connectors_off else ""
            words = f"{held.car.claimed.watched[name].title}{off}"
            st.button(words, key=f"open {name}", on_click=partial(_open, name))


def _open(connector: str) -> None:
    st.session_state.part = f"connector {connector}"


def show_ground(held: Held, visible: Visible, name: str) -> None:
    """A ground point: where it is, and what ends there."""
    entry = next(one for one in papers_of(held).grounds if one.name == name)
    st.caption(f"{entry.location or 'place not given'}; what ends there: {', '.join(entry.serves)}")
    inspect_button(visible, name)
