"""The projector view: type of 20 px, stronger contrast, no navigation; for pages that a class looks at.

It is a setting of the visit. A page that is shown to a class offers it; while it is on, every page has the
button that leaves it.
"""

from __future__ import annotations

import streamlit as st

from ui.panels.controls import button

TYPE_PX, USUAL_PX = 20, 15  # the second is `baseFontSize` of the theme
STYLE = f"""<style>
html {{ font-size: {TYPE_PX}px !important; }}
[data-testid="stHeader"] {{ display: none; }}
[data-testid="stMainBlockContainer"] {{ padding: 1rem 1.2rem; max-width: none; }}
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
.st-key-leave_projector {{ position: fixed; right: 1rem; bottom: 1rem; z-index: 1000; width: auto; }}
</style>"""


def is_on() -> bool:
    """Whether a class looks at this visit."""
    return bool(st.session_state.get("projector"))


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
