"""Buttons of several panels: one that has an action done, and one that takes a page a step back."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any, Literal

import streamlit as st

from ui.state.one_back import before
from ui.state.visible import Visible
from ui.state.work import ask_to_do


def action_button(
    words: str,
    action: str,
    key: str = "",
    icon: str | None = None,
    kind: Literal["primary", "secondary", "tertiary"] = "secondary",
) -> None:
    """A button that has an action done; the action is its key unless another is given."""
    st.button(words, key=key or action, icon=icon, type=kind, on_click=partial(ask_to_do, action))


def inspect_button(visible: Visible, name: str) -> None:
    """A button that inspects a part, where there is an eye to do it."""
    if "eye" in visible.tools:
        action_button(f"Inspect {name}", f"look {name}", icon=":material/visibility:")


def part_row(visible: Visible, verb: str, part: str, words: str) -> None:
    """A part with what can be done to it; a look at it where that tells something new."""
    with st.container(horizontal=True, vertical_alignment="center"):
        action_button(f"{verb.capitalize()} {part}", f"{verb} {part}")
        if visible.only_found:
            inspect_button(visible, part)
        st.caption(words, width="stretch")


def undo_button(name: str, put: Callable[[Any], Any]) -> None:
    """A button that puts back what was there before, if a button has replaced it."""
    if before(name) is not None:
        st.button(
            "Undo", key=f"{name}_undo", icon=":material/undo:",
            help="brings back what was here before the last button replaced it; press again to undo",
            on_click=lambda: put(before(name)),
        )  # fmt: skip
