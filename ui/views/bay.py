"""The bay: the car on the left, what can be done with it on the right."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial

import streamlit as st

from sim.vehicle.words import counted
from ui.drawing import sheet
from ui.drawing.tables import event_list
from ui.panels import (
    log,
    maps,
    measure,
    part,
    projector,
    result_strip,
    scope,
    seat,
    tester,
    timeline,
    why,
    work,
)
from ui.panels.controls import button, switch, tabs
from ui.state import first_visit, kept, turns
from ui.state.held import Held
from ui.state.visible import Visible, events_to_show
from ui.state.work import ask_to_do, work_off

# those that a student at an exercise has, too
WORKPLACES: dict[str, Callable[[Held, Visible], None]] = {
    "Seat": seat.show,
    "Part": part.show,
    "Work": work.show,
    "Tester": tester.show,
    "Measure": measure.show,
    "Scope": scope.show,
}
Part = Callable[[], object]
PAUSES = {0: "none", 2: "2 s", 10: "10 s"}


@turns.fragment
def show() -> None:
    """The page; one fragment, so that a click draws nothing else again."""
    held: Held = st.session_state.held
    work_off(held, st.empty())
    visible = held.visible()
    _headline(held, visible)
    strip = st.container(key="in_sight")
    beside_the_map(
        partial(show_map, held, visible),
        partial(_happened, held, visible),
        partial(_first_visit_and_panels, held, visible),
    )
    with strip:
        result_strip.show(held, visible)
        maps.show_small(held, visible, partial(picked_on_map, "mini"))
    kept.keep_fields(held.key)


def _first_visit_and_panels(held: Held, visible: Visible) -> None:
    first_visit.show(held, visible)
    _panels(held, visible)


def beside_the_map(draw_map: Part, below: Part, panel: Part) -> None:
    """The map with what belongs below it, and the panel beside it; on a phone the map comes last."""
    if st.session_state.get("narrow"):
        panel()
        below()
        draw_map()
        return
    left, right = st.columns([1.9, 1], gap="medium")
    with left:
        draw_map()
        below()
    with right:
        panel()


def _headline(held: Held, visible: Visible) -> None:
    with st.container(horizontal=True, vertical_alignment="center", gap="small", key="headline"):
        st.markdown(f"**{held.car.title}** at {visible.time_s:.1f} s", width="content")
        st.markdown(
            f"ignition **{visible.seat.ignition}** · {visible.seat.what} **{visible.seat.engine_words}**"
            f"{visible.seat.heard}",
            width="content",
        )
        st.space("stretch")
        _to_the_diagrams()
        projector.offer()
        let_time_pass()


def _to_the_diagrams() -> None:
    if "diagrams" in st.session_state.get("entries", {}):  # a page alone, in a test, knows no others
        st.page_link(st.session_state.entries["diagrams"], icon=":material/schema:", width="content")


def let_time_pass() -> None:
    """Buttons that let time pass."""
    with st.container(horizontal=True, width="content", gap="small"):
        for words, seconds in (("1 s", 1), ("10 s", 10), ("1 min", 60)):
            wait = partial(ask_to_do, f"wait {seconds} s")
            button(f"+ {words}", f"wait {seconds}", wait, help=f"let {words} pass")


def show_map(held: Held, visible: Visible) -> None:
    """The map of the car; what is picked on it opens in the panel Part."""
    maps.show(held, visible, picked_on_map)


def picked_on_map(key: str = "map") -> None:
    """Open what is picked on the map in the panel Part."""
    picked = sheet.picked(key)
    if picked:
        st.session_state.part = picked
        st.session_state.panel = "Part"


def _happened(held: Held, visible: Visible) -> None:
    if not visible.unasked:
        timeline.show_below(held, visible)
    events = events_to_show(held.events, visible.unasked)
    if not events:
        return
    with st.container(key="what_it_brought"):
        with st.container(horizontal=True, vertical_alignment="center"):
            st.markdown(f"**What that brought**: {counted(len(events), 'event')}", width="content")
            if not visible.unasked:
                button("Watch it happen", "watch_it", timeline.open_panel, icon="play_circle")
        sheet.show(event_list([event.in_words(held.car) for event in events]), "happened", _picked_event)


def _picked_event() -> None:
    picked = sheet.picked("happened")
    if picked:
        why.ask_why(*picked.split(maxsplit=1))


def _panels(held: Held, visible: Visible) -> None:
    others: dict[str, Callable[[], None]] = {
        timeline.PANEL: partial(timeline.show, held, visible),
        "Why": partial(why.show, held, visible),
        "Log": partial(log.show, held),
    }
    if visible.unasked:
        others |= {timeline.PANEL: _ask_first, "Why": _ask_first}
    if st.session_state.get("panel") not in (*WORKPLACES, *others):
        st.session_state.panel = "Seat"
    if show_panels(held, visible, (*WORKPLACES, *others), others) in ("Seat", "Part", "Work"):
        choose_pause("time that passes after each action")


def _ask_first() -> None:
    st.caption("Scan all modules first, in Tester: then this panel tells why each of them is as it is.")


def show_panels(
    held: Held, visible: Visible, names: Sequence[str], others: Mapping[str, Callable[[], None]]
) -> str:
    """The panel that is chosen, a workplace or one of `others`; its name."""
    chosen = tabs("panel", names, "panel")
    if chosen != "Measure" and "Measure" in names:
        measure.beside(held)
    with st.container(key="the_panel"):
        if chosen in others:
            others[chosen]()
        else:
            WORKPLACES[chosen](held, visible)
    return chosen


def choose_pause(words: str) -> None:
    """How much time passes after an action."""
    switch(words, PAUSES, "pause_s", 10)
