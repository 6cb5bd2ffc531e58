"""The rival stories of a case, and experiments that could follow."""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.lab.case import Case, Story
from sim.vehicle.car import Car
from sim.vehicle.edits import catalogue
from ui.panels.action_lines import action_lines
from ui.state import bench_jobs, work
from ui.state.case_now import case_now, change
from ui.state.choices import lines_of


def stories(case: Case, car: Car) -> None:
    """The stories told so far, and one more; the same for experiments."""
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
    if not name:
        st.session_state.case_problem = "a story needs a name"
        return
    if change(stories={**case_now().stories, name: Story(edits=edits)}):
        st.session_state.story_name, st.session_state.story_edits = "", []


def _add_experiment() -> None:
    plan = tuple(lines_of("experiment_do"))
    if plan and change(experiments=(*case_now().experiments, plan)):
        st.session_state.experiment_do = ""
