"""Buttons, downloads, tabs, switches and lists as all pages have them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import PurePath
from typing import Literal, TypeVar

import streamlit as st

T = TypeVar("T")

KINDS = {".csv": "text/csv", ".html": "text/html", ".json": "application/json"}
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
    return st.button(
        words, key, on_click=on_click, icon=_symbol(icon), type="primary" if primary else "secondary",
        disabled=disabled, help=help, width=width,
    )  # fmt: skip


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
    """A labelled switch between a few settings, kept for the visit.

    The default goes by the session: a widget with one of its own may not be set by a click elsewhere.
    """
    st.session_state.setdefault(key, default)
    st.segmented_control(
        label, list(names), key=key, format_func=names.__getitem__, required=True, persist_state="session"
    )


def one_of(label: str, names: Mapping[T, str], key: str) -> T:
    """One of a list, kept for the visit; the first when what was chosen is no longer there."""
    if st.session_state.get(key) not in names:
        st.session_state[key] = next(iter(names))
    return st.selectbox(label, list(names), key=key, format_func=names.__getitem__, persist_state="session")


def _symbol(icon: str | None) -> str | None:
    return f":material/{icon}:" if icon else None
