"""The projector view: type of 20 px, stronger contrast, no navigation; for pages that a class looks at.

It is a setting of the visit. A page that is shown to a class offers it; while it is on, every page has the
button that leaves it.
"""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st
from markupsafe import Markup

from ui.drawing.layout import NARROW, PROJECTED_ROOM, WIDE, Layout, for_a_projector
from ui.panels.controls import button

TYPE_PX, USUAL_PX = 20, 15  # the second is `baseFontSize` of the theme
BESIDE_MAP_PX = 300  # what is above the map in the bay, and its legend
WHOLE = Markup(
    f'<div style="--map-room: calc((100vh - {BESIDE_MAP_PX}px) / {TYPE_PX / USUAL_PX:.3f})">{{}}</div>'
)
STYLE = f"""<style>
html {{ font-size: {TYPE_PX}px !important; }}
[data-testid="stHeader"] {{ display: none; }}
[data-testid="stMainBlockContainer"] {{ padding: 1rem 1.2rem 3.5rem; max-width: none; }}
[data-testid="stLayoutWrapper"]:has(> .st-key-in_sight) {{ top: 0; }}
.stApp {{ color: light-dark(#000, #FFF); background: light-dark(#FFF, #0B0D0E); }}
[data-testid="stCaptionContainer"], [data-testid="stCaptionContainer"] p {{
  color: light-dark(#2B3034, #DDE2E5); }}
[data-testid^="stBidiComponent"] {{ zoom: {TYPE_PX / USUAL_PX:.3f};
  --st-text-color: light-dark(#000, #FFF) !important;
  --st-background-color: light-dark(#FFF, #0B0D0E) !important;
  --st-border-color: light-dark(#4A5055, #B9C0C4) !important; --legend: {USUAL_PX}px; }}
/* the map of a large car is read from the last row, too; the panel beside it is as wide as on a phone */
@media (min-width: 1700px) {{
  [data-testid="stColumn"]:has(.st-key-map_ways, .st-key-replay_map) {{ flex: 2.8 1 0 !important; }}
  [data-testid="stColumn"]:has(.st-key-map_ways, .st-key-replay_map) + [data-testid="stColumn"] {{
    flex: 1 1 0 !important; }}
}}
/* a corner is all that it covers: its words come when it is pointed at */
.st-key-leave_projector {{ position: fixed; right: .5rem; bottom: .5rem; z-index: 1000; width: auto; }}
.st-key-leave_projector button:not(:hover, :focus-visible) p {{ font-size: 0; }}
</style>"""


def is_on() -> bool:
    """Whether a class looks at this visit."""
    return bool(st.session_state.get("projector"))


def offer_whole(layout: Callable[[float], Layout]) -> None:
    """Where a map in large type is higher than the projector: a switch that shows the whole of it."""
    if is_on() and PROJECTED_ROOM * layout(WIDE).height > layout(WIDE).width:
        st.toggle(
            "whole map at once", key="whole_map", persist_state="session",
            help="smaller type; when off, scroll the map",
        )  # fmt: skip


def is_whole() -> bool:
    """Whether the class sees the whole map at once, in smaller type."""
    return is_on() and bool(st.session_state.get("whole_map"))


def laid_out(layout: Callable[[float], Layout], narrow: bool) -> Layout:
    """The map of a car for a phone, for a projector, or for all other screens."""
    if is_whole() and not narrow:
        return for_a_projector(layout)
    return layout(NARROW if narrow else WIDE)


def offer() -> None:
    """A button that puts the projector view on, where it is off."""
    if st.session_state.pop("projector_new", False):
        st.rerun()  # the whole page, of which this may be in a part that is drawn by itself
    if not is_on():
        words = "large type, strong contrast, no navigation"
        button("Projector", "to_projector", _put_on, icon="cast", help=words)


def apply() -> None:
    """What the projector view adds to a page that is drawn; nothing where it is off."""
    if is_on():
        st.html(STYLE)
        button("Leave the projector view", "leave_projector", _put_off, icon="close_fullscreen")


def _put_on() -> None:
    st.session_state.projector = st.session_state.projector_new = True


def _put_off() -> None:
    st.session_state.projector = False
