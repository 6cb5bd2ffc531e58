"""The log from which the page Replay from here branches, as it is chosen now."""

from __future__ import annotations

import streamlit as st

from sim.vehicle.reading import car_from_text
from ui.state import bench_jobs, lab_work
from ui.state.held import Held
from ui.state.left_behind import LeftBehind

WORK = "branch_work"
IN_THE_BAY = "the log in the bay"
UPLOADED = "a downloaded log"


def from_the_bay(keep: int) -> None:
    """Put a moment of the bay's log on the page."""
    st.session_state.branch_source = IN_THE_BAY
    st.session_state.branch_keep = keep
    lab_work.forget(WORK)


def sources(held: Held) -> dict[str, LeftBehind]:
    """The log in the bay and those left behind, by how they read on the page."""
    return {
        IN_THE_BAY: held.as_left_behind(""),
        **{f"set aside: {old.words}": old for old in held.left_behind},
    }


def source_now(held: Held) -> LeftBehind | None:
    """The log that is chosen; None until there is a file; raises `Problem` for a file that is no log."""
    chosen = st.session_state.branch_source
    if chosen != UPLOADED:
        return sources(held).get(chosen)
    file = st.session_state.get("branch_file")
    if file is None:
        return None
    name, car_text, saved = bench_jobs.opened_log(file.getvalue().decode("utf-8", "replace"))
    car_from_text(car_text, name)
    return LeftBehind("", name, car_text, saved)
