"""What an instructor changes about an exercise that a class has: order, kind, deadline, points."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, time
from functools import partial

import streamlit as st

from sim.training.assignments import MOST_POINTS
from sim.training.rows import AssignmentRow, ClassRow
from sim.vehicle.problems import Problem
from ui.panels.controls import button, one_of
from ui.panels.exam import clock_words
from ui.state import classroom
from ui.state.choices import distinct

END_OF_DAY = time(23, 59)
CHOSEN = "changed_exercise"


def show(group: ClassRow, given: Sequence[AssignmentRow]) -> None:
    """One exercise of the class, and what can be changed about it."""
    with st.expander("Change an exercise that was given", icon=":material/tune:", key="change_box"):
        names = distinct({one.id: one.exercise for one in given})
        chosen = one_of("exercise to change", {one.id: names[one.id] for one in given}, CHOSEN)
        one = next(each for each in given if each.id == chosen)
        with st.container(horizontal=True):
            button("Earlier", "move_up", partial(_move, -1), icon="arrow_upward")
            button("Later", "move_down", partial(_move, 1), icon="arrow_downward")
            kind = "Make it an exam" if one.practice else "Make it practice"
            button(kind, "change_kind", partial(_change_to, not one.practice), icon="swap_horiz")
        if not one.practice:
            st.caption(
                "An exam that becomes practice is released: students who have handed it in see how it went."
            )
        _deadline(one)
        _take_back(one)


def _deadline(one: AssignmentRow) -> None:
    due = datetime.fromtimestamp(one.due_s) if one.due_s else None
    row = st.form(f"deadline_{one.id}", border=False)
    with row, st.container(horizontal=True, vertical_alignment="bottom"):
        st.date_input("due on", due.date() if due else None, key=f"due_day_{one.id}", width=150)
        st.time_input("at", due.time() if due else None, key=f"due_time_{one.id}", width=120)
        st.number_input(
            "points", 0.0, MOST_POINTS, one.points, step=5.0, format="%g", key=f"points_{one.id}", width=130
        )
        st.form_submit_button("Keep deadline and points", on_click=_kept)
    st.caption("No day: no deadline. What is handed in later is marked as late.")


def _take_back(one: AssignmentRow) -> None:
    with st.container(horizontal=True, vertical_alignment="center"):
        sure = st.checkbox("take it away from all desks", key=f"withdraw_sure_{one.id}")
        button("Take it back", "withdraw", _withdrawn, icon="undo", disabled=not sure)
    st.caption("Work that was begun stays in the results.")


def _now() -> AssignmentRow:
    """The exercise that is chosen, of the class that is chosen, when a button is pressed."""
    for one in classroom.records().assignments.of_class(classroom.class_now().id):
        if one.id == st.session_state.get(CHOSEN):
            return one
    raise Problem("choose an exercise of this class first")


@classroom.instructor_only
def _move(by: int) -> str:
    one = _now()
    classroom.records().assignments.move(one.id, by)
    return f"{one.exercise} comes {'earlier' if by < 0 else 'later'}"


@classroom.instructor_only
def _change_to(practice: bool) -> str:
    one = _now()
    classroom.records().assignments.change_to(one.id, practice)
    return classroom.traced(
        f"{one.exercise} is {'practice' if practice else 'an exam'} now", assignment_id=one.id
    )


@classroom.instructor_only
def _kept() -> str:
    one, state = _now(), st.session_state
    day, at = state.get(f"due_day_{one.id}"), state.get(f"due_time_{one.id}")
    points = float(state[f"points_{one.id}"])
    classroom.records().assignments.set_points(one.id, points)
    due_s = datetime.combine(day, at or END_OF_DAY).timestamp() if day else None
    classroom.records().exams.end_at(one.id, due_s)
    due = f", due {clock_words(due_s)}" if due_s else ", no deadline"
    return classroom.traced(f"{one.exercise}: {points:g} points{due}")


@classroom.instructor_only
def _withdrawn() -> str:
    one = _now()
    if not st.session_state.get(f"withdraw_sure_{one.id}"):
        raise Problem("check the box first: it leaves all desks")
    erased = classroom.records().assignments.withdraw(one.id)
    kept = "" if erased else "; what was begun is in the results"
    return classroom.traced(f"{one.exercise} is taken back{kept}")
