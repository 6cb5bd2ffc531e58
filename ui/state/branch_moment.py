"""The moment of a log at which the page Instead does something else."""

from __future__ import annotations

import streamlit as st

from ui.state import lab_work

WORK = "branch_work"
IN_THE_BAY = "the log in the bay"


def from_the_bay(keep: int) -> None:
    """Put a moment of the bay's log on the page."""
    st.session_state.branch_source = IN_THE_BAY
    st.session_state.branch_keep = keep
    lab_work.forget(WORK)
