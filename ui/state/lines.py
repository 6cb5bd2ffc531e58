"""A field of several lines, one action in each."""

from __future__ import annotations

import streamlit as st


def lines_of(key: str) -> list[str]:
    """The actions in the field with this key, without empty lines."""
    return [line.strip() for line in st.session_state.get(key, "").splitlines() if line.strip()]
