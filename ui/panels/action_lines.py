"""Several actions, one in each line: typed, or put there from a list of what is often done."""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.lab.telling import action_choices
from sim.vehicle.car import Car
from ui.state.choices import lines_of


def action_lines(label: str, key: str, car: Car) -> list[str]:
    """The actions in their order; the same may be there twice."""
    st.text_area(label, key=key, height=110, persist_state="session")
    with st.container(horizontal=True, vertical_alignment="bottom"):
        st.selectbox("or choose", action_choices(car), key=f"{key}_often")
        st.button("Add as a line", key=f"{key}_add", icon=":material/add:", on_click=partial(_append, key))
    return lines_of(key)


def _append(key: str) -> None:
    st.session_state[key] = "\n".join([*lines_of(key), st.session_state[f"{key}_often"]])
