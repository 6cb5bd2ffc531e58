"""Say so where a log that is kept was begun with another busbay, or is no longer what the car does."""

from __future__ import annotations

import streamlit as st

from sim.training.kept_attempts import PROGRAM


def show(program: str, differs_at: int) -> None:
    """`program`: the version that it was begun with, empty for unknown; `differs_at`: the first step that a
    replay tells differently, 0 for none.
    """
    is_other = program not in ("", PROGRAM)
    if differs_at:
        whose = f"Begun with busbay {program}, shown by {PROGRAM}" if is_other else "busbay was changed since"
        words = f"{whose}: from step {differs_at} on the car behaves differently. The log is as it was."
        st.warning(words, icon=":material/update:")
    elif is_other:
        st.caption(f"Begun with busbay {program}, shown by {PROGRAM}: every step takes the same labor time.")
