"""The one component of the front end: a sheet of HTML or SVG on which things with a `data-id` can be picked.

A click, Enter or Space on such a thing sets the trigger `pick` to its `data-id`; the Tab key stops once for
all of them, and arrow keys lead from one to the next. `narrow` is set once the sheet knows that it is
narrower than a laptop's. The text is HTML from a template or a tree, which escape it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import streamlit as st

from ui.drawing.styles import style
from ui.state.turns import shared

HERE = Path(__file__).parent
NARROWER_THAN_PX = 520

_component = st.components.v2.component(
    "busbay_sheet",
    html="<div class='sheet'></div>",
    css=style(),
    js="".join((HERE / f"{name}.js").read_text(encoding="utf-8") for name in ("playback", "sheet")),
)


def show(html: str, key: str, on_pick: Callable[[], None] | None = None, news: str = "") -> None:
    """Show a sheet; `on_pick` is called after something on it is picked (see `picked`).

    news: once for each of these words the page is scrolled to its top, where what is new begins.
    """
    _sheet(key=key, data={"html": html, "news": news}, on_pick_change=on_pick or _nothing)


def show_to_play(html: str, playback: Mapping[str, Any], key: str, on_pick: Callable[[], None]) -> None:
    """Show a time view; the maps on the page follow its cursor (see `ui.drawing.playback`)."""
    _sheet(key=key, data={"html": html, "playback": playback}, on_pick_change=on_pick)


def show_to_fit(
    html: str, key: str, narrow: bool, on_pick: Callable[[], None] | None = None, news: str = ""
) -> bool:
    """Show a sheet that also tells whether it is narrow; until it has told, it is as `narrow` says.

    news: as of `show`.
    """
    width = {"asks_width": True, "narrow": narrow, "narrower_than_px": NARROWER_THAN_PX}
    data = {"html": html, "news": news} | width
    result = _sheet(key=key, data=data, on_pick_change=on_pick or _nothing, on_narrow_change=_nothing)
    told = result.get("narrow")
    return narrow if told is None else bool(told)


def _sheet(**what: Any) -> Any:
    shared.pay()
    return _component(**what)


def picked(key: str) -> str:
    """What was picked last on the sheet of that key, inside `on_pick`."""
    state: Any = st.session_state.get(key)
    return str((state or {}).get("pick") or "")


def _nothing() -> None:
    """A trigger needs a callback to exist."""
