"""The author's page: break a car in the bay, solve it there, write the work order, check, save, give."""

from __future__ import annotations

import streamlit as st

from ui.panels.controls import undo_button
from ui.panels.draft_car import begin, break_a_car, more_or_fewer, solve, which_fault
from ui.panels.draft_order import check_and_save, guide, order
from ui.state import classroom
from ui.state.draft import DRAFT, draft_now, keep, put_back
from ui.state.work import after_work


def show() -> None:
    """The page."""
    held = after_work(st.empty())
    classroom.show_outcome()
    draft = draft_now()
    st.title("Author")
    begin(draft)
    undo_button(DRAFT, put_back)
    left, right = st.columns(2, gap="large")
    with left:
        fault = which_fault(draft)
        break_a_car(held, draft, fault)
        solve(held, draft, fault)
        more_or_fewer(draft, fault)
    with right:
        order(draft)
        guide(draft, fault)
    keep(draft)
    check_and_save(draft)
