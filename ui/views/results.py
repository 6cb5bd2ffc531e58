"""Results over the term: everybody by every exercise, topics, marks by the rubric, rewound or not."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import streamlit as st

from sim.training.rubric import CRITERIA, LONGEST_COMMENT, MOST_WEIGHT
from sim.training.term import HandInSummary, Term
from sim.vehicle.problems import Problem
from sim.vehicle.words import counted
from ui.drawing import sheet
from ui.drawing.tables import plain_table
from ui.drawing.term_sheets import by_name, matrix, percent, rubric, topics
from ui.panels import platform
from ui.panels.controls import button, one_of, tabs
from ui.state import classroom
from ui.state.choices import distinct
from ui.views.classes import choose_class, take_away

PARTS = ("Students", "Topics", "Not begun", "Rewound or not", "Weights", "Platform")
SLIDERS_PX = 640
WHO, WHAT = "results_student", "results_exercise"


def show() -> None:
    """The page."""
    classroom.show_outcome()
    st.title("Results")
    known = classroom.my_classes()
    if not known:
        st.caption("No class has been opened yet: the page Classes does that.")
        return
    group = choose_class(known)
    term = classroom.records().terms.of_class(group.id)
    part = tabs("part of the results", PARTS, "results_part", PARTS[0])
    if part == "Platform":
        platform.show()
    elif not term.assignments or not term.students:
        st.caption("Results appear here when the class has students and exercises.")
    else:
        SHOWN[part](term)
        take_away(group)


def _everybody(term: Term) -> None:
    sheet.show(matrix(term), "term_matrix", _picked)
    with st.expander("The exercises by their numbers"):
        rows = [
            (f"{number}", given.exercise, given.topic, "taken back" if given.withdrawn_s else "")
            for number, given in enumerate(term.assignments, start=1)
        ]
        sheet.show(plain_table(("", "exercise", "topic", ""), rows), "term_numbers")
    _one_attempt(term)


def _picked() -> None:
    who, _, what = sheet.picked("term_matrix").partition(" ")
    if what:
        st.session_state[WHO], st.session_state[WHAT] = int(who), int(what)


def _topics(term: Term) -> None:
    sheet.show(topics(term), "term_topics")
    st.caption(
        "Complete exercises of those given. A check mark: mastered, that is, the latest two hand-ins of the "
        "topic are complete, and not after the solution was shown."
    )


def _not_begun(term: Term) -> None:
    given = [one for one in term.assignments if one.withdrawn_s is None]
    rows = [(one.exercise, ", ".join(who.name for who in by_name(term.not_begun(one.id)))) for one in given]
    sheet.show(plain_table(("exercise", "not begun by"), [row for row in rows if row[1]]), "term_not_begun")
    if not any(row[1] for row in rows):
        st.caption("Every student has begun every exercise.")
    absent = classroom.records().classes.not_joined(term.group.id)
    if absent:
        st.caption(f"On the class list, not joined yet: {classroom.plain(', '.join(absent))}.")


def _compared(term: Term) -> None:
    straight, rewound = term.compared()
    rows = [("never rewound", *_cells(straight)), ("rewound", *_cells(rewound))]
    head = ("hand-ins of practice", "how many", "complete", "mean credit", "mean minutes")
    sheet.show(plain_table(head, rows), "term_compared")
    st.caption("Minutes are those of the steps that count: what was taken back is not among them.")


def _cells(one: HandInSummary) -> tuple[str, ...]:
    if not one.count:
        return "0", "", "", ""
    return f"{one.count}", f"{one.complete}", percent(one.credit), f"{one.minutes:.0f}"


# -- one attempt -------------------------------------------------------------------------------------------


def _one_attempt(term: Term) -> None:
    st.header("One attempt", anchor=False)
    with st.container(horizontal=True):
        who = one_of("student", distinct({one.id: one.name for one in by_name(term.students)}), WHO)
        what = one_of("exercise", distinct({one.id: one.exercise for one in term.assignments}), WHAT)
    cell = term.cells.get((who, what))
    if cell is None:
        st.caption("Not begun.")
        return
    state = f"{counted(cell.steps, 'step')}, {cell.minutes:.0f} min, {counted(cell.hints, 'hint')}"
    state += f", {counted(cell.taken_back, 'step')} taken back" if cell.taken_back else ""
    st.caption(state)
    done = classroom.records().attempts.who_did(cell.attempt_id)
    if set(done) - {""}:
        name = next(one.name for one in term.students if one.id == who)
        told = ", ".join(f"{by or name} {counted(steps, 'step')}" for by, steps in done.items())
        st.caption(classroom.plain(f"Two worked together: {told}."))
    if button("Replay on the projector", "replay_result", icon="slideshow"):
        st.session_state.replay_attempt = cell.attempt_id
        st.switch_page(st.session_state.entries["replay"])
    if cell.handed_in_s is None:
        return
    if not cell.reasons:
        button("Work out the rubric from the log", "work_out", _worked_out, icon="calculate")
        return
    if cell.evidence:
        st.markdown(f"Evidence: {classroom.plain(cell.evidence)}")
    sheet.show(rubric(cell, term.weights), "term_rubric")
    if cell.marked_by:
        said = f"“{cell.comment}”" if cell.comment else ""
        st.caption(classroom.plain(f"Marked by {cell.marked_by}. {said}".strip()))
    with st.expander("Change a mark, or comment", icon=":material/rate_review:"):
        _review(cell.attempt_id, dict(cell.reviewed), cell.comment)


def _review(attempt_id: int, reviewed: dict[str, float], comment: str) -> None:
    with st.form(f"review_{attempt_id}", border=False):
        with st.container(horizontal=True):
            for one in CRITERIA:
                key = f"mark_{one.name}_{attempt_id}"
                known = round(100 * reviewed[one.name]) if one.name in reviewed else None
                st.number_input(
                    f"{one.name}, %", 0, 100, known, step=10, key=key, width=140, placeholder="by rule"
                )
        st.text_area("comment", comment, key=f"comment_{attempt_id}", max_chars=LONGEST_COMMENT, height=80)
        st.form_submit_button("Keep the marks", on_click=_reviewed)
    st.caption("An empty field counts as the rule says. The student sees marks and comment in the debrief.")
    button("Apply the rules again", "work_out", _worked_out, icon="calculate")
    st.caption(
        "Marks by the rules are those of the hand-in. A later version of busbay may have better rules."
    )


def _attempt_now() -> int:
    state: Any = st.session_state
    cell = classroom.records().terms.of_class(classroom.class_now().id).cells.get((state[WHO], state[WHAT]))
    if cell is None:
        raise Problem("choose an attempt first")
    return cell.attempt_id


@classroom.instructor_only
def _reviewed() -> str:
    attempt_id, state = _attempt_now(), st.session_state
    marked = {one.name: state.get(f"mark_{one.name}_{attempt_id}") for one in CRITERIA}
    marks = {name: mark / 100 for name, mark in marked.items() if mark is not None}
    comment, who = state.get(f"comment_{attempt_id}") or "", classroom.instructor().called
    classroom.records().terms.review(attempt_id, marks, comment, who)
    told = ", ".join(f"{name} {percent(mark)}" for name, mark in marks.items()) or "all by the rules"
    classroom.traced(f"marks: {told}", state[WHO], state[WHAT])
    return "the marks are kept"


@classroom.instructor_only
def _worked_out() -> str:
    attempt_id, terms = _attempt_now(), classroom.records().terms
    before = terms.of_attempt(attempt_id)[0].reasons
    now = terms.work_out(attempt_id)
    changed = [
        f"{name} {percent(before[name].score) if name in before else 'none'} to {percent(one.score)}"
        for name, one in now.items()
        if one != before.get(name)
    ]
    if not changed:
        return "the rules say what they said at the hand-in"
    words = f"the rules were applied again: {', '.join(changed)}"
    return classroom.traced(words, st.session_state[WHO], st.session_state[WHAT])


# -- weights -----------------------------------------------------------------------------------------------


def _weights(term: Term) -> None:
    with st.form(f"weights_{term.group.id}", border=False, width=SLIDERS_PX):
        for one in CRITERIA:
            st.slider(
                f"{one.name}: {one.asks}", 0, MOST_WEIGHT, round(term.weights[one.name]),
                key=f"weight_{one.name}_{term.group.id}",
            )  # fmt: skip
        st.form_submit_button("Keep the weights", on_click=_weighed)
    st.caption("0: does not count. The mark is the weighted mean of the criteria that a job calls for.")


@classroom.instructor_only
def _weighed() -> str:
    group, state = classroom.class_now(), st.session_state
    weights = {one.name: float(state[f"weight_{one.name}_{group.id}"]) for one in CRITERIA}
    classroom.records().terms.set_weights(group.id, weights)
    told = ", ".join(f"{name} {weight:g}" for name, weight in weights.items())
    return classroom.traced(f"the weights are kept: {told}")


SHOWN: dict[str, Callable[[Term], None]] = {
    "Students": _everybody,
    "Topics": _topics,
    "Not begun": _not_begun,
    "Rewound or not": _compared,
    "Weights": _weights,
}
