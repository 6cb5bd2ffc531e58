"""Where a probe can go: the terminals that the car's file shows, in words to search in.

All of it follows from what the file claims; what is wrong with the car does not show here. The module's own
side of a connector is listed if it can be seen that the connector is off.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial

import streamlit as st

from sim.bench.observations import parse_observation
from sim.bench.probing import places, reach
from sim.instruments import cautions
from sim.instruments.service import ServiceInformation
from sim.vehicle.car import Car
from sim.vehicle.problems import EditProblem
from sim.vehicle.wire_names import SPLICE, in_words, splice_words
from ui.panels.cautions import MAKER
from ui.panels.diagram import connector_words
from ui.panels.help import term
from ui.panels.prices import price_at_work, with_price
from ui.state.held import Held
from ui.state.visible import Visible
from ui.state.work import ask_to_do_as_shown

ENDS = {
    "30": "feed of its contact", "87": "its contact, switched", "86": "its coil, driven end",
    "85": "its coil, ground end",
}  # fmt: skip
GENTLEST = "the gentlest way"
POSTS = {
    "BAT+": "battery, positive post",
    "BAT-": "battery, negative post",
    "BODY": "bare metal of the body",
    "BAR": "distribution rail of the fuse boxes",
}


def papers_of(held: Held) -> ServiceInformation:
    """The service information of this session's car, made once."""
    kept = st.session_state.get("papers")
    if kept is None or kept[0] is not held.car:
        kept = st.session_state.papers = (held.car, held.papers(), {})
    papers: ServiceInformation = kept[1]
    return papers


def terminals(held: Held, visible: Visible) -> dict[str, str]:
    """Every terminal that can be reached, with its words."""
    papers = papers_of(held)
    known: dict[frozenset[str], dict[str, str]] = st.session_state.papers[2]
    if visible.connectors_off not in known:
        known[visible.connectors_off] = dict(_listed(held.car, papers, visible.connectors_off))
    return known[visible.connectors_off]


def choose_from(
    label: str, known: dict[str, str], key: str, placeholder: str, help: str | None = None
) -> str:
    """A box to search in; what is chosen in it, or nothing."""
    if st.session_state.get(key) not in known:
        st.session_state[key] = None
    chosen = st.selectbox(
        label, list(known), key=key, index=None, placeholder=placeholder, persist_state="session",
        format_func=lambda name: known.get(name, name), help=help,
    )  # fmt: skip
    return chosen or ""


def choose_way(held: Held, visible: Visible, points: Iterable[str], key: str) -> None:
    """How the points are reached, where there is more than one way."""
    possible = [GENTLEST, *ways(as_seen(held.car, visible), points)]
    if len(possible) < 3 or st.session_state.get(key) not in possible:
        st.session_state[key] = GENTLEST
    if len(possible) > 2:
        help = term("back-probing", "breakout lead")
        st.selectbox("how", possible, key=key, persist_state="session", help=help)


def way_words(key: str) -> str:
    """The chosen way as the end of a sentence; nothing for the gentlest."""
    chosen = st.session_state.get(key, GENTLEST)
    return "" if chosen == GENTLEST else f" by {chosen}"


def measuring_button(
    words: str, key: str, icon: str, held: Held, visible: Visible, sentence: Callable[[], str], nothing: str
) -> None:
    """The button that measures what is chosen, and what to mind before.

    sentence: what is chosen on the page now, empty if nothing is; then the button refuses with `nothing`.
    """

    def chosen() -> list[str]:
        if not sentence():
            raise EditProblem(nothing)
        return [sentence()]

    words = with_price(words, price_at_work(sentence()))
    st.button(
        words, key=key, icon=icon, type="primary", disabled=not sentence(),
        on_click=partial(ask_to_do_as_shown, chosen, 0.0),
    )  # fmt: skip
    if sentence():
        _mind(sentence(), held, visible)


def _mind(sentence: str, held: Held, visible: Visible) -> None:
    """What to mind before a measurement, or why it cannot be made on the car as far as it can be seen."""
    try:
        what = parse_observation(sentence, as_seen(held.car, visible))
    except EditProblem as problem:
        st.caption(str(problem))
        return
    for text in cautions.of(what, held.car):
        st.caption(f":material/warning: {text} {MAKER if text == cautions.AIRBAG else ''}")


def as_seen(car: Car, visible: Visible) -> Car:
    """The car of the diagrams with the connectors off that can be seen to be off."""
    return car.with_harness(unplugged=visible.connectors_off)


def ways(car: Car, points: Iterable[str]) -> list[str]:
    """How the points can be reached, each way once, the gentlest first."""
    found: dict[str, None] = {}
    for point in points:
        try:
            found.update(dict.fromkeys(reach(point, car)))
        except EditProblem:
            continue
    return [way for way in found if way != "touching"]


def loops(held: Held) -> dict[str, str]:
    """Where a loop can be opened for a meter in amps: fuses, battery clamps, pins."""
    car = held.car
    kinds = {name: car.connectors[pin.connector].kind for name, pin in car.pins.items()}
    words = papers_of(held).words_at
    return {
        **{name: f"{name} · battery clamp" for name, kind in kinds.items() if kind == "battery"},
        **{
            name: f"{name} · in place of the fuse, {fuse.title or fuse.location}"
            for name, fuse in car.claimed.fuses.items()
        },
        **{name: f"{name} · {words(name)}" for name, kind in kinds.items() if kind in ("module", "inline")},
    }


def sights(held: Held) -> dict[str, str]:
    """What can be looked at: connectors, fuses, relays, grounds, then places of the harness."""
    car = held.car
    named = {
        **{name: connector_words(car, plug) for name, plug in car.connectors.items()},
        **{name: f"{name} · fuse, {one.title or one.location}" for name, one in car.claimed.fuses.items()},
        **{name: f"{name} · relay, {one.title or one.location}" for name, one in car.claimed.relays.items()},
        **{name: f"{name} · ground point, {one.location}" for name, one in car.claimed.grounds.items()},
        **{name: f"{name} · module {one.title}".rstrip() for name, one in car.claimed.modules.items()},
    }
    words = papers_of(held).words_at
    rest = {
        name: f"{name} · {words(name)}" if name in car.pins else in_words(name, car)
        for name in places(car)
        if name not in named
    }
    return named | rest


def _listed(car: Car, papers: ServiceInformation, off: frozenset[str]) -> Iterable[tuple[str, str]]:
    outer = sorted(node for node in car.terminals if ":" not in node)
    first = dict.fromkeys([*POSTS, *car.claimed.grounds, *(node for node in outer if node in car.pins)])
    for node in first:
        yield node, f"{node} · {_words(node, car, papers)}"
    for name in sorted(off):
        for pin in car.connectors[name].pins:
            if ":" in pin.inner:
                yield pin.inner, f"{pin.inner} · the part's own side of {pin.id}"
    for node in outer:
        if node.startswith(SPLICE):
            yield node, splice_words(node, car)  # no other name is on the diagram
        elif node not in first:
            yield node, f"{node} · {_words(node, car, papers)}"


def _words(node: str, car: Car, papers: ServiceInformation) -> str:
    """What a terminal is, in words."""
    if node in POSTS:
        return POSTS[node]
    if node in car.pins:
        return papers.words_at(node)
    claimed = car.claimed
    if node in claimed.grounds:
        return f"ground point, {claimed.grounds[node].location or claimed.grounds[node].title}".rstrip(", ")
    owner, _, end = node.rpartition(".")
    if owner in claimed.fuses:
        side = "feed" if end == "1" else "load"
        return f"{side} side of the fuse, {claimed.fuses[owner].title or claimed.fuses[owner].location}"
    if owner in claimed.relays:
        return f"relay {claimed.relays[owner].title}, {ENDS[end]}"
    if owner in claimed.loads:
        return f"{claimed.loads[owner].title or owner}, {'feed' if end == '1' else 'return'} end"
    if owner in claimed.switches:
        return f"{claimed.switches[owner].title or owner}, {'feed' if end == '1' else 'switched'} end"
    cavity = node.rstrip("ab")
    if cavity in car.pins:
        side = "first" if node.endswith("a") else "second"
        return f"{papers.words_at(cavity)}, {side} half of the in-line connector"
    return "in the harness"
