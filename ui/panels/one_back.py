"""One step back on a page where a button replaces what was written, so that no click loses work.

A page tells `replaced` what stood there before, and offers the button; what it brings back has been replaced
in its turn, so that a second press takes the first one back.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import streamlit as st


def replaced(name: str, old: Any) -> None:
    """What stood under a name gives way to something else."""
    st.session_state[f"{name}_before"] = old


def offer(name: str, put: Callable[[Any], Any]) -> None:
    """A button that puts back what stood there before, where something was replaced."""
    if f"{name}_before" in st.session_state:
        st.button(
            "Undo", key=f"{name}_undo", icon=":material/undo:",
            help="what stood here before the last button replaced it; pressed again, that is taken back",
            on_click=lambda: put(st.session_state[f"{name}_before"]),
        )  # fmt: skip
