"""Where a case comes from: one that ships, a file, or a new one about any car."""

from __future__ import annotations

from functools import cache

import streamlit as st
from ruamel.yaml import YAML

from sim.catalogue import shipped_cars, shipped_cases
from sim.lab.case_file import as_case_file
from sim.lab.suppositions import parts
from sim.vehicle.problems import Problem
from ui.panels.which_car import MINE, uploaded
from ui.state import session
from ui.state.case_now import at_the, open_text, refuse, take
from ui.state.held import Held
from ui.state.limits import FILE_MB

IN_THE_BAY = "the car in the bay"


def open_one() -> None:
    """Open a case, or begin one."""
    shipped = shipped_cases()
    with st.container(horizontal=True, vertical_alignment="bottom"):
        st.selectbox("a case that comes with busbay", list(shipped), key="case_shipped", format_func=_title)
        st.button("Open it", key="case_open", on_click=_open)
    with st.expander("A case of your own: begin one, or open a file"):
        st.text_input("name of the case", key="case_title", persist_state="session")
        cars = [IN_THE_BAY, *shipped_cars(), MINE]
        with st.container(horizontal=True, vertical_alignment="bottom"):
            st.selectbox("which car", cars, key="case_car")
            st.button("Begin", key="case_begin", on_click=_begin)
        st.text_input(
            "found on the car when it came, divided by ';'", key="case_given",
            placeholder="unplug X2; pull F7", persist_state="session",
        )  # fmt: skip
        if st.session_state.case_car == MINE:
            st.file_uploader(
                "your vehicle file (YAML)", type=["yaml", "yml"], key="case_own_car", max_upload_size=FILE_MB
            )
        file = st.file_uploader(
            "a case file (YAML)", type=["yaml", "yml"], key="case_file", max_upload_size=FILE_MB
        )
        if file is not None:
            st.button("Open the file", key="case_open_file", on_click=_open_file)


@cache
def _title(name: str) -> str:
    """What a case that ships is called."""
    return str(YAML(typ="safe").load(shipped_cases()[name])["case"])


def _open() -> None:
    at_the("")
    path = shipped_cases()[st.session_state.case_shipped]
    open_text(path.read_text(encoding="utf-8"), path.name)


def _open_file() -> None:
    at_the("")
    file = st.session_state.case_file
    if file is not None:  # taken away again
        open_text(file.getvalue().decode("utf-8", "replace"), file.name)


def _begin() -> None:
    state = st.session_state
    at_the("")
    if not state.case_title:
        refuse("give the case a name")
        return
    # a case has a step; this one gives way to the first that is told
    step = {"do": "wait 2 s"}
    try:
        given = parts(state.case_given) if state.case_given.strip() else []
        new = {"case": state.case_title, "given": given, "car": _car(), "steps": [step]}
        new["stories"] = {"nothing": {}}
        begun = take(as_case_file(new))
    except Problem as problem:
        refuse(problem)
        return
    if begun:
        state.case_is_new = True


def _car() -> str:
    """The chosen car as a case has it: a shipped one by its name, any other by the text of its file."""
    state = st.session_state
    if state.case_car == MINE:
        return _closed(uploaded("case_own_car")[1])
    held: Held = state.held
    if state.case_car != IN_THE_BAY:
        return str(state.case_car)
    shipped = session.shipped_cars().get(held.car_name) == held.car_text
    return held.car_name.removesuffix(".yaml") if shipped else _closed(held.car_text)


def _closed(text: str) -> str:
    return text.replace("\r\n", "\n").rstrip("\n") + "\n"
