"""A case: what was done and seen on a real car, and rival stories run through the same steps."""

from __future__ import annotations

import json
from functools import partial
from typing import Any

import streamlit as st

from sim.catalogue import shipped_cars, shipped_cases
from sim.lab.case import Case, CaseStep, Story
from sim.lab.case_file import as_case_file, case_from_text, case_text
from sim.lab.report import DISCLAIMER
from sim.lab.stories import CaseTable, try_stories
from sim.lab.workshop import Progress, Stop, Workshop
from sim.vehicle.car import Car
from sim.vehicle.edits import catalogue, parse_edit
from sim.vehicle.problems import Problem
from ui.drawing import sheet
from ui.drawing.tables import numbered
from ui.drawing.tables import section as section_html
from ui.panels import undo_button
from ui.panels.action_lines import action_lines, lines_of
from ui.panels.which_car import MINE, uploaded
from ui.state import bench_jobs, held, kept, lab_work, one_back, session, work
from ui.state.held import Held
from ui.state.telling import seen_choices, seen_of, seen_words
from ui.state.work import worked_off
from ui.views import what_if

WORK, KIND = "case_work", "cases"
IN_THE_BAY = "the car in the bay"


def show() -> None:
    """The page; a fragment of its own."""
    _case()


@st.fragment
def _case() -> None:
    held = worked_off(st.empty())
    if st.session_state.pop("to_what_if", False):
        st.switch_page(st.session_state.entries["what-if"])
    st.title("Case")
    st.markdown(
        "A real car's story: what was **done** and what was **seen**, in the order in which it happened. "
        "What is not told was not looked at. "
        "Then **rival stories** of what was wrong go through the same steps."
    )
    _open_one()
    if st.session_state.get("case_problem"):
        st.error(st.session_state.case_problem, icon=":material/block:")
    case = taken_up(held)
    if case is None:
        return
    car = case.whole_car
    with st.container(horizontal=True, vertical_alignment="center"):
        st.subheader(case.case, anchor=False)
        undo_button.offer(WORK, _put_back)
    st.caption(f"The car: {car.title}, {len(car.built.modules)} modules.")
    st.markdown(case.about)
    left, right = st.columns(2, gap="large")
    with left:
        _steps(case, car)
    with right:
        _stories(case, car)
    st.button(
        "Run the stories",
        key="case_run",
        type="primary",
        icon=":material/play_arrow:",
        disabled=bool(st.session_state.get("case_is_new")),
        on_click=_run,
    )
    _shown()
    _keep(case)


def _open_one() -> None:
    shipped = shipped_cases()
    with st.container(horizontal=True, vertical_alignment="bottom"):
        st.selectbox("a case that comes with busbay", list(shipped), key="case_shipped")
        st.button("Open it", key="case_open", on_click=_open)
    with st.expander("A case of your own: begin one, or open a file"):
        st.text_input("what to call it", key="case_title", persist_state="session")
        cars = [IN_THE_BAY, *shipped_cars(), MINE]
        with st.container(horizontal=True, vertical_alignment="bottom"):
            st.selectbox("which car", cars, key="case_car")
            st.button("Begin", key="case_begin", on_click=_begin)
        if st.session_state.case_car == MINE:
            st.file_uploader("your vehicle file (YAML)", type=["yaml", "yml"], key="case_own_car")
        file = st.file_uploader("a case file (YAML)", type=["yaml", "yml"], key="case_file")
        if file is not None:
            st.button("Open the file", key="case_open_file", on_click=_open_file)


def _open() -> None:
    path = shipped_cases()[st.session_state.case_shipped]
    _open_text(path.read_text(encoding="utf-8"), path.name)


def _open_file() -> None:
    file = st.session_state.case_file
    if file is not None:  # taken away again
        _open_text(file.getvalue().decode("utf-8", "replace"), file.name)


def _begin() -> None:
    state = st.session_state
    if not state.case_title:
        state.case_problem = "a case needs a name to call it by"
        return
    # a case has a step; this one gives way to the first that is told
    step = {"do": "wait 2 s"}
    try:
        new = {"case": state.case_title, "car": _car(), "steps": [step], "stories": {"nothing": {}}}
        begun = _take(as_case_file(new))
    except Problem as problem:
        state.case_problem = str(problem)
        return
    if begun:
        state.case_is_new = True


def _car() -> str:
    """The chosen car as a case has it: a shipped one by its name, any other by the text of its file."""
    state = st.session_state
    if state.case_car == MINE:
        return _closed(uploaded("case_own_car")[1])
    held: Held = state.held
    if state.case_car != IN_THE_BAY:
        return str(state.case_car)
    shipped = session.shipped_cars().get(held.car_name) == held.car_text
    return held.car_name.removesuffix(".yaml") if shipped else _closed(held.car_text)


def _closed(text: str) -> str:
    return text.replace("\r\n", "\n").rstrip("\n") + "\n"


def _open_text(text: str, name: str) -> None:
    if _take(text, name):
        st.session_state.case_is_new = False


def _take(text: str, name: str = "this case") -> bool:
    """Put a case on the page, if it is one."""
    try:
        case = case_from_text(text, name)
    except Problem as problem:
        st.session_state.case_problem = str(problem)
        return False
    _replaced()
    st.session_state.case = case
    st.session_state.case_problem = ""
    lab_work.forget(WORK)
    return True


def _replaced() -> None:
    """What stands on the page now can be put back."""
    if st.session_state.get("case") is not None:
        one_back.replaced(WORK, (st.session_state.case, bool(st.session_state.get("case_is_new"))))


def _case_now() -> Case:
    """The case as it is when a button is pressed: the one before may have changed it."""
    case: Case = st.session_state.case
    return case


def _change(**changes: Any) -> bool:
    return _take(case_text(_case_now().model_copy(update=changes)))


def taken_up(held: Held) -> Case | None:
    """The case on the page: this session's, or what was kept when the browser was refreshed."""
    if "case" not in st.session_state:
        text, is_new = _kept(held.key)
        st.session_state.case_is_new = is_new
        st.session_state.case = case_from_text(text) if text else None
    case: Case | None = st.session_state.case
    now = case, bool(st.session_state.get("case_is_new"))
    if case is not None and st.session_state.get("case_kept") != now:
        kept.keep(KIND, held.key, json.dumps([case_text(case), now[1]]))
        st.session_state.case_kept = now
    return case


def _kept(key: str) -> tuple[str, bool]:
    try:
        text, is_new = json.loads(kept.kept(KIND, key) or "")
        case_from_text(text)
    except (ValueError, TypeError, Problem):  # nothing, or by an older version
        return "", False
    return text, is_new


def _put_back(before: tuple[Case, bool]) -> None:
    case, is_new = before
    if _take(case_text(case)):
        st.session_state.case_is_new = is_new


# -- steps ---------------------------------------------------------------------------------------------------


def _steps(case: Case, car: Car) -> None:
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
    before = () if kept.get("case_is_new") else _case_now().steps
    if _change(steps=(*before, step)):
        kept.case_is_new = False
        kept.step_do, kept.step_seen, kept.step_reads = "", [], None


def _drop() -> None:
    steps = _case_now().steps
    if len(steps) > 1:
        _change(steps=steps[:-1])
    else:
        _replaced()
        st.session_state.case_is_new = True


# -- stories and experiments ---------------------------------------------------------------------------------


def _stories(case: Case, car: Car) -> None:
    st.markdown("**Rival stories**")
    for name, story in case.stories.items():
        with st.container(horizontal=True, vertical_alignment="center"):
            st.text(f"{name}: {', '.join(story.edits) or 'the car as described'}", width="stretch")
            with st.container(horizontal=True, width="content"):
                st.button(
                    "Into the bay",
                    key=f"story_bay {name}",
                    help="the car as this story has it, before any action",
                    on_click=partial(_into_the_bay, story),
                )
                st.button(
                    "Remove",
                    key=f"story {name}",
                    disabled=len(case.stories) == 1,
                    on_click=partial(_remove_story, name),
                )
    with st.expander("Another story"):
        st.text_input("its name", key="story_name", persist_state="session")
        st.multiselect(
            "what it says of the car: faults, repairs, theories",
            catalogue(car),
            key="story_edits",
            accept_new_options=True,
            persist_state="session",
            select_all=False,
        )
        st.button("Add this story", key="story_add", on_click=_add_story)
    st.markdown("**Experiments** that could follow")
    st.caption(" · ".join("; ".join(one) for one in case.experiments) or "none yet")
    with st.expander("Another experiment"):
        action_lines("done, one action in each line", "experiment_do", car)
        st.button("Add this experiment", key="experiment_add", on_click=_add_experiment)


def _remove_story(name: str) -> None:
    left = {other: one for other, one in _case_now().stories.items() if other != name}
    if left:
        _change(stories=left)


def _into_the_bay(story: Story) -> None:
    case = _case_now()
    given = (*case.given, *story.edits)
    work.ask(bench_jobs.take_car(case.car_name, case.vehicle, given))
    st.session_state.to_the_bay = True


def _add_story() -> None:
    name, edits = st.session_state.story_name.strip(), tuple(st.session_state.story_edits)
    if not name:
        st.session_state.case_problem = "a story needs a name"
        return
    if _change(stories={**_case_now().stories, name: Story(edits=edits)}):
        st.session_state.story_name, st.session_state.story_edits = "", []


def _add_experiment() -> None:
    plan = tuple(lines_of("experiment_do"))
    if plan and _change(experiments=(*_case_now().experiments, plan)):
        st.session_state.experiment_do = ""


# -- what came of it -----------------------------------------------------------------------------------------


def _run() -> None:
    case = _case_now()

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
            sheet.show(section_html(section.parts), f"case {section.title}")
        st.caption(DISCLAIMER)
    st.download_button(
        "Report to print", table.as_html, "case.html", "text/html", key="case_report", on_click="ignore"
    )


def _keep(case: Case) -> None:
    with st.container(horizontal=True):
        st.download_button(
            "Save the case",
            case_text(case),
            "case.yaml",
            "application/yaml",
            key="case_save",
            on_click="ignore",
        )
        st.button("What if: its edits in all combinations", key="case_what_if", on_click=_ask_what_if)


def _ask_what_if() -> None:
    case = _case_now()
    car = case.whole_car
    told = [*case.given, *(edit for story in case.stories.values() for edit in story.edits)]
    edits = {edit.text: edit for edit in (parse_edit(text, car) for text in told)}
    # a repair of one of these faults is the same as leaving the fault out
    undone = {edit.undo for edit in edits.values() if edit.kind == "fault"}
    repairs = [text for text, edit in edits.items() if edit.kind == "repair" and text in undone]
    # a bypass lead goes into the plug of the module whose place it takes: one does not go without the other
    leads = {text.split()[1]: text for text in edits if text.startswith("bypass ")}
    suppositions = [
        _with_lead(text, leads) for text in edits if text not in repairs and text not in leads.values()
    ]

    def job(held: Held, report: held.Report) -> None:
        if held.car_text != case.vehicle:
            bench_jobs.take_car(case.car_name, case.vehicle)(held, report)
        what_if.from_case(held, suppositions, repairs, list(case.actions))

    work.ask(job)
    st.session_state.to_what_if = True


def _with_lead(text: str, leads: dict[str, str]) -> str:
    verb, name = text.split()[:2]
    lead = leads.get(name.partition(".")[0], "") if verb == "unplug" else ""
    return f"{text}; {lead}" if lead else text
