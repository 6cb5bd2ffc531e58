"""The curriculum: exercises by level, topic, car and time, a path, and the sheets of each lesson."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from math import ceil

import streamlit as st

from sim.training.curriculum import path_to, suggested_path
from sim.training.lesson import SHEETS, Lesson, Sheet, as_html, lesson
from sim.training.library import Entry
from sim.vehicle.problems import Problem
from ui.drawing import sheet
from ui.drawing.tables import pickable_table, plain_table
from ui.panels.controls import button, download, one_of
from ui.state import classroom
from ui.state.choices import LEVELS

CHOSEN = "lesson_of"


def show() -> None:
    """The page."""
    classroom.show_outcome()
    st.title("Curriculum")
    path = suggested_path(classroom.library().entries())
    shown = _chosen(path)
    rows = [_row(one) for one in shown]
    left, right = st.columns([1.5, 1], gap="large")
    with left:
        st.caption(f"{len(shown)} of {len(path)} exercises, in the order of the suggested path.")
        head = ("exercise", "level", "topic", "car", "min", "number", "after")
        with st.container(key="curriculum_list"):
            sheet.show(pickable_table(head, rows, [one.name for one in shown]), "curriculum_table", _picked)
    with right:
        if shown:
            _lesson(shown, {one.name: one for one in path})


def _chosen(path: Sequence[Entry]) -> list[Entry]:
    topics = sorted({one.exercise.topic for one in path})
    longest = 10 * ceil(max(one.exercise.minutes for one in path) / 10)
    cars = {one.exercise.car: one.exercise.whole_car.title for one in path}
    titles = sorted(cars, key=cars.__getitem__)
    with st.container(horizontal=True):
        levels = st.pills(
            "level", list(range(1, len(LEVELS))), key="curriculum_levels", selection_mode="multi",
            format_func=LEVELS.__getitem__,
        )  # fmt: skip
        topic = st.selectbox("topic", [None, *topics], key="curriculum_topic", format_func=_any)
        car = st.selectbox(
            "car", [None, *titles], key="curriculum_car", format_func=lambda one: _any(one and cars[one])
        )
        minutes = st.slider("at most, in min", 10, longest, longest, step=10, key="curriculum_minutes")
    return [
        one
        for one in path
        if (not levels or one.exercise.level in levels)
        and topic in (None, one.exercise.topic)
        and car in (None, one.exercise.car)
        and one.exercise.minutes <= minutes
    ]


def _any(name: str | None) -> str:
    return "any" if name is None else name


def _row(entry: Entry) -> tuple[str, ...]:
    one = entry.exercise
    first = ", ".join(map(_number, one.after))
    title = f"{one.exercise}{' (own)' if entry.own else ''}"
    number = "" if entry.own else _number(entry.name)
    return title, LEVELS[one.level], one.topic, one.whole_car.title, f"{one.minutes:g}", number, first


def _number(name: str) -> str:
    """The number that the name of a shipped exercise begins with."""
    return name.partition("-")[0]


def _picked() -> None:
    st.session_state[CHOSEN] = sheet.picked("curriculum_table")


def _lesson(shown: Sequence[Entry], known: dict[str, Entry]) -> None:
    names = {one.name: f"{one.exercise.exercise} · {one.name}" for one in shown}
    entry = known[one_of("lesson with", names, CHOSEN)]
    one = entry.exercise
    st.header(classroom.plain(one.exercise), anchor=False)
    st.markdown(f"**To learn**: {classroom.plain(one.goal)}")
    if button("Give it to a class", "to_a_class", partial(_to_a_class, entry.name), icon="assignment_add"):
        st.switch_page(st.session_state.entries["classes"])
    before = [(name, known[name].exercise.exercise) for name in path_to(entry.name, known) if name in known]
    if before:
        sheet.show(plain_table(("before it", ""), before), "curriculum_before")
    for kind, words in SHEETS.items():
        name = f"{entry.name}-{kind}.html"
        download(
            words,
            partial(_sheet, st.session_state.get("token", ""), entry.name, kind),
            name,
            f"sheet_{kind}",
            icon="print",
        )
    st.caption(
        "The teacher's sheet has the answers and the readings that the solution gives: it is played when you "
        "ask for the sheet, which takes a moment. The worksheet has none of them."
    )


def _to_a_class(name: str) -> None:
    """Have the exercise chosen on the page that gives it."""
    st.session_state.give_names = [name]


def _sheet(token: str, name: str, kind: Sheet) -> str:
    """The sheet, made at the click: outside the session, so that the token comes along."""
    if not classroom.door().knows(token):
        raise Problem("this is for the instructor; sign in again")
    entry = classroom.library().find(name)
    return as_html(_played(name, entry.text), [kind])


@st.cache_resource(show_spinner=False, max_entries=20)
def _played(name: str, text: str) -> Lesson:
    """A lesson, played once for each text of its exercise."""
    known = {one.name: one.exercise.exercise for one in classroom.library().entries()}
    return lesson(name, classroom.library().find(name).exercise, known)
