"""Watch it happen: the time view below the map, and three examples that open it.

For the free bay and the instructor; what a student at work may see passes through `Visible`, and this does
not.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Protocol

import streamlit as st

from sim.bench.cascade import Cascade, cascade_of
from sim.markup import macros
from sim.modules.trace import Event
from sim.vehicle.car import Car
from ui.drawing import sheet, timeline
from ui.drawing.layout import NARROW, WIDE, Layout
from ui.drawing.playback import SPEEDS, playback, speed_at_first
from ui.panels import projector, why
from ui.panels.controls import button, one_of
from ui.state import bench_jobs, work
from ui.state.held import Held
from ui.state.session import shipped_cars
from ui.state.visible import Visible

_html = macros(Path(timeline.__file__).with_name("timeline.html"))

PANEL = "Watch"
JUST_NOW, EVERYTHING = "just now", "everything"
SPANS_S = {JUST_NOW: 0.0, "10 s": 10.0, "1 min": 60.0, "10 min": 600.0, EVERYTHING: float("inf")}
SPAN_WORDS = {
    JUST_NOW: "what just happened",
    "10 s": "the last 10 s",
    "1 min": "the last minute",
    "10 min": "the last 10 minutes",
    EVERYTHING: "all since the car came in",
}
PROJECTED = 0.7  # of the width that it is drawn for: the type is larger
MOST_MARKS = 900  # more are a carpet, and slow to draw
LEAST_S, LEAD, TAIL = 0.5, 0.02, 0.06  # shares of the span before the first mark and after the last


class CarWithMap(Protocol):
    """A car as it was built, and its map laid out for a width."""

    @property
    def car(self) -> Car:
        """The car as its file describes it."""

    def layout(self, width: float) -> Layout:
        """Its map."""


@dataclass(frozen=True, slots=True)
class Example:
    """A shipped car, what is done before, and what is to be watched."""

    words: str
    help: str
    car_name: str
    before: tuple[str, ...]
    watched: tuple[str, ...]


EXAMPLES = (
    Example(
        "Unplug a node",
        "the shuttle minibus with its engine running: the ABS module is unplugged",
        "shuttle-minibus.yaml",
        ("press start with brake", "wait 8 s"),
        ("unplug ABS", "wait 4 s"),
    ),
    Example(
        "Pull a fuse",
        "the teaching car with its engine running: the fuse of the ignition coils is pulled",
        "teaching-car.yaml",
        ("key crank", "wait 5 s"),
        ("pull F14", "wait 4 s"),
    ),
    Example(
        "Bypass the gateway",
        "the shuttle minibus, ignition on: the gateway is unplugged and a lead joins two of its buses",
        "shuttle-minibus.yaml",
        ("press start with brake", "wait 8 s"),
        ("unplug GATEWAY", "bypass GATEWAY diag to powertrain", "wait 4 s"),
    ),
)


def show_examples() -> None:
    """Three buttons: each takes a shipped car, plays a short scenario and opens the time view in the bay."""
    with st.container(horizontal=True, key="watch_examples"):
        for place, example in enumerate(EXAMPLES):
            button(
                example.words,
                f"watch {place}",
                partial(_take, example),
                help=example.help,
                icon="play_circle",
            )


def _take(example: Example) -> None:
    work.ask(
        bench_jobs.play_example,
        example.car_name,
        shipped_cars()[example.car_name],
        example.before,
        example.watched,
    )
    st.session_state.to_the_bay = True
    open_panel()


def open_panel() -> None:
    """Open the panel on what just happened."""
    st.session_state.panel = PANEL
    st.session_state.watch_span = JUST_NOW
    st.session_state.why_event = None


def show(held: Held, visible: Visible) -> None:
    """The panel: examples, which span, the time view, and why what was picked on it happened."""
    with st.container(horizontal=True, vertical_alignment="bottom"):
        one_of("span", SPAN_WORDS, "watch_span")
        st.toggle("all modules", key="watch_all", persist_state="session")
        st.toggle("wide, under the map", key="watch_wide", persist_state="session")
    if not st.session_state.watch_wide:
        _time_view(held, visible)
    if st.session_state.get("why_event") is not None:
        why.show(held, visible)
    st.markdown("Or another car, started up:")
    show_examples()


def show_below(held: Held, visible: Visible) -> None:
    """The time view under the map, if it is wanted there."""
    if st.session_state.get("panel") == PANEL and st.session_state.get("watch_wide"):
        _time_view(held, visible)


def _time_view(held: Held, visible: Visible) -> None:
    span_s, now_s = SPANS_S[st.session_state.get("watch_span", JUST_NOW)], held.bench.now_s
    watched = framed(held.bench.trace.events, _start_s(held.events, span_s, now_s), now_s)
    with st.container(key="time_view"):
        if watched.marks:
            part = st.session_state.get("part", "")
            draw(held, watched, visible, "timeline", _picked, _size(), part)
        else:
            st.caption("Nothing changed in this span.")


def _size() -> str:
    if st.session_state.get("watch_wide"):
        return "high"
    return "" if st.session_state.get("why_event") is None else "short"


def _start_s(just_now: list[Event], span_s: float, now_s: float) -> float:
    """Since when to watch; what just happened is all since its first event, or the last ten seconds."""
    if span_s:
        return max(0.0, now_s - span_s)
    return just_now[0].time_s if just_now else max(0.0, now_s - SPANS_S["10 s"])


def framed(trace: list[Event], start_s: float, end_s: float) -> Cascade:
    """The cascade with a little time before its first mark and after its last; at most `MOST_MARKS` marks."""
    whole = cascade_of(trace, start_s, end_s)
    if not whole.marks:
        return whole
    times_s = [mark.event.time_s for mark in whole.marks[-MOST_MARKS:]]
    span_s = max(times_s[-1] - times_s[0], LEAST_S)
    return cascade_of(trace, times_s[0] - LEAD * span_s, min(end_s, times_s[-1] + TAIL * span_s))


def draw(
    of: CarWithMap, watched: Cascade, visible: Visible, key: str, on_pick: Callable[[], None],
    size: str = "", picked: str = "",
) -> None:  # fmt: skip
    """The time view itself; the map on the page follows it.

    size: high (all lanes in sight, as wide as the map), short, or neither. picked: a part of the map.
    """
    narrow = st.session_state.get("narrow", False)
    layout = projector.laid_out(of.layout, narrow)
    buses = [line.bus for line in layout.lines]
    width = WIDE if size == "high" and not narrow else NARROW
    width *= PROJECTED if st.session_state.get("projector") else 1.0
    drawn = timeline.picture(of.car, watched, buses, width, st.session_state.get("watch_all", False))
    told = playback(watched, drawn.axis, layout, visible, picked)
    speed = speed_at_first(watched)
    html = _html("time_view", drawn, timeline.legend(drawn.kinds), told, SPEEDS, speed, size)
    sheet.show_to_play(html, told, key, on_pick)


def _picked() -> None:
    picked = sheet.picked("timeline")
    if picked:
        st.session_state.why_event = int(picked.removeprefix("event "))
