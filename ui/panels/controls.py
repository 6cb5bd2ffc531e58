"""Buttons, downloads, tabs, switches and lists as all pages have them; buttons that have an action done."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import PurePath
from typing import Any, Literal, TypeVar

import streamlit as st

from ui.panels.prices import price_at_work, with_price
from ui.state.one_back import before
from ui.state.turns import shared
from ui.state.visible import Visible
from ui.state.work import ask_to_do

T = TypeVar("T")

KINDS = {
    ".csv": "text/csv", ".html": "text/html", ".json": "application/json", ".svg": "image/svg+xml",
    ".txt": "text/plain",
}  # fmt: skip
VEHICLE_OR_EXERCISE = "application/yaml"


def button(
    words: str,
    key: str,
    on_click: Callable[..., None] | None = None,
    *,
    icon: str | None = None,
    primary: bool = False,
    disabled: bool = False,
    help: str | None = None,
    width: Literal["content", "stretch"] = "content",
) -> bool:
    """A button; `icon` is the name of a Material symbol. True in the run that a press of it causes."""
    shared.pay()
    return st.button(
        words, key, on_click=on_click, icon=_symbol(icon), type="primary" if primary else "secondary",
        disabled=disabled, help=help, width=width,
    )  # fmt: skip


def named(words: str, of: str) -> str:
    """The label of one button of several with the same words: only the ear is told of what."""
    hidden = of.replace("`", "'")
    return f"{words} `{hidden}`"


def download(
    words: str,
    data: str | Callable[[], str],
    name: str,
    key: str,
    *,
    icon: str | None = None,
    disabled: bool = False,
) -> None:
    """A button that saves a file, of the kind that its name ends in; `data` may be made at the click."""
    kind = KINDS.get(PurePath(name).suffix, VEHICLE_OR_EXERCISE)
    st.download_button(
        words, data, name, kind, key=key, icon=_symbol(icon), disabled=disabled, on_click="ignore"
    )


def tabs(label: str, options: Sequence[str], key: str, default: str | None = None) -> str:
    """One of several parts of a page, chosen above it and kept for the visit."""
    if default is not None:
        st.session_state.setdefault(key, default)
    chosen = st.segmented_control(
        label, options, key=key, required=True, label_visibility="collapsed", persist_state="session"
    )
    return chosen or options[0]


def switch(label: str, names: Mapping[T, str], key: str, default: T) -> None:
    """A labeled switch between a few settings, kept for the visit.

    The default goes by the session: a widget with one of its own may not be set by a click elsewhere.
    """
    st.session_state.setdefault(key, default)
    st.segmented_control(
        label, list(names), key=key, format_func=names.__getitem__, required=True, persist_state="session"
    )


def one_of(label: str, names: Mapping[T, str], key: str, help: str | None = None) -> T:
    """One of a list, kept for the visit; the first when what was chosen is no longer there."""
    if st.session_state.get(key) not in names:
        st.session_state[key] = next(iter(names))
    return st.selectbox(
        label, list(names), key=key, format_func=names.__getitem__, help=help, persist_state="session"
    )


def action_button(
    words: str,
    action: str,
    key: str = "",
    icon: str | None = None,
    kind: Literal["primary", "secondary", "tertiary"] = "secondary",
) -> None:
    """A button that has an action done, with its price; the action is its key unless another is given."""
    told = with_price(words, price_at_work(action))
    st.button(told, key=key or action, icon=icon, type=kind, on_click=partial(ask_to_do, action))


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


def _symbol(icon: str | None) -> str | None:
    return f":material/{icon}:" if icon else None
