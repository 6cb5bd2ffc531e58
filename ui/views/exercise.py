"""A student's exercise: work order, the customer's car, notes, hints, log, hand-in."""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.bench.action_words import words_of
from sim.training.answers import cause_words
from sim.training.attempt import HINT_MINUTES
from sim.training.exercise import Exercise
from sim.vehicle.problems import Problem
from ui.drawing import sheet
from ui.drawing.class_sheets import step_cards, step_table
from ui.panels import changed_since, customer, hand_in, maps, result_strip
from ui.panels.cautions import MAKER
from ui.panels.controls import button, switch
from ui.panels.exam import show_handed_in, show_time_left
from ui.state import at_work, classroom, turns
from ui.state.at_work import LOOK_EVERY_S, PAUSED, AtWork
from ui.state.classroom import plain
from ui.state.visible import Visible
from ui.state.work import ask, ask_to_do, work_off
from ui.views import bay, debrief

PANELS = {
    "Order": (),
    "Seat": ("seat",),
    "Part": (),
    "Work": ("unplug", "fuses", "battery", "bypass", "repair"),
    "Tester": ("scan", "clear", "program"),
    "Measure": ("meter", "lamp", "eye"),
    "Scope": ("scope",),
    "Log": (),
    "Hand in": (),
}


def show() -> None:
    """The page: one fragment for the work, and a small one that listens to the instructor."""
    held: AtWork = st.session_state.work
    if held.is_over and held.may_be_told:
        debrief.show(held)
        return
    changed_since.show(held.work.program, held.work.differs_at)
    _listen(held)
    if held.is_over:
        show_handed_in(held)
        return
    _exercise()


@st.fragment(run_every=LOOK_EVERY_S)
def _listen(held: AtWork) -> None:
    classroom.come_back()
    if held.has_news():
        try:
            held.take_in_news()
        except Problem as problem:  # taken back, or erased meanwhile: the next run finds no student
            at_work.lay_down()
            st.session_state.desk_problem = str(problem)
        st.rerun()
    if not held.is_over:
        show_time_left(held)


@turns.fragment
def _exercise() -> None:
    held: AtWork = st.session_state.work
    work_off(held, st.empty())
    if held.is_over:
        st.rerun()
    visible = held.visible()
    _headline(held, visible)
    _from_the_instructor(held)
    strip = st.container(key="in_sight")
    bay.beside_the_map(lambda: _map(held, visible), lambda: _shown(held), lambda: _right(held, visible))
    with strip:
        result_strip.show(held, visible)
        maps.show_small(held, visible, partial(_picked_on_map, "mini"))
    at_work.keep_panel()


def _map(held: AtWork, visible: Visible) -> None:
    maps.show(held, visible, _picked_on_map, f"exercise {held.assignment.exercise}")


def _picked_on_map(key: str = "map") -> None:
    """A part opens in its panel; where causes are named it is what a cause is named of."""
    if st.session_state.get("panel") == "Hand in" and sheet.picked(key):
        hand_in.take(sheet.picked(key).rpartition(" ")[2])
    else:
        bay.picked_on_map(key)


def _right(held: AtWork, visible: Visible) -> None:
    if held.signal.paused:
        _order(held)
    else:
        _panels(held, visible)


def _headline(held: AtWork, visible: Visible) -> None:
    attempt = held.work.attempt
    with st.container(horizontal=True, vertical_alignment="center", gap="small", key="headline"):
        st.markdown(f"**{plain(attempt.exercise.exercise)}** · {plain(held.car.title)}", width="content")
        st.markdown(
            f"ignition **{visible.seat.ignition}** · {visible.seat.what} **{visible.seat.engine_words}**"
            f"{visible.seat.heard}",
            width="content",
        )
        with st.container(key="shop_time", width=260):
            aim = attempt.exercise.minutes
            words = f"labor **{attempt.minutes:.0f}** of {aim:g} min · parts **{attempt.cost:g}**"
            st.progress(min(attempt.minutes / aim, 1.0), words)
        st.space("stretch")
        _hand_and_tools(held)
        if not held.signal.paused:
            bay.let_time_pass()


def _hand_and_tools(held: AtWork) -> None:
    """Ask for the instructor; of two at one desk, who has the tools."""
    student = classroom.student()
    if student is None or student.class_id != held.assignment.class_id or at_work.is_alone(student):
        return
    if student.partner:
        names = {"": plain(student.name), student.partner: plain(student.partner)}
        switch("who has the tools", names, "tools_of", "")
        held.work.by_whom = st.session_state.tools_of or ""
    up = student.hand_up_s is not None
    words = "Lower my hand" if up else "Raise a hand"
    button(words, "hand", partial(_hand, not up), icon="front_hand", primary=up)


def _hand(up: bool) -> None:
    student = classroom.student()
    if student is not None:
        classroom.records().students.raise_hand(student.id, up)


def _from_the_instructor(held: AtWork) -> None:
    if held.signal.paused:
        with st.container(key="paused"):
            st.warning(PAUSED[0].upper() + PAUSED[1:] + ".", icon=":material/pause_circle:")
    here = [one for one in held.messages if one.assignment_id in (None, held.assignment.id)]
    for message in here[:1]:
        with st.container(key="message"):
            st.info(f"The instructor says: {plain(message.words)}", icon=":material/campaign:")
    if held.assignment.revealed:
        exercise = held.work.attempt.exercise
        causes = (cause_words(text, exercise.real_car) for text in exercise.arrives)
        hidden = "; ".join(causes) or "nothing is wrong with this car"
        with st.container(key="revealed"):
            st.info(f"The instructor shows what is hidden: {plain(hidden)}", icon=":material/visibility:")


def _shown(held: AtWork) -> None:
    """What the last work has shown."""
    with st.container(key="what_it_showed"):
        if held.steps:
            sheet.show(step_cards(held.steps, held.car), "step_cards")


def _panels(held: AtWork, visible: Visible) -> None:
    names = [name for name, tools in PANELS.items() if not tools or set(tools) & set(visible.tools)]
    if st.session_state.get("panel") not in names:
        st.session_state.panel = names[0]
    others = {
        "Order": partial(_order, held),
        "Log": partial(_log, held),
        "Hand in": partial(hand_in.show, held, _proof(held)),
    }
    if bay.show_panels(held, visible, names, others) == "Seat":
        bay.choose_pause("time that passes after each of these")


# -- work order, notes, hints --------------------------------------------------------------------------------


def _order(held: AtWork) -> None:
    exercise = held.work.attempt.exercise
    order = exercise.work_order
    with st.container(border=True, key="order"):
        st.markdown(f"**Work order** · {plain(order.customer)}")
        st.markdown(f"“{plain(order.words)}”")
        if order.history:
            st.caption(f"Vehicle history: {plain(order.history)}")
        customer.show(held)
    st.markdown(f"**To learn**: {plain(exercise.goal)}")
    st.markdown(f"**Proof of repair**: {_proof(held)}.")
    for line in exercise.safety:
        st.caption(f":material/warning: {plain(line)}")
    if not any("service information" in line for line in exercise.safety):
        st.caption(f":material/warning: {MAKER}")
    if not held.signal.paused:
        _hints(held, exercise)
        _notes(held)
    if len(held.messages) > 1:
        with st.expander(f"What the instructor said: {len(held.messages)}", key="said_box"):
            st.markdown("\n".join(f"- {plain(one.words)}" for one in held.messages))


PROOF_WORDS = {
    "scan": "codes cleared, ignition on for a while, then a scan without codes or silent modules",
    "start": "the engine starts",
    "sleep": "the parked car falls asleep, measured in amps at the battery",
}


def _proof(held: AtWork) -> str:
    return "; ".join(PROOF_WORDS[one] for one in held.work.attempt.exercise.proof)


def _hints(held: AtWork, exercise: Exercise) -> None:
    attempt, of = held.work.attempt, len(exercise.hints)
    if not of:
        return
    with st.container(key="hints"):
        for number in attempt.known_hints:
            words = plain(exercise.hints[number - 1])
            free = " from the instructor" if number not in attempt.paid_hints else ""
            st.markdown(f":material/lightbulb: **Hint {number}**{free}: {words}")
        if attempt.next_hint is not None:
            words = f"Take hint {attempt.next_hint} of {of}: costs {HINT_MINUTES:g} min"
            button(words, "take_hint", partial(ask, at_work.hint, attempt.next_hint), icon="lightbulb")


def _notes(held: AtWork) -> None:
    notes = held.work.attempt.notes
    with st.form("note", clear_on_submit=True, border=False):
        st.text_area(
            "your notes", key="note_text", max_chars=2000, height=80, placeholder="what you have seen"
        )
        st.form_submit_button("Save note", on_click=_note)
    if notes:
        with st.container(key="notes"):
            st.markdown("\n".join(f"- {plain(words)}" for words in notes))


def _note() -> None:
    ask(at_work.note, st.session_state.note_text)


# -- log ---------------------------------------------------------------------------------------------------


def _log(held: AtWork) -> None:
    attempt = held.work.attempt
    _do_again(held)
    if not attempt.steps:
        st.caption("Nothing done yet.")
        return
    with st.container(key="log"):
        sheet.show(step_table(attempt.steps, held.car), "log_lines")
    if not attempt.practice:
        st.caption("What is done is done: this exercise has one attempt.")
        return
    log = attempt.log
    with st.container(horizontal=True, vertical_alignment="bottom"):
        st.selectbox(
            "practice: back to after", list(range(len(log) - 1, -1, -1)), key="rewind_to",
            format_func=lambda kept: f"{kept}. {words_of(log[kept - 1], held.car)}" if kept else "the start",
        )  # fmt: skip
        button("Rewind", "rewind", _back, icon="undo")


def _back() -> None:
    ask(at_work.rewind, st.session_state.rewind_to)


def _do_again(held: AtWork) -> None:
    if held.taken_back:
        words, redo = f"Redo: {len(held.taken_back)}", partial(ask_to_do, pause_s=0)
        what = plain("; ".join(words_of(text, held.car) for text in held.taken_back))
        button(words, "do_again", partial(redo, *held.taken_back), icon="redo", help=what)
