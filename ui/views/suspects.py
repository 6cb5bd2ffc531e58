"""Possible causes: every single and double fault that agrees with what was seen, and the check to do next."""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.bench.action_words import lines_of
from sim.lab.next_check import Advice
from sim.lab.report import DISCLAIMER
from sim.lab.search_plan import Question, SearchAnswer, changes_at_first, search_on
from sim.lab.search_report import found_words, no_cause_words, odds_words, search_page
from sim.lab.search_result import PossibleCause, SearchResult, explained
from sim.lab.three_faults import THREE
from sim.lab.workshop import Progress, Stop, Workshop
from sim.vehicle.car import Car
from sim.vehicle.edits import further_kinds
from sim.vehicle.fault_words import fault_set_words
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import car_from_text
from ui.drawing import sheet
from ui.drawing.tables import because_tree, numbered, plain_table
from ui.panels import check_plan, next_check, scan_report
from ui.panels.controls import button, download, switch
from ui.panels.help import term
from ui.state import lab_work, turns
from ui.state.case_now import taken_up
from ui.state.held import Held
from ui.state.search_question import (
    IN_THE_BAY,
    MOST,
    NEXT,
    PLAN,
    SINGLE,
    TRIPLE,
    WORK,
    edits_of,
    most_at_once,
    question_now,
)
from ui.state.work import after_work, tells_problems

LIMITS_MIN = (1, 5, 15, 60)
MOST_LISTED = 30
MOST_ALIKE = 4
THREE_WORDS = (
    "If none explains everything, half of the time goes to sets of three: each fault explains a part, "
    "and together all of it."
)


@turns.fragment
def show() -> None:
    """The page; one fragment, so that a click draws nothing else again."""
    held = after_work(st.empty())
    st.title("Possible causes")
    st.markdown(
        "Every fault in the car's list, and every pair of them, is run through what was done so far. "
        "Those that show everything that was seen are the possible causes."
    )
    left, right = st.columns(2, gap="large")
    with left:
        question = _choose_question(held)
        _codes(held, question)
    with right:
        _search(held, question)
    found: SearchAnswer | None = lab_work.found(WORK, "cars")
    if found is not None:
        _shown(held, found, question)


def _choose_question(held: Held) -> Question:
    taken = taken_up(held)
    options = [IN_THE_BAY, *([f"the case: {taken.case}"] if taken else [])]
    if st.session_state.get("suspects_of") not in options:
        st.session_state.suspects_of = IN_THE_BAY
    chosen = st.radio("to be explained", options, key="suspects_of", persist_state="session")
    own = changes_at_first(held.bench.log)
    if own and chosen == IN_THE_BAY:
        st.toggle(
            "what was changed first is not known",
            key="suspects_hide",
            help="changes made before the first check count as the fault to be found",
            persist_state="session",
        )
        st.caption("; ".join(lines_of(own, held.car)))
    question = question_now(held)
    with st.container(key="suspects_steps"):
        actions = [action for step in question.steps for action in step.do]
        sheet.show(numbered(lines_of(actions or question.log, held.car)), "suspects_step_list")
    if question.known and chosen == IN_THE_BAY:
        theories = "; ".join(one.removeprefix("theory ") for one in question.known)
        st.caption(f"Supposed about the car: {theories}")
    return question


def _codes(held: Held, question: Question) -> None:
    """Which codes of the last scan matter, before any search."""
    scans = [step.seen for step in question.steps if step.seen.codes or step.seen.silent]
    seen = scans[-1] if scans else None if question.steps else scan_report.seen_in(held.bench.last_report)
    scan_report.which_codes(car_from_text(question.vehicle), seen, "suspects_codes")


def _search(held: Held, question: Question) -> None:
    switch("at once", {one: one for one in MOST}, "suspects_most", SINGLE)
    st.session_state.setdefault("suspects_limit", 5)
    st.select_slider(
        "at most", LIMITS_MIN, format_func="{} min".format, key="suspects_limit", persist_state="session"
    )
    st.multiselect(
        "in addition to what can be unplugged, missing or open",
        list(further_kinds()),
        key="suspects_kinds",
        placeholder="other kinds of faults",
        help="a bus that is shorted, swapped or disturbed from inside a module runs bit by bit: "
        "each such fault takes seconds",
        persist_state="session",
        select_all=False,
    )
    st.toggle(
        "the car may be built differently from its diagram",
        key="suspects_theories",
        help="theories, too: a module waits for another at start-up or shuts down while a code is set, "
        "a bus runs through a connector, another "
        "fuse feeds a module. Only those that could explain a silent module; each is rarer than a fault.",
        persist_state="session",
    )
    st.caption(_sets_words(question), help=f"{odds_words()}\n\n{term('isolation')}")
    start, nothing = partial(_start, held), not (question.steps or question.log)
    button(
        "Find possible causes", "suspects_find", start, icon="person_search", primary=True, disabled=nothing
    )


def _sets_words(question: Question) -> str:
    count, most = len(edits_of(question)), most_at_once()
    sets = 1 + count + (count * (count - 1) // 2 if most > 1 else 0)
    kinds = "faults" if most == 1 else "faults and pairs of faults"
    words = f"{sets:,} {kinds} to try, the likeliest first."
    return f"{words} {THREE_WORDS}" if most == THREE else words


@tells_problems
def _start(held: Held) -> None:
    question, most = question_now(held), most_at_once()
    if not (question.steps or question.log):
        raise EditProblem("nothing to explain yet")
    edits, limit_s = edits_of(question), 60.0 * st.session_state.suspects_limit
    theories = bool(st.session_state.get("suspects_theories"))
    last = st.session_state.get(WORK)
    before = None if last is None else last.found

    def task(workshop: Workshop, progress: Progress, stop: Stop) -> SearchAnswer:
        return search_on(
            question,
            edits,
            most,
            before,
            theories=theories,
            limit_s=limit_s,
            workshop=workshop,
            progress=progress,
            stop=stop,
        )

    lab_work.forget(NEXT)
    lab_work.forget(PLAN)
    lab_work.start(WORK, task)


def _shown(held: Held, found: SearchAnswer, question: Question) -> None:
    suspects = found.result
    if found.question != question:
        st.info(
            "The evidence has changed. Search again: only what is left is run.",
            icon=":material/update:",
        )
    with st.container(key="suspects_found"):
        st.markdown(f"**{found_words(suspects, found.share_left)}**")
        car = suspects.car
        rows = [
            (one.words(car), f"{one.share:.1%}", _alike_words(one, car))
            for one in suspects.causes[:MOST_LISTED]
        ]
        if rows:
            head = ("possible cause", "share of the odds", "alike by the wiring")
            sheet.show(plain_table(head, rows), "suspects_table")
        if len(suspects.causes) > MOST_LISTED:
            st.caption(f"and {len(suspects.causes) - MOST_LISTED} more, each less likely")
        st.caption(DISCLAIMER)
    if suspects.causes:
        _why(suspects)
        next_check.show(found)
        check_plan.show(found)
    elif found.most == THREE or not suspects.waiting:
        st.info(no_cause_words(suspects), icon=":material/person_off:")
    if not suspects.causes and found.most < THREE:
        button(
            "Look for three faults at once",
            "suspects_three",
            partial(_start_three, held),
            icon="looks_3",
            help=THREE_WORDS,
        )
    work = st.session_state.get(NEXT)
    advice: Advice | None = None if work is None else work.found
    report = partial(search_page, suspects, advice, found.share_left)
    download("Report to print", report, "suspects.html", "suspects_report")


def _start_three(held: Held) -> None:
    st.session_state.suspects_most = TRIPLE
    _start(held)


def _alike_words(one: PossibleCause, car: Car) -> str:
    more = f" and {len(one.alike) - MOST_ALIKE} more" if len(one.alike) > MOST_ALIKE else ""
    return "; ".join(fault_set_words(edits, car) for edits in one.alike[:MOST_ALIKE]) + more


def _why(suspects: SearchResult) -> None:
    with st.expander("Why would this cause show what was seen?", key="suspects_why"):
        place = st.selectbox(
            "which",
            list(range(min(len(suspects.causes), MOST_LISTED))),
            key="suspects_which",
            format_func=lambda one: suspects.causes[one].words(suspects.car),
        )
        button("Follow it", "suspects_follow", partial(_follow, suspects))
        followed, reasons = st.session_state.get("suspects_because", (None, ()))
        if followed != (suspects.causes[place], suspects.steps):
            return
        for number, because in enumerate(reasons):
            sheet.show(because_tree(because), f"suspects_because_{number}")
        if not reasons:
            st.caption("Nothing to explain: all modules answer, no codes.")


def _follow(suspects: SearchResult) -> None:
    one = suspects.causes[st.session_state.suspects_which]
    st.session_state.suspects_because = (one, suspects.steps), explained(suspects, one)
