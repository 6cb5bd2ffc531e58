"""Diagrams: what the car's file claims, drawn; a click on a terminal puts a lead of the meter there.

Nothing on this page knows what is wrong with the car. Where the file is wrong about the car, so is the page.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from functools import partial

import streamlit as st
from markupsafe import Markup

from sim.instruments.diagram import drawing
from sim.instruments.lists import module_title
from sim.instruments.module_diagram import Side, face
from sim.instruments.service import ServiceInformation
from ui.drawing import sheet
from ui.drawing.fuse_box import boxes_of, fuse_box
from ui.drawing.instruments import expected_table
from ui.drawing.tables import pickable_table
from ui.drawing.wiring import marked, printable
from ui.panels import measure, projector, result_strip
from ui.panels.controls import download, one_of, switch, tabs
from ui.panels.diagram import connector_words
from ui.panels.terminals import papers_of, terminals
from ui.state import turns
from ui.state.held import Held
from ui.state.visible import Visible
from ui.state.work import work_off

ORDER = ("dlc", "module", "sensor", "part", "inline", "battery", "orange")
SIDES: dict[Side, str] = {"mating": "mating side", "wire": "wire side"}
LEADS = {"red": "red lead (+)", "black": "black lead (−)"}


@turns.fragment
def show() -> None:
    """The page; one fragment, so that a click draws nothing else again."""
    held: Held = st.session_state.held
    work_off(held, st.empty())
    visible = held.visible()
    result_strip.show(held, visible, beside_panels=False)
    left, right = st.columns([1.9, 1], gap="medium")
    with left:
        _paper(held, visible)
    with right:
        st.markdown(f"**{held.car.title}** at {visible.time_s:.1f} s")
        measure.show(held, visible, to_diagrams=False)


def _paper(held: Held, visible: Visible) -> None:
    VIEWS[tabs("sheets", list(VIEWS), "sheets", "circuits")](held, visible)
    st.caption(
        "Drawn from what the car's file says; wire colors are invented (letters of IEC 60757). "
        "The maker's service information comes first."
    )


# -- drawings ------------------------------------------------------------------------------------------------


def _circuits(held: Held, visible: Visible) -> None:
    names = _circuit_names(held)
    name = one_of("circuit of", names, "circuit")
    svg = drawing(papers_of(held), name)
    _drawn(held, visible, svg, f"{held.car.title}: {names[name]}", name)


def _connectors(held: Held, visible: Visible) -> None:
    papers = papers_of(held)
    plugs = [held.car.connectors[name] for name in papers.car.connectors if held.car.connectors[name].pins]
    plugs.sort(key=lambda plug: ORDER.index(plug.kind))
    names = {plug.id: connector_words(held.car, plug) for plug in plugs}
    name = one_of("connector", names, "face")
    switch("seen from the", SIDES, "face_side", "mating")
    side = st.session_state.face_side
    _drawn(held, visible, face(papers, name, side), f"{held.car.title}: {names[name]}", name)


def _drawn(held: Held, visible: Visible, svg: str, title: str, name: str) -> None:
    with st.container(horizontal=True, vertical_alignment="center", gap="small"):
        switch("a click puts the", LEADS, "lead", "red")
        fit = st.toggle(
            "whole drawing at once", key="whole_drawing", persist_state="session",
            help="small type; when off, scroll to what does not fit",
        )  # fmt: skip
        st.space("stretch")
        projector.offer()
        download("To print", printable(svg, title), f"{name}.html", "print_drawing", icon="print")
    leads = {lead: st.session_state.get(f"probe_{lead}") or "" for lead in LEADS}
    with st.container(key="paper"):
        sheet.show(
            marked(svg, leads, bool(fit), name),
            "drawing",
            partial(_picked, held, visible),
        )


def _picked(held: Held, visible: Visible) -> None:
    """A terminal gets the lead; a module or connector is opened."""
    picked = sheet.picked("drawing")
    if picked in terminals(held, visible):
        lead = st.session_state.get("lead", "red")
        measure.put_probe(lead, picked)
        st.session_state.lead = "black" if lead == "red" else "red"
    else:
        _open(held, picked)


def _open(held: Held, picked: str) -> None:
    """Turn to the sheet of a connector or circuit."""
    if picked in held.car.connectors:
        st.session_state.sheets, st.session_state.face = "connectors", picked
    elif picked in _circuit_names(held):
        st.session_state.sheets, st.session_state.circuit = "circuits", picked


def _circuit_names(held: Held) -> dict[str, str]:
    car = held.car.claimed
    kinds = (
        ("bus", car.buses), ("LIN cluster", car.lin), ("fuse", car.fuses), ("relay", car.relays),
        ("ground point", car.grounds), ("sensor", car.sensors), ("load", car.loads), ("switch", car.switches),
    )  # fmt: skip
    return {
        **{name: f"{name} · {module_title(name, one.title, one.role)}" for name, one in car.modules.items()},
        **{
            name: f"{name} · {kind}{f', {part.title}' if part.title else ''}"
            for kind, parts in kinds
            for name, part in parts.items()
        },
    }


# -- lists ---------------------------------------------------------------------------------------------------


def _fuses(held: Held, visible: Visible) -> None:
    """Each box as a picture, and the lists; what is picked opens its circuit."""
    papers = papers_of(held)
    chosen = st.session_state.get("part") or ""
    pictures = [fuse_box(held.car, box, visible, chosen, titles=True) for box in boxes_of(held.car)]
    sheet.show(Markup("").join(pictures), "boxes", partial(_picked_in_box, held))
    rows = [
        (one.name, f"{one.rating_a:g} A", one.title, one.fed_from, _listed(one.feeds), one.location)
        for one in papers.fuses
    ]
    _list(held, ("fuse", "rating", "title", "from", "feeds", "place"), rows, "fuse_list")
    relays = [
        (one.name, one.title, one.driven_by, f"{one.coil_ohm:g} Ω", _listed(one.feeds), one.location)
        for one in papers.relays
    ]
    _list(held, ("relay", "title", "driven by", "coil", "feeds", "place"), relays, "relay_list")


def _picked_in_box(held: Held) -> None:
    """A fuse or relay is the chosen part from now on, and its circuit is opened."""
    picked = sheet.picked("boxes")
    if picked:
        st.session_state.part = picked
        _open(held, picked.partition(" ")[2])


def _grounds(held: Held, visible: Visible) -> None:
    rows = [(one.name, one.title, one.location, _listed(one.serves)) for one in papers_of(held).grounds]
    _list(held, ("ground point", "title", "place", "what ends there"), rows, "ground_list")


def _places(held: Held, visible: Visible) -> None:
    named = sorted(papers_of(held).locations, key=lambda one: _in_order(one.name))
    rows = [(one.name, one.title, one.location or "not given") for one in named]
    _list(held, ("part", "title", "place"), rows, "place_list")


def _listed(names: Iterable[str]) -> str:
    """Names of parts in a row, as they are read; those of lamps and pumps have words for a name."""
    return ", ".join(name.replace("_", " ") for name in names)


def _in_order(name: str) -> list[tuple[int, str]]:
    """Sort F2 before F11."""
    return [(int(part), "") if part.isdecimal() else (0, part) for part in re.split(r"(\d+)", name)]


def _list(held: Held, head: tuple[str, ...], rows: Sequence[tuple[str, ...]], key: str) -> None:
    """A table whose rows open the circuit of what they name."""
    if rows:
        sheet.show(pickable_table(head, rows), key, lambda: _open(held, sheet.picked(key)))


def _values(held: Held, visible: Visible) -> None:
    papers = papers_of(held)
    car = held.car.claimed
    names = {
        "BAT": "battery",
        **{name: f"{name} · {module_title(name, one.title, one.role)}" for name, one in car.modules.items()},
        "DLC": "DLC · diagnostic connector",
        **{name: f"{name} · sensor {one.title}".rstrip() for name, one in car.sensors.items()},
        "fuses": "all fuses", "relays": "all relays", "loads": "all loads",
    }  # fmt: skip
    name = one_of("expected values of", names, "values_of")
    lines = [line for at in _places_of(held, papers, name) for line in papers.expected(at)]
    if lines:
        st.caption("Pick a line to set the meter up for it.")
        sheet.show(expected_table(lines), "values", lambda: measure.set_up_sentence(sheet.picked("values")))
    else:
        st.caption("No figures are given for it.")


def _places_of(held: Held, papers: ServiceInformation, name: str) -> Iterable[str]:
    car = held.car.claimed
    listed = {"BAT": ["BAT"], "fuses": car.fuses, "relays": car.relays, "loads": car.loads}
    if name in listed:
        return list(listed[name])
    plugs = [plug for plug in papers.car.connectors if plug == name or plug.startswith(f"{name}.")]
    return [pin.id for plug in plugs for pin in papers.face(plug).pins]


VIEWS: dict[str, Callable[[Held, Visible], None]] = {
    "circuits": _circuits,
    "connectors": _connectors,
    "fuses": _fuses,
    "grounds": _grounds,
    "places": _places,
    "values": _values,
}
