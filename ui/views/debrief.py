"""The debrief: what was wrong and why it showed what it showed, what each check was worth, a shorter way.

What needs no runs is there at once. What each check was worth is measured against every suspect, each of them
run through the same log: that is work of the lab, beside the page.
"""

from __future__ import annotations

import streamlit as st

from sim.lab.report import DISCLAIMER
from sim.lab.workshop import Progress, Stop, Workshop
from sim.training.chain_picture import chain_picture
from sim.training.debrief import Debrief, debrief
from sim.training.debrief_page import as_html, checks_table, sections, suspects_picture
from sim.training.forecast import RunSuspects
from sim.vehicle.words import counted
from ui.drawing import sheet
from ui.drawing.tables import because_tree
from ui.panels.controls import button, download
from ui.state import at_work, lab_work
from ui.state.at_work import AtWork
from ui.state.classroom import plain

WORK = "debrief_work"
CHAINS_OPEN = 2
LEFT = ("What was wrong", "What you handed in", "Your notes")
RIGHT = (
    "Your way there",
    "What a saved report would have told",
    "Your saved report",
    "A short way for this car",
    "What else it could have been when you repaired",
)


def show(held: AtWork) -> None:
    """The page of an exercise that has been handed in."""
    _begin(held)
    st.title(f"Debrief: {held.work.attempt.exercise.exercise}")
    _verdict(held)
    found: Debrief | None = lab_work.found(WORK)
    told: Debrief = found or st.session_state.debrief
    said = dict(sections(told))
    left, right = st.columns([1, 1], gap="large")
    for column, headings in ((left, LEFT), (right, RIGHT)):
        with column:
            for heading in headings:
                _section(heading, said)
    _chains(told)
    _checks(told, measured=found is not None)
    _leave(told, held)
    st.caption(DISCLAIMER)


def _begin(held: AtWork) -> None:
    """The quick part is told at once; the suspects are run beside the page."""
    attempt = held.work.attempt
    if st.session_state.get("debrief_of") == held.work.id:
        return
    after_showing = held.work.after_showing
    with st.spinner("Your log is read once more ..."):
        st.session_state.debrief = debrief(attempt, after_showing=after_showing)
    st.session_state.debrief_of = held.work.id

    def task(workshop: Workshop, progress: Progress, stop: Stop) -> Debrief:
        model = RunSuspects(attempt, workshop, progress, stop)
        return debrief(attempt, model, after_showing=after_showing)

    lab_work.start(WORK, task)


def _verdict(held: AtWork) -> None:
    attempt, result = held.work.attempt, held.work.attempt.result
    assert result is not None
    with st.container(key="verdict"):
        if result.complete:
            st.success("Cause named, repaired, proved.", icon=":material/check_circle:")
        else:
            exact = result.verdict.exact
            steps = (("cause named", exact), ("repaired", result.repaired), ("proved", result.proven))
            words = " · ".join(f"{'✓' if done else '✗ not'} {name}" for name, done in steps)
            st.warning(f"{words}. Handed in, {result.credit:.0%}.", icon=":material/task:")
        st.caption(
            f"{attempt.minutes:.0f} min of labor (aim {attempt.exercise.minutes:g}) · "
            f"parts {attempt.cost:g} · {counted(len(attempt.steps), 'step')} · "
            f"{counted(attempt.hints_taken, 'hint')}"
        )


def _section(heading: str, said: dict[str, list[str]]) -> None:
    lines = said.get(heading)
    if lines:
        st.header(heading, anchor=False)
        st.markdown("\n".join(f"- {plain(' '.join(line.split()))}" for line in lines))


def _chains(told: Debrief) -> None:
    if not told.causes:
        return
    st.header("Why it showed what it showed", anchor=False)
    for place, (name, tree) in enumerate(told.causes):
        with st.expander(name, expanded=place < CHAINS_OPEN, key=f"chain {place}"):
            drawn, words = st.columns([1.4, 1], gap="medium")
            with drawn:
                sheet.show(f'<div class="wide">{chain_picture(tree)}</div>', f"chain_picture_{place}")
            with words:
                sheet.show(because_tree(tree), f"chain_words_{place}")


def _checks(told: Debrief, measured: bool) -> None:
    st.header("Your checks, one by one", anchor=False)
    if not measured:
        st.caption(
            "Working out what each check was worth: every possible cause is run through your log. "
            "You can read on or leave; finished runs are kept."
        )
    with st.container(key="checks"):
        sheet.show(f'<div class="wide">{checks_table(told)}</div>', "checks_table")
    if told.suspects is not None:
        st.markdown("**Possible causes left after each step**")
        sheet.show(suspects_picture(told), "suspects_left")


def _leave(told: Debrief, held: AtWork) -> None:
    with st.container(horizontal=True):
        download("To print", as_html(told), f"debrief-{held.work.id}.html", "print_debrief", icon="print")
        button("Back to the desk", "to_desk", _to_desk, icon="inbox")


def _to_desk() -> None:
    lab_work.forget(WORK)
    at_work.lay_down()
