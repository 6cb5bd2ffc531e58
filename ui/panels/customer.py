"""Ask the customer: what was answered, and a button with its price for each question that was not asked yet.

In the free bay there is no customer to ask: the answer of your own is noted.
"""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.bench.asking import LONGEST_ANSWER, SPOKEN, CustomerQuestion
from ui.panels.controls import button
from ui.panels.prices import price_at_work
from ui.state.at_work import AtWork
from ui.state.classroom import plain
from ui.state.work import as_shown, ask_to_do, ask_to_do_as_shown


def show(held: AtWork) -> None:
    """The customer of an exercise, in its work order."""
    answers = held.work.attempt.answers
    with st.container(key="customer"):
        for question, words in answers.items():
            st.markdown(f"**{SPOKEN[question]}** “{plain(words)}”")
        left = [one for one in CustomerQuestion if one not in answers]
        if not left or not held.may_act:
            return
        st.markdown(f"**Ask the customer** · {price_at_work(f'ask {left[0]}')} each")
        with st.container(horizontal=True, gap="small"):
            for question in left:
                act = partial(ask_to_do, f"ask {question}", pause_s=0)
                button(SPOKEN[question], f"ask {question}", act, icon="record_voice_over")


def note() -> None:
    """In the free bay: what your own customer answers, for the log."""
    with st.expander(
        "Note what your customer says", icon=":material/record_voice_over:", key="note_customer"
    ):
        st.selectbox("question", list(CustomerQuestion), key="asked", format_func=SPOKEN.__getitem__)
        st.text_input("answer", key="answered", max_chars=LONGEST_ANSWER, placeholder="since the car wash")
        act = partial(ask_to_do_as_shown, as_shown("ask {asked}: {answered}"), 0)
        button("Note the answer", "note_answer", act)
