"""Replay: a student's log on the projector, step by step, on the car as it was at each step.

What is shown is what the student could see; what is hidden in the car comes only when it is asked for.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import streamlit as st

from sim.bench.action_words import words_of
from sim.bench.explain import why_event
from sim.training.answers import cause_words
from sim.training.attempt import Attempt
from sim.training.kept_attempts import PROGRAM
from sim.vehicle.car import Car
from sim.vehicle.fault_words import fault_set_words
from sim.vehicle.problems import Problem
from ui.drawing import sheet
from ui.drawing.dash import cluster
from ui.drawing.layout import Layout, layout_of
from ui.drawing.tables import plain_table, report_table
from ui.panels import changed_since, projector, timeline, why
from ui.panels.controls import button
from ui.panels.maps import fitted_map
from ui.state import classroom, turns
from ui.state.choices import distinct
from ui.state.classroom import plain
from ui.state.visible import Visible, all_visible, visible_to_student

END = 1_000_000  # steps, beyond both ends of any log


@dataclass
class Replay:
    """An attempt of the records, and the car after its first `at` steps."""

    attempt_id: int
    whole: Attempt
    at: int
    then: Attempt
    layouts: dict[float, Layout]
    program: str = ""  # the version of busbay that it was begun with
    differs_at: int = 0  # the first step that this replay tells differently
    since_s: float = 0.0  # when the last of these steps began

    def to(self, at: int) -> None:
        """Put the car where it was after `at` steps: forward by doing them, back by starting over."""
        at = min(max(at, 0), len(self.whole.steps))
        if at < self.at:
            self.then, self.at = Attempt.begin(self.whole.exercise), 0
        for action in self.whole.log[self.at : at]:
            self.since_s = self.then.bench.now_s
            self.then.do(action)
        self.at = at

    @property
    def car(self) -> Car:
        """The car as its file describes it."""
        return self.whole.exercise.whole_car

    def layout(self, width: float) -> Layout:
        """The car's map, laid out once."""
        if width not in self.layouts:
            self.layouts[width] = layout_of(self.car, width)
        return self.layouts[width]


def show() -> None:
    """The page."""
    st.title("Replay")
    attempt_id = _chosen()
    if attempt_id is None:
        return
    replay: Replay | None = st.session_state.get("replay")
    if replay is None or replay.attempt_id != attempt_id:
        replay = _opened(attempt_id)
    if replay is not None:
        changed_since.show(replay.program, replay.differs_at)
        _replay(replay)


def _chosen() -> int | None:
    groups = {group.id: group.name for group in classroom.my_classes()}
    if not groups:
        st.caption("No class has been opened yet: the page Classes does that.")
        return None
    told = st.session_state.pop("replay_attempt", None)
    asked = told if told is not None else classroom.asked_for("attempt")
    with st.container(horizontal=True, vertical_alignment="bottom"):
        listed = [one for one in classroom.records().attempts.listed() if one.class_id in groups]
        if not listed:
            st.caption("No exercise has been started yet. Attempts can be replayed here.")
            return None
        named = (f"{one.student} · {one.exercise} · {groups[one.class_id]}" for one in listed)
        words = distinct(dict(zip((one.attempt_id for one in listed), named, strict=True)))
        fresh = told is not None or "replay_which" not in st.session_state
        if fresh and asked in words:
            st.session_state.replay_which = asked
        chosen = st.selectbox("whose log", list(words), key="replay_which", format_func=words.__getitem__)
    st.query_params["attempt"] = str(chosen)
    return chosen


def _opened(attempt_id: int) -> Replay | None:
    try:
        kept = classroom.records().attempts.resume(attempt_id)
        whole = kept.attempt
        then = Attempt.begin(whole.exercise)
    except Problem as problem:
        words = f"This log cannot be replayed by busbay {PROGRAM}: {problem}"
        st.error(plain(words), icon=":material/block:")
        return None
    replay = st.session_state.replay = Replay(
        attempt_id, whole, 0, then, {}, program=kept.program, differs_at=kept.differs_at
    )  # fmt: skip
    return replay


@turns.fragment
def _replay(replay: Replay) -> None:
    if not classroom.let_in():
        st.warning("This is for the instructor; sign in again.", icon=":material/lock:")
        return
    count = len(replay.whole.steps)
    at = _place(replay.attempt_id)
    replay.to(int(st.session_state.get(at, 0)))
    st.session_state[at] = replay.at
    _steps(replay, count)
    hidden = st.session_state.get("replay_hidden", False)
    visible = all_visible(replay.then.bench) if hidden else visible_to_student(replay.then)
    _words(replay, count)
    left, right = st.columns([1.7, 1], gap="medium")
    with left:
        fitted_map(replay.car, replay.layout, visible, "replay_map")
        if hidden and replay.at:
            _watched(replay, visible)
    with right:
        _shown(replay, visible)
        st.toggle("show also what is hidden in the car", key="replay_hidden")
        if hidden:
            exercise = replay.whole.exercise
            st.markdown(f"Hidden: **{plain(fault_set_words(exercise.arrives, exercise.real_car))}**")


def _steps(replay: Replay, count: int) -> None:
    at_end = replay.at >= count
    with st.container(horizontal=True, vertical_alignment="bottom", key="replay_steps"):
        projector.offer()
        button("First", "replay_first", partial(_go, -END), icon="first_page")
        button("Back", "replay_back", partial(_go, -1), icon="chevron_left", disabled=replay.at <= 0)
        button("Next", "replay_next", partial(_go, 1), icon="chevron_right", primary=True, disabled=at_end)
        button("Last", "replay_last", partial(_go, END), icon="last_page")
        if count:
            st.slider("step", 0, count, key=_place(replay.attempt_id))
        projector.offer_whole(replay.layout)


def _place(attempt_id: int) -> str:
    """The key of the position in a log; each log has its own."""
    return f"replay_at {attempt_id}"


def _go(by: int) -> None:
    """Go a number of steps on or back in the log that is chosen now, at most to its ends."""
    at = _place(st.session_state.replay_which)
    st.session_state[at] = st.session_state.get(at, 0) + by


def _words(replay: Replay, count: int) -> None:
    if replay.at == 0:
        order = replay.whole.exercise.work_order
        st.markdown(f"## The car comes in\n{plain(order.customer)}: “{plain(order.words)}”")
        return
    step = replay.whole.steps[replay.at - 1]
    with st.container(key="replay_step"):
        st.markdown(
            f"## {replay.at} of {count}: {plain(words_of(step.action, replay.whole.exercise.whole_car))}"
        )
        shown = plain(step.display or step.vain)
        st.markdown(f"{f'**{shown}** · ' if shown else ''}{step.labor_min:.0f} min of labor")
        for danger in step.dangers:
            st.warning(plain(danger), icon=":material/warning:")


def _watched(replay: Replay, visible: Visible) -> None:
    """The time view of the last step; what is picked on it is asked why."""
    bench = replay.then.bench
    watched = timeline.framed(bench.trace.events, replay.since_s, bench.now_s)
    if not watched.marks:
        st.caption("Nothing changed in this step.")
        return
    timeline.draw(replay, watched, visible, "replay_time", _picked, "high")
    event = st.session_state.get("replay_event")
    if event is not None and event < len(bench.trace):
        why.tree(why_event(bench, event), bench.car)


def _picked() -> None:
    picked = sheet.picked("replay_time")
    if picked:
        st.session_state.replay_event = int(picked.removeprefix("event "))


def _shown(replay: Replay, visible: Visible) -> None:
    sheet.show(cluster(visible.seat), "replay_seat")
    step = replay.whole.steps[replay.at - 1] if replay.at else None
    if step is not None and step.report is not None:
        sheet.show(report_table(step.report), "replay_report")
    rows = [
        (f"{place}", one.action, one.display or one.vain)
        for place, one in enumerate(replay.whole.steps[: replay.at], start=1)
    ]
    if rows:
        with st.expander("All steps up to here"):
            sheet.show(plain_table(("", "step", "what it showed"), rows), "replay_log")
    if replay.at == len(replay.whole.steps) and replay.whole.result is not None:
        result, car = replay.whole.result, replay.whole.exercise.real_car
        named = classroom.plain("; ".join(cause_words(text, car) for text in result.named))
        st.markdown(
            f"**Handed in**: {named} · "
            f"{'complete' if result.complete else 'not complete'}, {result.credit:.0%}"
        )
