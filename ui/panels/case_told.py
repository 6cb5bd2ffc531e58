"""What a case tells: step by step what was done and seen, rival stories, experiments that could follow."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial

import streamlit as st

from sim.bench.action_words import sentence_of
from sim.lab.case import Case, Story
from sim.lab.scan_report import read_report
from sim.lab.telling import action_choices, seen_choices, with_scan
from sim.vehicle.car import Car
from sim.vehicle.edits import catalogue
from sim.vehicle.fault_words import story_words
from sim.vehicle.problems import Problem
from ui.panels import case_steps, scan_report
from ui.panels.case_problem import tell_problem
from ui.panels.controls import named
from ui.state import bench_jobs, work
from ui.state.case_now import at_the, case_now, change, refuse
from ui.state.choices import lines_of
from ui.state.limits import PHOTO_MB


def steps(case: Case, car: Car) -> None:
    """The steps told so far, and one more."""
    st.markdown("**Done and seen**")
    if case.given:
        st.markdown(f"Found on the car: {', '.join(case.given)}.")
    case_steps.listed(case)
    at = case_steps.place()
    open_now = bool(st.session_state.get("case_is_new")) or at is not None
    with st.expander(case_steps.heading(), expanded=open_now):
        action_lines("done, one action in each line", "step_do", car)
        _several("seen then", seen_choices(car), "step_seen")
        reads, within = st.columns(2)
        reads.number_input(
            "the meter read (V, ohm, A)", value=None, key="step_reads", format="%g", persist_state="session"
        )
        within.number_input(
            "give or take", 0.0, value=0.2, key="step_within", format="%g", persist_state="session"
        )
        st.text_input("note, for the shop report", key="step_note", max_chars=1000, persist_state="session")
        st.file_uploader(
            "photos (PNG, JPEG; made small, without place and time)", type=["png", "jpg", "jpeg"],
            accept_multiple_files=True, key=case_steps.key_of("step_photos"), max_upload_size=PHOTO_MB,
        )  # fmt: skip
        case_steps.photos_left()
        tell_problem("step")
        with st.container(horizontal=True):
            st.button(case_steps.save_words(), key=case_steps.key_of("step_add"), on_click=_add_step)
            if at is not None:
                st.button("Leave it as it is", key="step_leave", on_click=case_steps.clear)
    scan_report.as_a_step(car, _add_scan, case_steps.key_of("step_report_add"), partial(tell_problem, "scan"))
    scans = [step.seen for step in case.steps if step.seen.codes or step.seen.silent]
    scan_report.which_codes(car, scans[-1] if scans else None, "case_codes")


def _add_step() -> None:
    at_the("step")
    try:
        step = case_steps.taken_from_fields(lines_of("step_do"))
    except Problem as problem:
        refuse(str(problem))
        return
    except ValueError:
        refuse("enter what was done first")
        return
    case_steps.put(step)


def _add_scan() -> None:
    """A step with what the pasted report says; all else that the fields tell goes with it."""
    kept, case = st.session_state, case_now()
    at_the("scan")
    report = read_report(kept.step_report, case.whole_car)
    seen = report.evidence()
    if not (seen.codes or seen.silent or seen.answers):
        refuse("the report says nothing that is understood: paste its lines with modules and codes")
        return
    done = lines_of("step_do")
    try:
        told = case_steps.taken_from_fields(done if "scan" in done[-1:] else [*done, "scan"])
    except Problem as problem:  # a photo that is none
        refuse(str(problem))
        return
    step = told.model_copy(update={"seen": with_scan(told.seen, seen)})
    if case_steps.put(step, date=case.date or report.date, odometer=case.odometer or report.odometer):
        kept.step_report = ""


def stories(case: Case, car: Car) -> None:
    """The stories told so far, and one more; the same for experiments."""
    st.markdown("**Rival stories**")
    for name, story in case.stories.items():
        with st.container(horizontal=True, vertical_alignment="center"):
            st.text(f"{name} ({story_words(story.edits, car)})", width="stretch")
            with st.container(horizontal=True, width="content"):
                st.button(
                    named("Into the bay", name), key=f"story_bay {name}",
                    on_click=partial(_into_the_bay, story),
                    help="the car as this story has it, before any action",
                )  # fmt: skip
                st.button(
                    named("Remove", name), key=f"story {name}", disabled=len(case.stories) == 1,
                    on_click=partial(_remove_story, name),
                )  # fmt: skip
    with st.expander("Another story", key="story_box"):
        st.text_input("its name", key="story_name", persist_state="session")
        _several("what it says about the car: faults, repairs, theories", catalogue(car), "story_edits")
        tell_problem("story")
        st.button("Add this story", key=f"story_add {len(case.stories)}", on_click=_add_story)
    st.markdown("**Experiments** that could follow")
    st.caption(" · ".join(sentence_of(one, car) for one in case.experiments) or "none yet")
    with st.expander("Another experiment", key="experiment_box"):
        action_lines("done, one action in each line", "experiment_do", car)
        tell_problem("experiment")
        key = f"experiment_add {len(case.experiments)}"
        st.button("Add this experiment", key=key, on_click=_add_experiment)


def _remove_story(name: str) -> None:
    left = {other: one for other, one in case_now().stories.items() if other != name}
    if left:
        change(stories=left)


def _into_the_bay(story: Story) -> None:
    case = case_now()
    given = (*case.given, *story.edits)
    work.ask(bench_jobs.take_car, case.car_name, case.vehicle, given)
    st.session_state.to_the_bay = True


def _add_story() -> None:
    name, edits = st.session_state.story_name.strip(), tuple(st.session_state.story_edits)
    at_the("story")
    if not name:
        refuse("a story needs a name")
        return
    if change(stories={**case_now().stories, name: Story(edits=edits)}):
        st.session_state.story_name, st.session_state.story_edits = "", []


def _add_experiment() -> None:
    at_the("experiment")
    plan = tuple(lines_of("experiment_do"))
    if plan and change(experiments=(*case_now().experiments, plan)):
        st.session_state.experiment_do = ""


def _several(label: str, choices: Iterable[str], key: str) -> None:
    """Several of a list of choices, or others that are typed in."""
    st.multiselect(
        label, choices, key=key, accept_new_options=True, persist_state="session", select_all=False
    )


def action_lines(label: str, key: str, car: Car) -> list[str]:
    """Several actions, one in each line, typed or put there from a list; the same may be there twice."""
    st.text_area(label, key=key, height=110, persist_state="session")
    with st.container(horizontal=True, vertical_alignment="bottom"):
        st.selectbox("or choose", action_choices(car), key=f"{key}_often")
        st.button("Add as a line", key=f"{key}_add", icon=":material/add:", on_click=partial(_append, key))
    return lines_of(key)


def _append(key: str) -> None:
    st.session_state[key] = "\n".join([*lines_of(key), st.session_state[f"{key}_often"]])
