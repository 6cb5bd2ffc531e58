"""What a page shows when it cannot be drawn: words of our own, and the page again as soon as it can be.

Nothing that was shown as done is lost: an exercise is taken up again from the records.
"""

from __future__ import annotations

import logging

import streamlit as st
from sqlalchemy import update

from sim.training.out_of_reach import why_out_of_reach
from sim.training.schema import about
from sim.training.store import writing
from sim.vehicle.problems import Problem
from ui.state import classroom
from ui.state.streamlit_adapter import draw_whole_page_next

LOOK_EVERY_S = 2.0
TITLE = "The records cannot be reached"
WORDS = "What was shown as done is kept. This page comes back by itself."
OTHERWISE = "This page could not be drawn. The reason is in the server's log."


def tell(error: BaseException) -> bool:
    """Show what is the matter, as a page of its own; for Streamlit, True: nothing else is to be shown."""
    why = why_out_of_reach(error) or (str(error) if isinstance(error, Problem) else "")
    if not why:
        logging.getLogger("busbay").error("a page could not be drawn", exc_info=error)
        st.error(OTHERWISE, icon=":material/error:")
        st.button("Load it again", key="load_again")
        return True
    logging.getLogger("busbay").error("the records cannot be reached: %s", why)
    if st.session_state.pop("work", None) is not None:
        st.session_state.pop("held", None)  # the records know how far it is
    st.session_state.out_of_reach = why
    if not draw_whole_page_next():
        _say(why)
    return True


def still_out_of_reach() -> bool:
    """Whether this page waits for the records; then it says so and shows nothing else."""
    why = st.session_state.get("out_of_reach", "")
    if not why:
        return False
    if records_answer():
        del st.session_state.out_of_reach
        return False
    _say(why)
    return True


def _say(why: str) -> None:
    st.session_state.records_asked = False
    st.fragment(_until_they_answer, run_every=LOOK_EVERY_S)(why)


def _until_they_answer(why: str) -> None:
    if st.session_state.records_asked and records_answer():
        st.rerun()
    st.session_state.records_asked = True
    with st.container(border=True, key="out_of_reach_told", width=640):
        st.header(TITLE, anchor=False)
        st.markdown(f"{classroom.plain(why[:1].upper() + why[1:])}. {WORDS}")


@st.cache_data(ttl=LOOK_EVERY_S / 2, show_spinner=False)
def records_answer() -> bool:
    """Whether the records can be written to, asked once in a while however many pages wait."""
    try:
        with writing(classroom.records().engine) as connection:
            connection.execute(update(about).values(version=about.c.version))
    except Exception as error:
        if isinstance(error, Problem) or why_out_of_reach(error):
            return False
        raise
    return True
