"""The board: how far each student is, who may be stuck, and messages to one or to all."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import streamlit as st

from sim.training.board import needs_first
from sim.training.exercise import Exercise, exercise_from_text
from sim.training.rows import ClassRow, StudentRow
from sim.vehicle.problems import Problem
from ui.drawing import sheet
from ui.drawing.class_sheets import board
from ui.panels import exam_control, projector
from ui.panels.controls import button, one_of
from ui.state import classroom
from ui.state.choices import distinct
from ui.views.classes import choose_class

REFRESH_S = 4.0
THIS_STUDENT, EVERYBODY = "this student", "the whole class"


def show() -> None:
    """The page."""
    classroom.show_outcome()
    known = classroom.my_classes()
    if not known:
        st.title("Board")
        st.caption("No class has been opened yet: the page Classes does that.")
        return
    with st.container(horizontal=True, vertical_alignment="bottom", key="board_head"):
        group = choose_class(known)
        _pause(group)
        projector.offer()
    st.fragment(_live, run_every=REFRESH_S)(group.id)
    if projector.is_on():
        return  # how to help one of them is for the instructor's own screen
    exam_control.waiting(group)
    left, right = st.columns(2, gap="large")
    with left:
        _one_student(group)
    with right:
        _exercises(group)


def _pause(group: ClassRow) -> None:
    if group.paused:
        button("Go on", "go_on", partial(_pause_class, False), icon="play_arrow", primary=True)
        st.markdown("**The class is paused**: work on cars is locked.", width="content")
    else:
        button("Pause the class", "pause", partial(_pause_class, True), icon="pause")


@classroom.instructor_only
def _pause_class(paused: bool) -> str:
    group = classroom.class_now()
    classroom.records().notices.pause(group.id, paused)
    return f"{group.name} {'is paused' if paused else 'goes on'}"


def _live(class_id: int) -> None:
    classroom.come_back()
    if not classroom.let_in():
        st.warning("This is for the instructor; sign in again.", icon=":material/lock:")
        return
    if all(class_id != one.id for one in classroom.my_classes()):
        st.rerun()  # erased, or others teach it now
    if st.session_state.pop("picked_on_board", False):
        st.rerun()  # the whole page is about the student who was picked
    waiting = [one.id for one in classroom.records().students.of_class(class_id) if not one.admitted]
    if st.session_state.setdefault("board_waiting", waiting) != waiting:
        st.session_state.board_waiting = waiting
        st.rerun()
    rows = needs_first(classroom.records().board(class_id))
    if not rows:
        code = classroom.records().classes.get(class_id).join_code
        st.caption(f"No students yet. The code of this class is **{code}**.")
        return
    stuck = [row for row in rows if row.signs]
    done = sum(row.complete is not None for row in rows)
    st.markdown(
        f"**{len(rows)}** here · **{done}** handed in the latest exercise · "
        f"**{len(stuck)}** with a reason to go and ask"
    )
    if projector.is_on():
        rows = [replace(row, released=False) for row in rows]  # a mark is for its student
    with st.container(key="board"):
        sheet.show(board(rows, _target_minutes(class_id)), "board_table", _picked)


def _exercise(assignment_id: int) -> Exercise:
    return _read(classroom.records().assignments.file_of(assignment_id))


@st.cache_resource(show_spinner=False, max_entries=200)
def _read(file: str) -> Exercise:
    return exercise_from_text(file, "exercise file")


def _target_minutes(class_id: int) -> dict[str, float]:
    given = classroom.records().assignments.of_class(class_id)
    return {one.exercise: _exercise(one.id).minutes for one in given}


def _picked() -> None:
    picked = sheet.picked("board_table")
    if picked:
        st.session_state.board_student = int(picked)
        st.session_state.picked_on_board = True


# -- one student --------------------------------------------------------------------------------------------


def _one_student(group: ClassRow) -> None:
    rows = {row.student_id: row for row in classroom.records().board(group.id)}
    if not rows:
        return
    st.header("One student", anchor=False)
    names = distinct({one: row.student for one, row in rows.items()})
    row = rows[one_of("student", names, "board_student")]
    with st.container(horizontal=True):
        nothing = row.attempt_id is None
        if button("Replay on the projector", "replay_one", icon="slideshow", disabled=nothing):
            st.session_state.replay_attempt = row.attempt_id
            st.switch_page(st.session_state.entries["replay"])
        exam_control.release_one(row)
        if row.hand_up_s is not None:
            button("The hand is answered", "hand_answered", _answered, icon="front_hand", primary=True)
        with st.popover("A new key", icon=":material/key:"):
            st.markdown("For a student who has lost the address. The old address no longer works.")
            button("Make it", "new_key", _new_key)
    if st.session_state.get("key_made", (0, ""))[0] == row.student_id:
        key = st.session_state.key_made[1]
        st.code(classroom.address(f"?{classroom.STUDENT}={key}"), language=None, wrap_lines=True)
        st.caption("Give this address to the student only; the old one no longer works.")
    _say()


def _student_now() -> StudentRow:
    """The student who is chosen, of the class that is chosen, when a button is pressed."""
    students = {one.id: one for one in classroom.records().students.of_class(classroom.class_now().id)}
    if st.session_state.board_student not in students:
        raise Problem("choose a student of this class first")
    return students[st.session_state.board_student]


@classroom.instructor_only
def _answered() -> str:
    student = _student_now()
    classroom.records().students.answer_hand(student.id)
    return f"{student.name}'s hand is answered"


@classroom.instructor_only
def _new_key() -> str:
    student = _student_now()
    st.session_state.key_made = (student.id, classroom.records().students.new_key(student.id))
    classroom.traced("a new key", student.id)
    return f"a new key for {student.name}"


def _say() -> None:
    with st.form("say", border=False):
        st.text_area("a message", key="say_words", max_chars=600, height=80)
        st.radio("to", [THIS_STUDENT, EVERYBODY], key="say_to", horizontal=True)
        st.form_submit_button("Send it", on_click=_said)


@classroom.instructor_only
def _said() -> str:
    state = st.session_state
    student = None if state.say_to == EVERYBODY else _student_now()
    classroom.records().notices.tell(
        classroom.class_now().id, state.say_words, student.id if student else None
    )
    state.say_words = ""
    return f"sent to {student.name if student else EVERYBODY}"


# -- exercises of the class ---------------------------------------------------------------------------------


def _exercises(group: ClassRow) -> None:
    given = {one.id: one for one in classroom.records().assignments.of_class(group.id)}
    if not given:
        st.caption("The class has no exercise yet: the page Classes gives it one.")
        return
    st.header("One exercise", anchor=False)
    names = distinct({number: one.exercise for number, one in given.items()})
    chosen = st.selectbox(
        "exercise", list(given), index=len(given) - 1, key=f"board_exercise_{group.id}",
        format_func=names.__getitem__,
    )  # fmt: skip
    one = given[chosen]
    exam_control.control_exam(one)
    if one.revealed:
        st.markdown("Its solution is **shown** to everyone working on it.")
        button("Hide the solution", "hide", partial(_reveal, False), icon="visibility_off")
    else:
        title = classroom.plain(one.exercise)
        sure = st.checkbox(f"show what is wrong with the car of “{title}”", key=f"sure_{chosen}")
        reveal = partial(_reveal, True)
        button("Show the solution to the class", "reveal", reveal, icon="visibility", disabled=not sure)
    hints = _exercise(chosen).hints
    if hints:
        st.selectbox("a hint of this exercise", hints, key=f"hint_{chosen}")
        with st.container(horizontal=True):
            alone = st.session_state.get("board_student") is None
            button("Send it to this student", "hint_one", partial(_send_hint, True), disabled=alone)
            button("Send it to all", "hint_all", partial(_send_hint, False))
    with st.expander("For you: why the car shows what it shows"):
        st.markdown(_guide(_exercise(chosen)))


def _exercise_now() -> int:
    """The exercise that is chosen, of the class that is chosen, when a button is pressed."""
    chosen: int | None = st.session_state.get(f"board_exercise_{classroom.class_now().id}")
    if chosen is None:
        raise Problem("choose an exercise of this class first")
    return chosen


@classroom.instructor_only
def _reveal(revealed: bool) -> str:
    chosen = _exercise_now()
    if revealed and not st.session_state.get(f"sure_{chosen}"):
        raise Problem("check the box first: it shows the solution to everyone")
    classroom.records().assignments.reveal(chosen, revealed)
    how = "shown" if revealed else "hidden again"
    return classroom.traced(f"the solution is {how}", assignment_id=chosen)


@classroom.instructor_only
def _send_hint(to_one: bool) -> str:
    chosen = _exercise_now()
    hint = st.session_state.get(f"hint_{chosen}")
    hints = _exercise(chosen).hints
    if hint not in hints:
        raise Problem("choose a hint of this exercise first")
    whom = _student_now().id if to_one else None
    classroom.records().notices.tell(
        classroom.class_now().id, hint, whom,
        assignment_id=chosen, hint=hints.index(hint) + 1,
    )  # fmt: skip
    classroom.traced(f"hint {hints.index(hint) + 1} is given", whom, chosen)
    return "the hint is sent; it costs nothing"


def _guide(exercise: Exercise) -> str:
    lines = []
    for number in range(1 + len(exercise.others)):
        one = exercise.variant(number)
        which = f" in car {number + 1}" if exercise.others else ""
        hidden = ", ".join(f"`{edit}`" for edit in one.arrives) or "nothing"
        lines += [f"Hidden{which}: {hidden}", "", one.guide.why, ""]
    guide = exercise.guide
    for words, several in (
        ("Usual wrong turns", guide.wrong_turns),
        ("Ask", guide.asked),
        ("On a real vehicle", guide.transfer),
    ):
        if several:
            lines += [f"**{words}**", *(f"- {one}" for one in several), ""]
    return "\n".join(lines)
