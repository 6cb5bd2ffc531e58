"""The case on the page Case, kept on disk under the key of the session."""

from __future__ import annotations

import json
from typing import Any

import streamlit as st

from sim.lab.case import Case
from sim.lab.case_file import case_from_text, case_text
from sim.vehicle.problems import Problem
from ui.state import kept, lab_work, one_back
from ui.state.held import Held

WORK, EXPERIMENTS, KIND = "case_work", "case_experiments_work", "cases"


def open_text(text: str, name: str) -> None:
    """Put the case of a file on the page, if it is one."""
    if take(text, name):
        st.session_state.case_is_new = False


def take(text: str, name: str = "this case") -> bool:
    """Put a case on the page; False, and a sentence on the page, if the text is none."""
    try:
        case = case_from_text(text, name)
    except Problem as problem:
        refuse(problem)
        return False
    if case != st.session_state.get("case"):  # a button that was pressed twice leaves the way back as it was
        keep_for_undo()
    st.session_state.case = case
    st.session_state.case_problem = ""
    lab_work.forget(WORK)
    lab_work.forget(EXPERIMENTS)
    return True


def at_the(place: str) -> None:
    """What is done next is asked for there, and what is wrong with it is told there: "" for the top."""
    st.session_state.case_problem_at = place
    st.session_state.case_problem = ""


def refuse(problem: Problem | str) -> None:
    """Tell what is wrong, beside the button that was pressed."""
    st.session_state.case_problem = problem


def keep_for_undo() -> None:
    """Remember what is on the page, so that it can be put back."""
    if st.session_state.get("case") is not None:
        one_back.replaced(WORK, (st.session_state.case, bool(st.session_state.get("case_is_new"))))


def case_now() -> Case:
    """The case as it is when a button is pressed: the press before may have changed it."""
    case: Case = st.session_state.case
    return case


def change(**changes: Any) -> bool:
    """Change fields of the case on the page; False if the result is no case."""
    return take(case_text(case_now().model_copy(update=changes)))


def taken_up(held: Held) -> Case | None:
    """The case on the page: this session's, or the one that was kept."""
    if "case" not in st.session_state:
        text, is_new = _kept(held.key)
        st.session_state.case_is_new = is_new
        st.session_state.case = case_from_text(text) if text else None
    case: Case | None = st.session_state.case
    now = case, bool(st.session_state.get("case_is_new"))
    if case is not None and st.session_state.get("case_kept") != now:
        kept.keep(KIND, held.key, json.dumps([case_text(case), now[1]]))
        st.session_state.case_kept = now
    return case


def _kept(key: str) -> tuple[str, bool]:
    try:
        text, is_new = json.loads(kept.kept(KIND, key) or "")
        case_from_text(text)
    except (ValueError, TypeError, Problem):  # nothing, or by an older version
        return "", False
    return text, is_new


def put_back(before: tuple[Case, bool]) -> None:
    """Put back what a button has replaced."""
    case, is_new = before
    if take(case_text(case)):
        st.session_state.case_is_new = is_new
