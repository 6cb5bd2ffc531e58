"""What is wrong with what was asked for on the page Case, told beside the button that was pressed."""

from __future__ import annotations

import streamlit as st

from sim.handbook.links import CASES
from ui.panels.help import tell


def tell_problem(place: str) -> None:
    """The problem that this place of the page was told of; "" for the top.

    Its room is kept where nothing is wrong: fields and folds below it would move, and close, with a sentence.
    """
    problem, at = st.session_state.get("case_problem"), st.session_state.get("case_problem_at", "")
    with st.container(key=f"case_problem_{place or 'top'}"):
        if problem and at == place:
            tell(problem, CASES)
