"""Join a class with its code and a name, or practice at home alone."""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.vehicle.problems import Problem
from ui.panels.controls import button
from ui.state import classroom
from ui.state.limits import asked_from, joins


def show() -> None:
    """The page."""
    st.title("Learn")
    offer_the_way_back()
    in_class, at_home = st.columns(2, gap="large")
    with in_class, st.container(border=True, height="stretch"):
        st.header("In a class", anchor=False)
        st.markdown("The code is on the instructor's screen. Your name is what the instructor sees.")
        with st.form("join", border=False):
            st.text_input("class code", key="join_code", max_chars=12)
            st.text_input("your name", key="join_name", max_chars=60)
            st.form_submit_button("Join", type="primary", icon=":material/login:", on_click=_join)
        problem = st.session_state.pop("join_problem", "")
        if problem:
            st.error(classroom.plain(problem), icon=":material/block:")
        _by_pin()
    with at_home, st.container(border=True, height="stretch"):
        st.header("At home, alone", anchor=False)
        st.markdown("Choose exercises from the curriculum, take steps back, take your time. Only you see it.")
        button("Practice on my own", "alone", _alone, icon="home")
    st.caption(
        "Your jobs are found again under the address of this page: bookmark it. This browser "
        "also offers it on the first page until you leave it. "
        "Anyone with the address has your jobs."
    )


def _join() -> None:
    state = st.session_state
    try:
        _count_one()
        _, key = classroom.records().students.join(state.join_code, state.join_name, classroom.this_browser())
    except Problem as problem:
        state.join_problem = str(problem)
        return
    _to_the_desk(key)


def _by_pin() -> None:
    with st.expander("Back by name and PIN", icon=":material/pin:"):
        st.caption("For a shared computer, if you have chosen a PIN on the page of your jobs.")
        with st.form("pin", border=False):
            st.text_input("code of your class", key="pin_code", max_chars=12)
            st.text_input("the name that you joined with", key="pin_name", max_chars=60)
            st.text_input("PIN", key="pin_pin", max_chars=8, type="password")
            st.form_submit_button("Back to my jobs", icon=":material/login:", on_click=_back)


def _back() -> None:
    state = st.session_state
    code, name, pin = state.pin_code, state.pin_name, state.pin_pin
    state.pin_pin = ""
    try:
        _, key = classroom.records().pins.come_back(code, name, pin)
    except Problem as problem:
        state.join_problem = str(problem)
        return
    state.shared_computer = True
    _to_the_desk(key)


def _alone() -> None:
    try:
        _count_one()
    except Problem as problem:
        st.session_state.join_problem = str(problem)
        return
    _to_the_desk(classroom.records().practice_alone()[1])


def _count_one() -> None:
    """Raise `Problem` where too many join from one address; this computer is not counted."""
    source, is_here = asked_from(st.context.ip_address, st.context.headers)
    if not is_here:
        joins.take(source)


def offer_the_way_back() -> None:
    """A button to the desk that this browser was last at, if it was not left."""
    key = "" if classroom.student() is not None else classroom.desk_to_return_to()
    if not key:
        return
    student = classroom.records().students.with_key(key)
    group = classroom.records().classes.get(student.class_id)
    whose = "my jobs" if group.private else f"{classroom.plain(student.name)}'s jobs"
    button(f"Back to {whose}", "back_to_desk", partial(_to_the_desk, key), icon="inbox", primary=True)


def _to_the_desk(key: str) -> None:
    classroom.come_in(key)
