"""What a student sees of an exam: how long there is still, and after the hand-in that it is handed in."""

from __future__ import annotations

import time

import streamlit as st

from sim.training.rows import AssignmentRow
from ui.panels.controls import button
from ui.state import at_work
from ui.state.at_work import AtWork
from ui.state.classroom import plain

SOON_MIN = 10.0


def clock_words(time_s: float) -> str:
    """A time of this server, with its day unless that is today."""
    at, today = time.localtime(time_s), time.localtime()
    return time.strftime("%H:%M" if at[:3] == today[:3] else "%a %d %b %H:%M", at)


def exam_words(given: AssignmentRow) -> str:
    """When an exam begins and ends, and whether it is released."""
    if given.practice:
        return f"practice until {clock_words(given.due_s)}" if given.due_s else "practice"
    times = [f"from {clock_words(given.begins_s)}"] if given.begins_s else []
    times += [f"until {clock_words(given.due_s)}"] if given.due_s else []
    return " ".join(["exam", *times]) + (", released" if given.released_s else "")


def show_time_left(held: AtWork) -> None:
    """When the exam ends and how long that is; part of what is drawn again by itself."""
    given = held.assignment
    if given.practice or given.due_s is None:
        return
    left_min = (given.due_s - time.time()) / 60
    ends = clock_words(given.due_s)
    with st.container(key="time_left"):
        if left_min <= 0:
            st.warning(f"The exam ended at {ends}: a hand-in is late now.", icon=":material/alarm_off:")
        elif left_min < SOON_MIN:
            st.warning(f"{left_min:.0f} min left: the exam ends at {ends}.", icon=":material/alarm:")
        else:
            st.caption(f":material/alarm: Exam until {ends}: {left_min:.0f} min left.")


def show_handed_in(held: AtWork) -> None:
    """All that a student sees between the hand-in of an exam and its release."""
    st.title("Handed in")
    st.markdown(f"**{plain(held.assignment.exercise)}** is with the instructor.")
    st.caption("Verdict, solution and debrief appear here by themselves when the instructor releases them.")
    button("Back to my jobs", "to_desk", at_work.lay_down, icon="inbox")
