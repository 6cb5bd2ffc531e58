"""Say so where a log that is kept is no longer what the car does."""

from __future__ import annotations

import streamlit as st


def show(differs_at: int) -> None:
    """`differs_at`: the first step that a replay tells differently; 0 for none."""
    if differs_at:
        st.warning(
            f"busbay was changed since this was begun: from step {differs_at} on the car behaves "
            "differently. The log is as it was.",
            icon=":material/update:",
        )
