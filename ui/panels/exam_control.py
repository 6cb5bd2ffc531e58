"""What an instructor decides about an exam and about who may join: times, release, list, approval."""

from __future__ import annotations

import time

import streamlit as st

from sim.training.class_list import read_class_list
from sim.training.exams import LONGEST_EXAM_MIN
from sim.training.rows import AssignmentRow, BoardRow, ClassRow
from sim.vehicle.problems import Problem
from sim.vehicle.words import counted
from ui.panels.controls import button
from ui.panels.exam import clock_words, exam_words
from ui.state import classroom
from ui.state.choices import distinct
from ui.state.limits import FILE_MB

MORE_MIN = 10
LONGEST_LIST = 100_000


def choose_times() -> None:
    """Fields of an exam that is given: begins in so many minutes, lasts so many (0: no end)."""
    with st.container(horizontal=True):
        st.number_input("begins in, min", 0, LONGEST_EXAM_MIN, key="give_begins", step=5)
        st.number_input("lasts, min (0: no end)", 0, LONGEST_EXAM_MIN, key="give_lasts", step=5)
    st.caption("What is found stays between student and instructor until you release it on the board.")


def control_exam(given: AssignmentRow) -> None:
    """End it later, release it to all."""
    if given.practice:
        return
    st.markdown(f"**{exam_words(given).capitalize()}**")
    if given.released_s is not None:
        return
    elsewhere = classroom.records().exams.opened_elsewhere(given.id)
    if elsewhere:
        told = "; ".join(f"{name}, {counted(count, 'student')}" for name, count in elsewhere.items())
        st.warning(
            f"Opened in another class since this exam was given: {classroom.plain(told)}. "
            "Have the exercise taken back there until you release the exam.",
            icon=":material/visibility:",
        )
    with st.container(horizontal=True):
        button(f"{MORE_MIN} min more", "exam_more", _more, icon="more_time")
        button("Ends now", "exam_ends", _end, icon="alarm_off")
    sure = st.checkbox("the class may see verdict and solution", key=f"release_sure_{given.id}")
    button("Release the exam to all", "release_all", _release, icon="lock_open", disabled=not sure)


@classroom.instructor_only
def _more() -> str:
    given = _given_now()
    due_s = max(given.due_s or time.time(), time.time()) + 60 * MORE_MIN
    classroom.records().exams.end_at(given.id, due_s)
    return classroom.traced(f"the exam ends at {clock_words(due_s)}", assignment_id=given.id)


@classroom.instructor_only
def _end() -> str:
    given = _given_now()
    classroom.records().exams.end_at(given.id, time.time())
    return classroom.traced("the exam has ended: a hand-in is late from now on", assignment_id=given.id)


@classroom.instructor_only
def _release() -> str:
    given = _given_now()
    if not st.session_state.get(f"release_sure_{given.id}"):
        raise Problem("check the box first: it lets everyone see it")
    classroom.records().exams.release(given.id)
    return classroom.traced("the exam is released", assignment_id=given.id)


def _given_now() -> AssignmentRow:
    """The exercise that is chosen on the board when a button is pressed."""
    class_id = classroom.class_now().id
    chosen = st.session_state.get(f"board_exercise_{class_id}")
    for one in classroom.records().assignments.of_class(class_id):
        if one.id == chosen:
            return one
    raise Problem("choose an exercise of this class first")


def release_one(row: BoardRow) -> None:
    """A button that shows one student how the exam went."""
    if not row.released and row.complete is not None:
        button("Release the exam to this student", "release_one", _release_one, icon="lock_open")


@classroom.instructor_only
def _release_one() -> str:
    rows = classroom.records().board(classroom.class_now().id)
    for row in rows:
        if row.student_id == st.session_state.board_student and row.attempt_id is not None:
            classroom.records().exams.release_one(row.attempt_id)
            classroom.traced(f"the exam is released: {row.exercise}", row.student_id)
            return f"released to {row.student}"
    raise Problem("choose a student of this class first")


# -- who may join --------------------------------------------------------------------------------------------


def admission(group: ClassRow) -> None:
    """Who comes in: all who know the code, or those of a list and those whom the instructor lets in."""
    with st.expander("Who may join", icon=":material/how_to_reg:"):
        known = classroom.records().classes.names_on_list(group.id)
        key = f"class_list_{group.id}"
        st.session_state.setdefault(f"by_approval_{group.id}", group.by_approval)
        st.session_state.setdefault(key, "\n".join(known))
        st.toggle(
            "students not on the list wait until I let them in", key=f"by_approval_{group.id}",
            help="Without it, students not on the list cannot open here what is an exam in another class.",
        )  # fmt: skip
        st.text_area("names that come in at once, one in each line", key=key, height=120)
        button("Keep it", "keep_admission", _kept)
        st.file_uploader(
            "or a class list as CSV: name and id", ["csv", "txt"], key="class_list_file",
            max_upload_size=FILE_MB,
            help="The id is what the school's platform knows a student by: the gradebook has it.",
        )  # fmt: skip
        button("Take this list", "take_list", _taken, icon="upload")


@classroom.instructor_only
def _kept() -> str:
    group = classroom.class_now()
    names = [line for line in st.session_state[f"class_list_{group.id}"].splitlines() if line.strip()]
    by_approval = st.session_state[f"by_approval_{group.id}"]
    classroom.records().classes.admit_by_list(group.id, by_approval, names)
    who = "" if by_approval else "; all who join come in"
    return classroom.traced(f"{counted(len(names), 'name')} on the list{who}")


@classroom.instructor_only
def _taken() -> str:
    file = st.session_state.get("class_list_file")
    if file is None:
        raise Problem("choose a file first")
    if file.size > LONGEST_LIST:
        raise Problem(f"a class list has at most {LONGEST_LIST} bytes (here: {file.size})")
    try:
        text = file.getvalue().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise Problem("this file is not text in UTF-8: save it again as CSV UTF-8") from None
    class_id, listed = classroom.class_now().id, read_class_list(text)
    classroom.records().classes.take_list(class_id, listed)
    st.session_state[f"class_list_{class_id}"] = "\n".join(one.name for one in listed)
    st.session_state[f"by_approval_{class_id}"] = True
    return classroom.traced(f"{counted(len(listed), 'name')} on the list")


def waiting(group: ClassRow) -> None:
    """Students who wait to be let in."""
    held = {one.id: one.name for one in classroom.records().students.of_class(group.id) if not one.admitted}
    if not held:
        return
    names = distinct(held)
    with st.container(border=True, key="waiting"):
        st.markdown(f"**{counted(len(held), 'student')} waiting to be let in**")
        st.pills(
            "whom",
            list(names),
            key="admit_who",
            selection_mode="multi",
            format_func=lambda one: classroom.plain(names[one]),
            label_visibility="collapsed",
        )
        with st.container(horizontal=True):
            button("Let them in", "admit", _admit, primary=True, icon="how_to_reg")
            button("Turn them away", "turn_away", _turn_away, icon="block")


@classroom.instructor_only
def _admit() -> str:
    chosen = _chosen()
    for one in chosen:
        classroom.records().students.admit(one)
        classroom.traced("let in", one)
    return f"{counted(len(chosen), 'student')} let in"


@classroom.instructor_only
def _turn_away() -> str:
    chosen = _chosen()
    for one in chosen:
        classroom.records().students.delete(one)
    return classroom.traced(f"{counted(len(chosen), 'student')} turned away")


def _chosen() -> list[int]:
    group = classroom.class_now()
    held = {one.id for one in classroom.records().students.of_class(group.id) if not one.admitted}
    chosen = [one for one in st.session_state.get("admit_who") or [] if one in held]
    if len(held) == 1:
        return list(held)  # there is no choice to make
    if not chosen:
        raise Problem("choose students first")
    return chosen
