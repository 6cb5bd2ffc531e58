"""What was done and seen, step by step, and a form for the next step."""

from __future__ import annotations

import streamlit as st

from sim.lab.case import Case, CaseStep
from sim.lab.telling import seen_choices, seen_of, seen_words
from sim.vehicle.car import Car
from sim.vehicle.problems import Problem
from ui.drawing import sheet
from ui.drawing.tables import numbered
from ui.panels.action_lines import action_lines
from ui.state.case_now import case_now, change, keep_for_undo
from ui.state.choices import lines_of


def steps(case: Case, car: Car) -> None:
    """The steps told so far, and one more."""
    st.markdown("**Done and seen**")
    if case.given:
        st.markdown(f"Found on the car: {', '.join(case.given)}.")
    if st.session_state.get("case_is_new"):
        st.caption("Nothing is told yet: begin with what was done first.")
    else:
        with st.container(key="case_steps"):
            sheet.show(numbered(_step_words(step) for step in case.steps), "case_step_list")
        st.button("Take the last step away", key="case_drop", on_click=_drop)
    with st.expander("Then this was done", expanded=st.session_state.get("case_is_new", False)):
        action_lines("done, one action in each line", "step_do", car)
        st.multiselect(
            "seen then",
            seen_choices(car),
            key="step_seen",
            accept_new_options=True,
            persist_state="session",
            select_all=False,
        )
        reads, within = st.columns(2)
        reads.number_input(
            "the meter read (V, ohm, A)", value=None, key="step_reads", format="%g", persist_state="session"
        )
        within.number_input(
            "give or take", 0.0, value=0.2, key="step_within", format="%g", persist_state="session"
        )
        st.button("Add this step", key="step_add", on_click=_add_step)


def _step_words(step: CaseStep) -> str:
    seen = seen_words(step.seen)
    return ", ".join(step.do) + (f" → {'; '.join(seen)}" if seen else "")


def _add_step() -> None:
    kept = st.session_state
    try:
        seen = seen_of(kept.step_seen, kept.step_reads, kept.step_within)
        step = CaseStep.model_validate({"do": lines_of("step_do"), "seen": seen})
    except ValueError:
        kept.case_problem = "a step needs something that was done"
        return
    except Problem as problem:
        kept.case_problem = str(problem)
        return
    before = () if kept.get("case_is_new") else case_now().steps
    if change(steps=(*before, step)):
        kept.case_is_new = False
        kept.step_do, kept.step_seen, kept.step_reads = "", [], None


def _drop() -> None:
    steps = case_now().steps
    if len(steps) > 1:
        change(steps=steps[:-1])
    else:
        keep_for_undo()
        st.session_state.case_is_new = True
