"""A button that takes one step back on a page where another button has replaced what was written."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import streamlit as st

from ui.state.one_back import before


def offer(name: str, put: Callable[[Any], Any]) -> None:
    """A button that puts back what was there before, if something was replaced."""
    if before(name) is not None:
        st.button(
            "Undo", key=f"{name}_undo", icon=":material/undo:",
            help="what stood here before the last button replaced it; pressed again, that is taken back",
            on_click=lambda: put(before(name)),
        )  # fmt: skip
