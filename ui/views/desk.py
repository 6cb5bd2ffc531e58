"""A student's desk: the exercises there are to do, and how far each is."""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.training.curriculum import suggested_path
from sim.training.exams import HELD_BACK
from sim.training.library import Entry
from sim.training.rows import ClassRow, StudentRow, TaskRow
from sim.vehicle.problems import Problem
from sim.vehicle.words import counted
from ui.panels.controls import button
from ui.panels.exam import exam_words
from ui.state import at_work, classroom
from ui.state.choices import LEVELS
from ui.state.classroom import plain


def show() -> None:
    """The page."""
    if st.session_state.pop("to_the_exercise", False) and st.session_state.get("work") is not None:
        st.switch_page(st.session_state.entries["exercise"])
    student = classroom.student()
    if student is None:
        st.info("This address belongs to no student. Join a class first.", icon=":material/login:")
        return
    group = classroom.records().classes.get(student.class_id)
    st.session_state.desk_news = classroom.signal_of(student.class_id).news  # what is drawn now has it
    st.title("My jobs" if group.private else f"{plain(student.name)}'s jobs")
    if not group.private:
        st.caption(f"Class {plain(group.name)}")
    problem = st.session_state.pop("desk_problem", "")
    if problem:
        st.error(plain(problem), icon=":material/block:")
    if student.admitted:
        _tasks(student, group)
    else:
        st.info("The instructor lets you in: wait here a moment.", icon=":material/hourglass_top:")
        _wait_for_more(student)
    if group.private:
        _choose(student)
    with st.popover("Leave these jobs", icon=":material/logout:"):
        st.markdown(
            "Your work is kept, but this browser forgets your jobs. This address brings you back, on any "
            "machine: copy it first."
        )
        st.code(
            classroom.address(f"?{classroom.STUDENT}={st.session_state.student_key}"),
            language=None,
            wrap_lines=True,
        )
        button("Leave", "leave", _leave, icon="logout")
    if not group.private:
        with st.container(horizontal=True):
            _pin(student)
            _together(student)


def _pin(student: StudentRow) -> None:
    with st.popover("PIN for shared computers", icon=":material/pin:"):
        has = classroom.records().pins.has_one(student.id)
        st.markdown("With class code, name and PIN you come back on any computer, without this address.")
        with st.form("choose_pin", clear_on_submit=True, border=False):
            st.text_input("a PIN of 4 to 8 digits", key="new_pin", max_chars=8, type="password")
            st.form_submit_button("Change it" if has else "Choose it", on_click=_choose_pin)
        if st.session_state.pop("pin_kept", False):
            st.success("The PIN is kept.", icon=":material/check:")


def _together(student: StudentRow) -> None:
    words = f"Together with {plain(student.partner)}" if student.partner else "Two work together"
    with st.popover(words, icon=":material/group:"):
        st.markdown("On the exercise you say who has the tools; the instructor sees who did what.")
        with st.form("together", border=False):
            st.text_input("name of the second", student.partner, 60, key="partner_name")
            st.form_submit_button("Keep it", on_click=_sit_together)


def _sit_together() -> None:
    student = classroom.student()
    try:
        if student is not None:
            classroom.records().students.sit_together(student.id, st.session_state.partner_name)
    except Problem as problem:
        st.session_state.desk_problem = str(problem)


def _choose_pin() -> None:
    student = classroom.student()
    if student is None:
        return
    try:
        if not st.session_state.new_pin:
            raise Problem("type a PIN first")
        classroom.records().pins.choose(student.id, st.session_state.new_pin)
        st.session_state.pin_kept = True
    except Problem as problem:
        st.session_state.desk_problem = str(problem)


def _leave() -> None:
    at_work.lay_down()
    classroom.leave()


def _tasks(student: StudentRow, group: ClassRow) -> None:
    tasks = classroom.records().assignments.desk(student.id)
    if not tasks:
        words = "What the instructor gives the class appears here by itself."
        if group.private:
            words = "Choose an exercise below and begin."
        st.info(f"You have no jobs yet. {words}", icon=":material/inbox:")
    shut = classroom.records().exams.shut_for(student.id)
    for task in tasks:
        _task(task, task.assignment.id in shut)
    if not group.private:
        _wait_for_more(student)


@st.fragment(run_every=at_work.LOOK_EVERY_S)
def _wait_for_more(student: StudentRow) -> None:
    """A new exercise of the class appears without a refresh."""
    classroom.come_back()
    try:
        signal = classroom.signal_of(student.class_id)
    except Problem:  # erased meanwhile
        st.rerun()
    if st.session_state.desk_news != signal.news:
        st.rerun()


def _task(task: TaskRow, shut: bool) -> None:
    given = task.assignment
    with st.container(border=True, gap="xsmall", key=f"task {given.id}"):
        words, icon = "Debrief", "fact_check"
        if task.attempt_id is None:
            words, icon = "Begin", "play_arrow"
        elif not task.handed_in:
            words, icon = "Go on", "arrow_forward"
        elif task.complete is None:
            words, icon = "Handed in", "task"
        begin = partial(at_work.begin, given.id)
        title = f"{words}: {plain(given.exercise)}"
        button(title, f"open {given.id}", begin, icon=icon, primary=not task.complete, disabled=shut)
        st.caption(f":material/lock: {HELD_BACK}" if shut else _state(task))


def _state(task: TaskRow) -> str:
    given = task.assignment
    kind = exam_words(given) + (", steps can be taken back" if given.practice else "")
    if task.attempt_id is None:
        return f":material/radio_button_unchecked: not begun · {kind}"
    steps = f"{counted(task.steps, 'step')}, {task.minutes:.0f} min of labor"
    if task.handed_in and task.complete is None:
        return f":material/task: handed in{', late' if task.late else ''} · {exam_words(given)}"
    if task.complete is None:
        return f":material/pending: begun · {steps} · {kind}"
    end = "solved and proved" if task.complete else f"handed in, {task.credit:.0%}"
    after = " · late" if task.late else ""
    after += " · after the solution was shown" if task.after_showing else ""
    return f":material/{'check_circle' if task.complete else 'task'}: {end}{after} · {steps}"


# -- at home -----------------------------------------------------------------------------------------------


def _choose(student: StudentRow) -> None:
    st.header("From the curriculum", anchor=False)
    # what an instructor has written here may be the exam of tomorrow, and a debrief tells all
    known = suggested_path([entry for entry in classroom.library().entries() if not entry.own])
    in_exams = classroom.exercises_in_exams(tuple(entry.name for entry in known))
    topics = list(dict.fromkeys(one.exercise.topic for one in known))
    topic = st.pills("topic", topics, key="topic", label_visibility="collapsed")
    with st.container(horizontal=True, gap="small", key="offers"):  # a grid: see the style of all pages
        for entry in known:
            if topic in (None, entry.exercise.topic):
                _offer(student, entry, entry.name in in_exams)


def _offer(student: StudentRow, entry: Entry, in_exam: bool) -> None:
    exercise = entry.exercise
    with st.container(gap="xxsmall", key=f"offer {entry.name}"):
        words = (
            f"{plain(exercise.topic)} · level {LEVELS[exercise.level]} · "
            f"{exercise.minutes:g} min of labor · {plain(exercise.whole_car.title)}"
        )
        help = "A class has it as an exam now: it comes back when the exam is released." if in_exam else None
        take = partial(at_work.begin_entry, student, entry)
        # named by its title: fifty buttons "Begin" could not be told apart by ear
        button(
            plain(exercise.exercise),
            f"take {entry.name}",
            take,
            icon="play_arrow",
            disabled=in_exam,
            help=help,
        )
        st.caption(words)
