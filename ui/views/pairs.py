"""Faults that hide each other: pairs that mask, show what neither has alone, or scan like another."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from functools import partial

import streamlit as st

from sim.bench.action_words import sentence_of
from sim.lab.compounds import Compound, exercise_draft, find_compounds
from sim.lab.drive import first_look
from sim.lab.report import DISCLAIMER
from sim.lab.workshop import Progress, Stop, Workshop
from sim.vehicle.edits import catalogue, verb_of
from sim.vehicle.fault_words import fault_set_words, fault_words
from sim.vehicle.problems import EditProblem
from sim.vehicle.words import counted
from ui.drawing import sheet
from ui.drawing.tables import plain_table
from ui.panels import which_car
from ui.panels.controls import button, download
from ui.state import bench_jobs, lab_work, session, turns, work
from ui.state.held import Held
from ui.state.work import after_work, tells_problems

WORK = "pairs_work"
MOST_EDITS = 30  # 466 runs; more is for the command line
MOST_LISTED = 15
MOST_SIGNS = 8
KINDS = {
    "masks": "one hides what the other shows alone",
    "new": "a symptom that neither has alone",
    "look alike": "like another fault to the scan, not to a meter or inspection",
}


@turns.fragment
def show() -> None:
    """The page; one fragment, so that a click draws nothing else again."""
    held = after_work(st.empty())
    st.title("Faults that hide each other")
    st.markdown(
        f"Which two faults of the **{held.car.title}** make a hard case together? Each chosen fault is "
        "run alone and in every pair, through the same first checks."
    )
    which_car.offer(held)
    chosen = _chosen(held)
    st.caption(f"What is done: {sentence_of(first_look(held.car))}.")
    count = len(chosen)
    words = f"Run all {1 + count + count * (count - 1) // 2}" if count > 1 else "Run all"
    start, right_many = partial(_start, held.car_text), 2 <= count <= MOST_EDITS
    button(words, "pairs_run", start, icon="play_arrow", primary=True, disabled=not right_many)
    if count > MOST_EDITS:
        st.warning(f"At most {MOST_EDITS} faults at a time; there are {count}.", icon=":material/block:")
    found: tuple[str, tuple[Compound, ...]] | None = lab_work.found(WORK)
    if found is not None and found[0] == held.car_text:
        _shown(held, found[1])


def _chosen(held: Held) -> list[str]:
    listed = catalogue(held.car)
    by_verb = Counter(verb_of(text) for text in listed)
    if st.session_state.get("pairs_of") != held.car_text:
        st.session_state.pairs_of, st.session_state.pairs_edits = held.car_text, []
    chosen = st.multiselect(
        "the faults",
        listed,
        key="pairs_edits",
        placeholder="choose two or more",
        format_func=lambda one: fault_words(one, held.car),
        persist_state="session",
        select_all=False,
    )
    with st.container(horizontal=True, vertical_alignment="bottom"):
        st.selectbox(
            "or all of a kind",
            list(by_verb),
            key="pairs_verb",
            format_func=lambda one: f"{one}: {by_verb[one]}",
        )
        button("Add them", "pairs_add", partial(_add, listed))
        button("None", "pairs_none", _none)
    return list(chosen)


def _add(listed: Sequence[str]) -> None:
    state = st.session_state
    of_a_kind = [text for text in listed if verb_of(text) == state.pairs_verb]
    state.pairs_edits = list(dict.fromkeys([*state.pairs_edits, *of_a_kind]))


def _none() -> None:
    st.session_state.pairs_edits = []


@tells_problems
def _start(vehicle: str) -> None:
    edits = list(st.session_state.pairs_edits)
    if not 2 <= len(edits) <= MOST_EDITS:
        raise EditProblem(f"choose 2 to {MOST_EDITS} faults; there are {len(edits)}")

    def task(workshop: Workshop, progress: Progress, stop: Stop) -> tuple[str, tuple[Compound, ...]]:
        return vehicle, find_compounds(vehicle, edits, workshop=workshop, progress=progress, stop=stop)

    lab_work.start(WORK, task)


# -- what was found ------------------------------------------------------------------------------------------


def _shown(held: Held, found: tuple[Compound, ...]) -> None:
    with st.container(key="pairs_found"):
        st.markdown(f"**{counted(len(found), 'pair')}**, the hardest first")
        if not found:
            return
        rows = [
            (
                fault_set_words(one.edits, held.car),
                f"{one.difficulty:.2f}",
                "; ".join(KINDS[kind] for kind in one.kinds),
            )
            for one in found[:MOST_LISTED]
        ]
        sheet.show(plain_table(("pair", "difficulty", "what is special"), rows), "pairs_table")
        if len(found) > MOST_LISTED:
            st.caption(f"and {len(found) - MOST_LISTED} more, each easier")
        st.caption(
            "Difficulty is the share of what could be seen that misleads, from 0 to 1: for putting cases in "
            "order, not a measure of people."
        )
        st.caption(DISCLAIMER)
    place = st.selectbox(
        "one of them",
        list(range(min(len(found), MOST_LISTED))),
        key="pairs_which",
        format_func=lambda one: fault_set_words(found[one].edits, held.car),
    )
    _one(held, found, found[place])


def _one(held: Held, found: tuple[Compound, ...], one: Compound) -> None:
    rows = [
        (words, _some(signs))
        for words, signs in (
            ("hidden by the other", one.masked),
            ("shown by neither alone", one.new),
            ("to the scan it looks like", tuple(fault_words(edit, held.car) for edit in one.alike)),
        )
        if signs
    ]
    sheet.show(plain_table(("", "what"), rows), "pairs_one")
    with st.container(horizontal=True):
        button("Try it in the bay", "pairs_bay", partial(_into_the_bay, found), icon="car_repair")
        if session.shipped_cars().get(held.car_name) == held.car_text:
            name = held.car_name.removesuffix(".yaml")
            draft = partial(exercise_draft, one, name, first_look(held.car))
            download("Draft of an exercise", draft, "draft.yaml", "pairs_draft")


def _some(signs: tuple[str, ...]) -> str:
    more = len(signs) - MOST_SIGNS
    return "; ".join(signs[:MOST_SIGNS]) + (f"; and {more} more" if more > 0 else "")


def _into_the_bay(found: tuple[Compound, ...]) -> None:
    work.ask(bench_jobs.start_again, found[st.session_state.pairs_which].edits)
    st.session_state.to_the_bay = True
