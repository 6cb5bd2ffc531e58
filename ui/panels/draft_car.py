"""Where an exercise begins: another exercise, the car in the bay, what was broken and repaired there."""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.training.authoring import (
    MOST_FAULTS,
    OF_A_FAULT,
    faults_in,
    fields_of,
    of_fault,
    solution_from,
    taken_from,
    without_fault,
)
from sim.vehicle.problems import Problem
from ui.panels.draft_order import text_field
from ui.state import bench_jobs, classroom, work
from ui.state.choices import entry_words
from ui.state.draft import EMPTY, draft_now, fault_now, put
from ui.state.held import Held
from ui.state.session import shipped_cars


def begin(draft: dict[str, str]) -> None:
    """Begin from an exercise, or from scratch."""
    with st.expander("Begin from an exercise, or from scratch"):
        entries = {entry.name: entry for entry in classroom.library().entries()}
        st.selectbox(
            "exercise", list(entries), key="author_from", format_func=lambda one: entry_words(entries[one])
        )
        with st.container(horizontal=True):
            st.button("Begin from it", key="author_take", on_click=_take)
            st.button("Begin from scratch", key="author_new", on_click=_nothing)


@classroom.instructor_only
def _take() -> str:
    name = st.session_state.author_from
    entry = classroom.library().find(name)
    put(EMPTY | fields_of(entry.exercise) | {"file": name if entry.own else f"{name}-mine"})
    return f"started from {name}"


@classroom.instructor_only
def _nothing() -> str:
    put(dict.fromkeys(draft_now(), "") | EMPTY)
    return "empty fields"


def which_fault(draft: dict[str, str]) -> int:
    """Which of the faults with the same complaint the fields are about, 1 for the first."""
    count = faults_in(draft)
    if not 1 <= st.session_state.setdefault("author_fault", 1) <= count:
        st.session_state.author_fault = count
    if count == 1:
        return 1
    chosen = st.segmented_control(
        "the fields are about fault", list(range(1, count + 1)), key="author_fault", required=True,
        persist_state="session",
    )  # fmt: skip
    return chosen or 1


def more_or_fewer(draft: dict[str, str], fault: int) -> None:
    """Add another fault with the same complaint, or take this one out."""
    count = faults_in(draft)
    with st.container(horizontal=True):
        st.button(
            "Another fault with the same complaint", key="author_more", icon=":material/add:",
            disabled=count == MOST_FAULTS, on_click=_one_more,
            help="With several, neighbors in a class need not have the same car.",
        )  # fmt: skip
        if count > 1:
            st.button(
                f"Without fault {fault}", key="author_less", icon=":material/remove:",
                on_click=partial(_one_less, fault),
            )  # fmt: skip


@classroom.instructor_only
def _one_more() -> None:
    count = faults_in(draft_now()) + 1
    put({"faults": f"{count}", **{of_fault(name, count): "" for name in OF_A_FAULT}})
    st.session_state.author_fault = count


@classroom.instructor_only
def _one_less(fault: int) -> None:
    put(without_fault(draft_now(), fault))


def break_a_car(held: Held, draft: dict[str, str], fault: int) -> None:
    """The first step: a broken car, from the bay or in words."""
    st.header("1 · Break a car", anchor=False)
    st.markdown(
        f"In the bay: **{held.car.title}**. Break it there, under *Part* or *Work*; drive it, so that "
        "codes are stored. Then:"
    )
    with st.container(horizontal=True):
        if st.button("To the bay", key="author_bay", icon=":material/car_repair:"):
            st.switch_page(st.session_state.entries["bay"])
        st.button(
            "Take it as it is in the bay", key="author_arrives", type="primary",
            on_click=partial(_take_car, held),
        )  # fmt: skip
    cars = [name.removesuffix(".yaml") for name in shipped_cars()]
    key = "draft_car"
    st.session_state.setdefault(key, draft["car"] if draft["car"] in cars else cars[0])
    draft["car"] = st.selectbox("car", cars, key=key, persist_state="session")
    text_field(draft, of_fault("arrives", fault), 2)
    text_field(draft, "before", 4)


@classroom.instructor_only
def _take_car(held: Held) -> str:
    fault = fault_now()
    if shipped_cars().get(held.car_name) != held.car_text:
        raise Problem("exercises are made of the cars that come with busbay; put one of these into the bay")
    taken, car = taken_from(held.bench), held.car_name.removesuffix(".yaml")
    own = {of_fault("arrives", fault): taken["arrives"], of_fault("solution", fault): ""}
    if fault == 1:
        put(own | {"car": car, "before": taken["before"]})
    elif car == draft_now()["car"]:
        put(own)
    else:
        raise Problem(f"all faults of an exercise are faults of one car, here of '{draft_now()['car']}'")
    return "taken as it is in the bay"


def solve(held: Held, draft: dict[str, str], fault: int) -> None:
    """The second step: the solution, from the bay or in words."""
    st.header("2 · Solve it", anchor=False)
    st.markdown("Put the broken car into the bay, find the fault with the tools, repair and prove it. Then:")
    with st.container(horizontal=True):
        st.button("Put it into the bay", key="author_put", on_click=_put)
        st.button(
            "Take what was done there", key="author_solution", type="primary",
            on_click=partial(_take_solution, held),
        )  # fmt: skip
    text_field(draft, of_fault("solution", fault), 9)


@classroom.instructor_only
def _put() -> None:
    draft, fault = draft_now(), fault_now()
    name = f"{draft['car']}.yaml"
    given = tuple(line.strip() for line in draft[of_fault("arrives", fault)].splitlines() if line.strip())
    before = [line.strip() for line in draft["before"].splitlines() if line.strip()]
    seed = int(draft.get("seed") or 0)
    work.ask(bench_jobs.take_log, name, shipped_cars()[name], given, seed, before)
    st.session_state.to_the_bay = True


@classroom.instructor_only
def _take_solution(held: Held) -> str:
    draft, fault = draft_now(), fault_now()
    done = solution_from(held.bench, draft[of_fault("arrives", fault)], draft["before"])
    if not done:
        raise Problem("nothing has been done in the bay since the car came in")
    put({of_fault("solution", fault): done})
    return "taken from the bay"
