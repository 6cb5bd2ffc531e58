"""The debrief on screen (being built)."""

from __future__ import annotations

import streamlit as st

from ui.at_work import AtWork


def show(held: AtWork) -> None:
    """What was wrong, and what each check was worth."""
    st.title("Debrief")
