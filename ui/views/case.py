"""A case: what was done and seen on a real car, and rival stories run through the same steps."""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.lab.case import Case
from sim.lab.case_file import case_text
from sim.lab.report import DISCLAIMER
from sim.lab.stories import CaseTable, try_stories
from sim.lab.suppositions import suppositions_of
from sim.lab.workshop import Progress, Stop, Workshop
from ui.drawing import sheet
from ui.drawing.tables import section as section_html
from ui.panels import case_experiments
from ui.panels.case_open import open_one
from ui.panels.case_problem import tell_problem
from ui.panels.case_told import steps, stories
from ui.panels.controls import button, download, undo_button
from ui.state import bench_jobs, lab_work, turns, work
from ui.state.case_now import WORK, at_the, case_now, change, put_back, taken_up
from ui.state.held import Held, Report
from ui.state.suppositions import from_case
from ui.state.work import after_work

REPORT_FIELDS = {"date": "date", "odometer": "odometer", "complaint": "complaint"}


@turns.fragment
def show() -> None:
    """The page; one fragment, so that a click draws nothing else again."""
    held = after_work(st.empty())
    if st.session_state.pop("to_what_if", False):
        st.switch_page(st.session_state.entries["what-if"])
    st.title("Case")
    st.markdown(
        "A real car's story: what was **done** and what was **seen**, in the order in which it happened. "
        "Leave blank what you did not check. "
        "Then **rival stories** of what was wrong go through the same steps."
    )
    open_one()
    tell_problem("")
    case = taken_up(held)
    if case is None:
        return
    car = case.whole_car
    with st.container(horizontal=True, vertical_alignment="center"):
        st.header(case.case, anchor=False)
        undo_button(WORK, put_back)
    st.caption(f"The car: {car.title}, {len(car.built.modules)} modules.")
    st.markdown(case.about)
    _for_the_report(case)
    left, right = st.columns(2, gap="large")
    with left:
        steps(case, car)
    with right:
        stories(case, car)
    is_new = bool(st.session_state.get("case_is_new"))
    button("Run the stories", "case_run", _run, icon="play_arrow", primary=True, disabled=is_new)
    _shown()
    _keep(case)


def _for_the_report(case: Case) -> None:
    """What the shop report begins with."""
    with st.expander("Date, odometer and complaint, for the shop report"):
        for name, words in REPORT_FIELDS.items():
            key = f"case_{name}"
            if st.session_state.get(f"{key}_of") != (case.case, getattr(case, name)):
                st.session_state[key] = getattr(case, name)
                st.session_state[f"{key}_of"] = (case.case, getattr(case, name))
            st.text_input(words, key=key, on_change=partial(_note, name))


def _note(name: str) -> None:
    at_the("")
    change(**{name: st.session_state[f"case_{name}"].strip()})


def _run() -> None:
    case = case_now()

    def task(workshop: Workshop, progress: Progress, stop: Stop) -> CaseTable:
        return try_stories(case, workshop=workshop, progress=progress, stop=stop)

    lab_work.start(WORK, task)


def _shown() -> None:
    table: CaseTable | None = lab_work.found(WORK)
    if table is None:
        return
    with st.container(key="case_found"):
        st.markdown(f"**{table.words}**")
        for section in list(table.sections())[1:]:
            st.markdown(f"**{section.title}**")
            sheet.show(
                section_html([part for part in section.parts if part != table.words]), f"case {section.title}"
            )
        st.caption(DISCLAIMER)
    download("Report to print", table.as_html, "case.html", "case_report")
    case_experiments.show(table)


def _keep(case: Case) -> None:
    with st.container(horizontal=True):
        download("Save the case", case_text(case), "case.yaml", "case_save")
        button("What if: its edits in all combinations", "case_what_if", _ask_what_if)


def _ask_what_if() -> None:
    case = case_now()
    supposed, repairs = suppositions_of(case)

    def job(held: Held, report: Report) -> None:
        if held.car_text != case.vehicle:
            bench_jobs.take_car(held, report, case.car_name, case.vehicle)
        from_case(held, supposed, repairs, list(case.actions))

    work.ask(job)
    st.session_state.to_what_if = True
