"""A check plan to take to the car: its tree, its steps, and a page to print."""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.lab.check_plan import CheckPlan, check_plan
from sim.lab.check_plan_report import (
    plan_drawing,
    plan_page,
    plan_picture,
    plan_steps,
    plan_text,
    plan_words,
)
from sim.lab.search_plan import SearchAnswer
from sim.lab.workshop import Progress, Stop, Workshop
from sim.svg import node, text_of
from ui.drawing import sheet
from ui.drawing.tables import plain_table
from ui.panels.controls import button, download
from ui.state import lab_work
from ui.state.search_question import PLAN


def show(found: SearchAnswer) -> None:
    """The button that plans, and the plan."""
    st.header("A plan to take to the car", anchor=False)
    button(
        "Make a check plan", "plan_make", partial(_start, found), icon="account_tree",
        disabled=len(found.result.causes) < 2 and not found.result.causes[0].alike,
        help="which check first, and which next after each outcome, at the least expected labor time",
    )  # fmt: skip
    plan: CheckPlan | None = lab_work.found(PLAN, "cars")
    if plan is None:
        return
    with st.container(key="plan_found"):
        shown(plan, "plan")


def shown(plan: CheckPlan, key: str) -> None:
    """A plan: its tree as a picture, its cautions, its steps as a table, and what can be taken along."""
    st.markdown(f"**{plan_words(plan)}**")
    if not plan.steps:
        return
    tree = node(
        "div", [plan_drawing(plan)], class_="plan_tree", tabindex="0", role="region", aria_label="check plan"
    )  # fmt: skip
    sheet.show(str(text_of(tree)), f"{key}_tree")
    for words in plan.prove_first:
        st.warning(f"Stop before a part is replaced. {words}", icon=":material/front_hand:")
    for words in plan.cautions:
        st.warning(words, icon=":material/warning:")
    with st.expander("Step by step", key=f"{key}_steps"):
        steps = plan_steps(plan)
        sheet.show(plain_table(steps.head, steps.rows), f"{key}_table")
    with st.container(horizontal=True):
        download("Check plan to print", partial(plan_page, plan), "check-plan.html", f"{key}_print")
        download("Picture (SVG)", partial(plan_picture, plan), "check-plan.svg", f"{key}_picture")
        download("Text", partial(plan_text, plan), "check-plan.txt", f"{key}_text")


def _start(found: SearchAnswer) -> None:
    def task(workshop: Workshop, progress: Progress, stop: Stop) -> CheckPlan:
        return check_plan(found.result, workshop=workshop, progress=progress, stop=stop)

    lab_work.start(PLAN, task)
