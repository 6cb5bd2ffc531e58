"""The debrief: a picture of what was wrong and what followed, the way there, good method, each check's worth.

What needs no runs is there at once. What each check was worth is measured against every suspect, each of them
run through the same log: that is work of the lab, beside the page.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import streamlit as st

from sim.lab.report import DISCLAIMER
from sim.lab.workshop import Progress, Stop, Workshop
from sim.training.attempt import Attempt
from sim.training.chain_picture import chain_picture
from sim.training.debrief import Debrief, debrief, first_read
from sim.training.debrief_page import (
    aftermath_picture,
    also,
    as_html,
    checks_table,
    method_list,
    sections,
    ticks,
)
from sim.training.forecast import RunSuspects
from sim.training.good_method import SOURCE
from sim.training.library import Entry
from sim.training.rows import StudentRow, TaskRow
from sim.vehicle.car import Car
from sim.vehicle.edits import parse_edit
from sim.vehicle.words import counted
from ui.drawing import sheet
from ui.drawing.tables import because_tree
from ui.drawing.term_sheets import percent, rubric
from ui.panels import maps
from ui.panels.controls import button, download
from ui.panels.help import term
from ui.state import at_work, classroom, lab_work, turns
from ui.state.at_work import AtWork
from ui.state.classroom import plain
from ui.state.visible import visible_to_student

WORK = "debrief_work"
# A first answer is there in seconds, and better ones follow: so many of the likeliest causes, and how much
# of the whole work is done with them, in hundredths; our own choice.
STAGES: tuple[tuple[int | None, int], ...] = ((12, 10), (60, 30), (None, 100))
RUNS = "Every possible cause is run through your log, to tell what each check was worth"
CHAINS_OPEN = 1
LEFT = ("What was wrong", "What you handed in", "Your notes")
RIGHT = (
    "Your way there",
    "What a saved report would have told",
    "A short way for this car",
    "What else it could have been when you repaired",
)


def show(held: AtWork) -> None:
    """The page of an exercise that has been handed in."""
    _begin(held)
    st.title(f"Debrief: {held.work.attempt.exercise.exercise}")
    found: Debrief | None = lab_work.found(WORK, told=RUNS)
    told: Debrief = found or st.session_state.debrief
    _picture(held, told)
    _go_on(held)
    said = dict(sections(told))
    left, right = st.columns([1, 1], gap="large")
    with left:
        for heading in LEFT:
            _section(heading, said)
        _method(told)
        _marks(held)
    with right:
        for heading in RIGHT:
            _section(heading, said)
    _chains(told)
    _checks(told)
    download("To print", as_html(told), f"debrief-{held.work.id}.html", "print_debrief", icon="print")
    st.caption(DISCLAIMER)


def _begin(held: AtWork) -> None:
    """The quick part is told at once; the suspects are run beside the page."""
    attempt = held.work.attempt
    if st.session_state.get("debrief_of") == held.work.id:
        return
    after_showing = held.work.after_showing
    with st.spinner("Your log is read once more ..."):
        st.session_state.debrief = debrief(attempt, after_showing=after_showing)
        st.session_state.debrief_seen = visible_to_student(
            Attempt.replay(attempt.exercise, first_read(attempt))
        )
    st.session_state.debrief_of = held.work.id

    def task(workshop: Workshop, progress: Progress, stop: Stop) -> Iterator[Debrief]:
        begins = 0
        for most, ends in STAGES:
            model = RunSuspects(attempt, workshop, _from_to(progress, begins, ends), stop, most)
            yield debrief(attempt, model, after_showing=after_showing)
            begins = ends

    lab_work.start(WORK, task)


def _from_to(progress: Progress, begins: int, ends: int) -> Progress:
    """A progress in hundredths that is a part of a longer one: the whole never goes back."""
    return lambda done, of: progress(begins + (ends - begins) * done // of, 100)


def _picture(held: AtWork, told: Debrief) -> None:
    """The car as it was first read, and beside it the ticks, and what followed from what was wrong."""
    attempt, result = held.work.attempt, told.result
    words, car = st.columns([1, 1.4], gap="large", vertical_alignment="center")
    with words, st.container(key="verdict"):
        sheet.show(ticks(told), "debrief_ticks", news=f"debrief {held.work.id}")
        credit = "" if result.credit >= 1 else f"credit {result.credit:.0%} · "
        st.caption(
            f"{credit}{attempt.minutes:.0f} min of labor (aim {attempt.exercise.minutes:g}) · "
            f"parts {attempt.cost:g} · {counted(len(attempt.steps), 'step')} · "
            f"{counted(attempt.hints_taken, 'hint')}"
        )
        sheet.show(aftermath_picture(told), "debrief_aftermath")
    with car:
        _map(held, _on_the_map(told, held.car))


@turns.fragment
def _map(held: AtWork, picked: str) -> None:
    maps.fitted_map(held.car, held.layout, st.session_state.debrief_seen, "debrief_map", picked)


def _on_the_map(told: Debrief, car: Car) -> str:
    """The module or in-line connector where the first hidden edit is; empty if the map shows none."""
    for edit in told.attempt.exercise.arrives:
        for part in parse_edit(edit, told.attempt.exercise.real_car).targets:
            pin = car.pins.get(part)
            plug = car.connectors.get(pin.connector if pin else part)
            owner = plug.owner if plug else part
            if owner in car.claimed.modules:
                return f"module {owner}"
            if plug is not None:
                return f"connector {plug.id}"
    return ""


def _go_on(held: AtWork) -> None:
    """The next exercise, or back to where there are more."""
    with st.container(horizontal=True, key="go_on"):
        following = _next_task(held)
        if following is not None:
            words = (
                f"{'Go on with' if following.attempt_id else 'Next'}: {plain(following.assignment.exercise)}"
            )
            start = partial(_to_next, following.assignment.id)
            button(words, "next_exercise", start, icon="arrow_forward", primary=True)
        entry = at_work.next_entry(held) if following is None else None
        if entry is not None:
            start = partial(_to_next_entry, held.student, entry)
            words = f"Next: {plain(entry.exercise.exercise)}"
            button(words, "next_entry", start, icon="arrow_forward", primary=True)
        primary = following is None and entry is None
        button("All exercises", "to_desk", _to_desk, icon="inbox", primary=primary)


def _next_task(held: AtWork) -> TaskRow | None:
    """The next exercise on the desk that is not handed in, after this one, else before it."""
    tasks = classroom.records().assignments.desk(held.student.id)
    open_ones = [one for one in tasks if not one.handed_in and one.assignment.id != held.assignment.id]
    after = [one for one in open_ones if one.assignment.id > held.assignment.id]
    return next(iter(after or open_ones), None)


def _to_next(assignment_id: int) -> None:
    lab_work.forget(WORK)
    at_work.begin(assignment_id)


def _to_next_entry(student: StudentRow, entry: Entry) -> None:
    lab_work.forget(WORK)
    at_work.begin_entry(student, entry)


def _marks(held: AtWork) -> None:
    """What the attempt is worth by the rubric, and what the instructor says of it."""
    cell, weights = classroom.records().terms.of_attempt(held.work.id)
    if not cell.reasons:
        return
    st.header(f"Mark: {percent(cell.rubric)}", anchor=False)
    st.caption("By the rubric. The credit is the exercise's own: cause named, repaired, proved, good method.")
    if cell.comment:
        st.info(f"The instructor says: {plain(cell.comment)}", icon=":material/rate_review:")
    sheet.show(rubric(cell, weights), "debrief_rubric")


def _method(told: Debrief) -> None:
    if told.method:
        done = sum(one.done for one in told.method)
        st.subheader("Good method", anchor=False, help=term("load test", "voltage drop", "root cause"))
        counts = (
            "" if told.result.method is None else f" A fifth of the credit: {told.result.method:.0%} of it."
        )
        st.caption(
            f"{done} of {len(told.method)} rules of the trade that this job called for ({SOURCE}).{counts}"
        )
        sheet.show(method_list(told), "debrief_method")


def _section(heading: str, said: dict[str, list[str]]) -> None:
    lines = said.get(heading)
    if lines:
        st.header(heading, anchor=False)
        st.markdown("\n".join(f"- {plain(' '.join(line.split()))}" for line in lines))


def _chains(told: Debrief) -> None:
    if not told.chains:
        return
    help = None if told.method else term("root cause")  # two question marks would have the same name
    st.subheader("Why it showed what it showed", anchor=False, help=help)
    for place, one in enumerate(told.chains):
        with st.expander(one.title, expanded=place < CHAINS_OPEN, key=f"chain {place}"):
            drawn, words = st.columns(2, gap="medium")
            with drawn:
                picture = chain_picture(one.tree, bool(st.session_state.get("narrow")))
                sheet.show(f'<div class="wide">{picture}</div>', f"chain_picture_{place}")
            with words:
                sheet.show(because_tree(one.tree), f"chain_words_{place}")
                if one.also:
                    st.caption(plain(also(one)))


def _checks(told: Debrief) -> None:
    st.subheader("Your checks, one by one", anchor=False)
    if told.suspects and lab_work.is_going_on(WORK):
        st.caption(
            f"So far against the {told.suspects} likeliest causes. More are being run; this follows them."
        )
    with st.container(key="checks"):
        sheet.show(f'<div class="wide">{checks_table(told)}</div>', "checks_table")


def _to_desk() -> None:
    lab_work.forget(WORK)
    at_work.lay_down()
