"""What a button has replaced on a page, so that no click loses work.

What is put back is replaced in its turn, so that a second press takes the first one back.
"""

from __future__ import annotations

from typing import Any

import streamlit as st


def replaced(name: str, old: Any) -> None:
    """Keep what was under a name before something else takes its place."""
    st.session_state[f"{name}_before"] = old


def before(name: str) -> Any:
    """What was there before; None where nothing was replaced."""
    return st.session_state.get(f"{name}_before")
