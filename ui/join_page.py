"""Join a class with its code and a name, or practise at home alone."""

from __future__ import annotations

import streamlit as st

from sim.vehicle.problems import Problem
from ui import classroom


def show() -> None:
    """The page."""
    st.title("Join a class")
    st.markdown("The code is on the instructor's screen. Your name is what the instructor sees.")
    with st.form("join", width=420):
        st.text_input("class code", key="join_code", max_chars=12)
        st.text_input("your name", key="join_name", max_chars=60)
        joins = st.form_submit_button("Join", type="primary")
    if joins:
        _join()


def _join() -> None:
    try:
        _, key = classroom.records().join(st.session_state.join_code, st.session_state.join_name)
    except Problem as problem:
        st.error(str(problem), icon=":material/block:")
        return
    classroom.come_in(key)
    st.rerun()
