"""Classes: open one, show its code, give it exercises, take its results away, close it, erase it."""

from __future__ import annotations

import time
from collections.abc import Sequence
from functools import partial

import streamlit as st

from sim.training.rows import AssignmentRow, ClassRow
from sim.vehicle.problems import Problem
from sim.vehicle.words import counted
from ui.drawing import sheet
from ui.drawing.class_sheets import join_code
from ui.drawing.tables import plain_table
from ui.panels import exam_control, exercise_control, projector, teachers
from ui.panels.controls import button, download, one_of
from ui.panels.exam import exam_words
from ui.state import at_work, classroom, reach
from ui.state.choices import HOW, HOW_WORDS, distinct, entry_words


def show() -> None:
    """The page."""
    classroom.show_outcome()
    st.title("Classes")
    known = classroom.my_classes()
    if known and projector.is_on():
        _for_the_class(choose_class(known))
        return
    left, right = st.columns([1, 1.6], gap="large")
    with left:
        _open_one()
    if not known:
        st.caption("No class yet. Give one a name and open it: the code for students appears here.")
        return
    with left:
        group = choose_class(known)
    with right:
        _code(group)
        exam_control.admission(group)
        teachers.show(group)
    _given(group)
    _results(group)
    teachers.journal(group)
    _erase(group)


def _for_the_class(group: ClassRow) -> None:
    """What a class sees on the projector: the way in and its exercises."""
    _code(group)
    given = classroom.records().assignments.of_class(group.id)
    if given:
        rows = [(f"{place}", one.exercise, exam_words(one)) for place, one in enumerate(given, start=1)]
        sheet.show(plain_table(("", "exercises", "how"), rows), "given_table")


def choose_class(known: Sequence[ClassRow]) -> ClassRow:
    """The class this visit is about: the one in the address, by default the newest."""
    by_id = {group.id: group for group in known}
    asked = classroom.asked_for("class")
    if "class_id" not in st.session_state and asked in by_id:
        st.session_state.class_id = asked
    chosen = one_of("class", distinct({group.id: _class_words(group) for group in known}), "class_id")
    st.query_params["class"] = str(chosen)
    return by_id[chosen]


def _class_words(group: ClassRow) -> str:
    """Name and day, and nothing that changes while the class is chosen, such as whether it is open."""
    day = time.strftime("%Y-%m-%d", time.localtime(group.opened_s))
    return f"{group.name} · {day}"


def _open_one() -> None:
    with st.form("open_class", border=False), st.container(horizontal=True, vertical_alignment="bottom"):
        st.text_input("name of a new class", key="class_name", max_chars=80)
        st.form_submit_button("Open it", on_click=_opened)


@classroom.instructor_only
def _opened() -> str:
    mine = classroom.instructor().id
    group = classroom.records().classes.open(st.session_state.class_name, opened_by=mine)
    st.session_state.class_id = group.id
    st.session_state.class_name = ""
    return f"{group.name} is open"


def _code(group: ClassRow) -> None:
    if group.closed_s is not None:
        st.caption("This class is closed to new students. Work in progress can be finished.")
        if not projector.is_on():
            button("Open it again", "reopen_class", partial(_close, False))
        return
    with st.container(border=True, key="join_code_box"):
        found = reach.for_students("join")
        sheet.show(join_code(group.join_code, found.address), "join_code_sheet")
        if projector.is_on():
            return  # what to change about it is for the instructor's own screen
        if found.hint:
            st.warning(found.hint, icon=":material/wifi_off:")
        with st.container(horizontal=True):
            projector.offer()
            _address()
    button("Close it for new students", "close_class", partial(_close, True))


def _address() -> None:
    with st.popover("Another address", icon=":material/link:"), st.form("reach", border=False):
        st.text_input(
            "address that students open", key="reach_address", max_chars=reach.LONGEST,
            placeholder="http://192.168.0.10:8501",
        )  # fmt: skip
        st.form_submit_button("Show this one", on_click=_set_address)
        st.caption("Empty: busbay finds this computer's address in the network.")


@classroom.instructor_only
def _set_address() -> str:
    reach.set_address(st.session_state.reach_address)
    return "the address is set"


@classroom.instructor_only
def _close(closed: bool) -> str:
    group = classroom.class_now()
    classroom.records().classes.close(group.id, closed)
    return classroom.traced(f"{group.name} is {'closed' if closed else 'open again'}")


# -- exercises ----------------------------------------------------------------------------------------------


def _given(group: ClassRow) -> None:
    st.header("Exercises", anchor=False)
    given = classroom.records().assignments.of_class(group.id)
    if given:
        rows = [(f"{place}", *_assignment_words(one)) for place, one in enumerate(given, start=1)]
        sheet.show(plain_table(("", "given so far", "how", "cars", "solution"), rows), "given_table")
        _shut(group)
        exercise_control.show(group, given)
    entries = {entry.name: entry for entry in classroom.library().entries()}
    for problem in classroom.library().problems():
        st.warning(problem, icon=":material/block:")
    names = st.multiselect(
        "give the class, in this order",
        list(entries),
        key="give_names",
        format_func=lambda name: entry_words(entries[name]),
        placeholder="choose one or several",
        select_all=False,
    )
    with st.container(horizontal=True, vertical_alignment="bottom"):
        st.segmented_control(
            "how", HOW, default="practice", key="give_how", required=True, format_func=HOW_WORDS.__getitem__
        )
        varied = st.toggle(
            "neighbors get different faults with the same complaint",
            key="give_varied",
            help="Where an exercise has several faults, each student gets the next one.",
        )
        button("Give", "give", _give, primary=True, disabled=not names)
    if st.session_state.give_how == "exam":
        exam_control.choose_times()
    single = [entries[name].exercise.exercise for name in names if not entries[name].exercise.others]
    if varied and single:
        names_of_single = classroom.plain(", ".join(single))
        st.caption(f"Only one fault in: {names_of_single}. There all students get the same car.")


def _shut(group: ClassRow) -> None:
    """Exercises that the class cannot open now, and who can all the same."""
    for exercise, writes in classroom.records().exams.shut_in(group.id).items():
        st.caption(
            f"{classroom.plain(exercise)} is an open exam of {classroom.plain(writes)}. Until its release, "
            "only students on the list of this class, or let in by you, can open it here: see Who may join."
        )


def _assignment_words(one: AssignmentRow) -> tuple[str, str, str, str]:
    return (
        one.exercise,
        exam_words(one),
        "different faults" if one.varied else "all the same",
        "shown" if one.revealed else "hidden",
    )


@classroom.instructor_only
def _give() -> str:
    state, group = st.session_state, classroom.class_now()
    entries = [classroom.library().find(name) for name in state.give_names]
    if not entries:
        raise Problem("choose an exercise first")
    practice, varied = state.give_how == "practice", state.give_varied
    begins, lasts = float(state.get("give_begins") or 0), float(state.get("give_lasts") or 0)
    for entry in entries:
        classroom.records().assignments.give(
            group.id,
            entry.text,
            practice,
            varied,
            begins_in_min=begins,
            lasts_min=lasts,
            entry=entry.name,
        )
    state.give_names = []
    titles, how = ", ".join(entry.exercise.exercise for entry in entries), "practice" if practice else "exam"
    classroom.traced(f"given as {how}: {titles}")
    return f"{counted(len(entries), 'exercise')} given to {group.name}"


# -- results, and erasing -----------------------------------------------------------------------------------


def _results(group: ClassRow) -> None:
    st.header("Results", anchor=False)
    take_away(group)
    if "results" in st.session_state.get("entries", {}):  # a page alone, in a test, knows no others
        st.page_link(
            st.session_state.entries["results"], label="Results over the term", icon=":material/grid_on:"
        )


def take_away(group: ClassRow) -> None:
    """The results as files."""
    csv = partial(classroom.records().export_csv, group.id)
    points = partial(classroom.records().gradebook_csv, group.id)
    with st.container(horizontal=True):
        download("Results as CSV", csv, f"busbay-class-{group.id}.csv", "export", icon="download")
        download("Gradebook as CSV", points, f"busbay-gradebook-{group.id}.csv", "gradebook", icon="download")
    st.caption(
        "Results: one line per student and exercise, with steps, hints, minutes, evidence and marks. "
        "Gradebook: one line per student with the platform's id and the points of each exercise."
    )


def _erase(group: ClassRow) -> None:
    with st.expander("Erase personal data", icon=":material/delete_forever:"):
        students = classroom.records().students.of_class(group.id)
        names = distinct({student.id: student.name for student in students})
        who = st.selectbox(
            "whose", [None, *names], key="erase_who",
            format_func=lambda one: f"the whole class {group.name}" if one is None else names[one],
        )  # fmt: skip
        st.markdown(
            "What is erased: the name, every line of every attempt, notes, results and messages. "
            "Nothing brings it back. Take the results away first, if they are needed."
        )
        sure = st.checkbox("Yes, erase it for good", key=f"erase_sure_{group.id}_{who}")
        button("Erase", "erase", _erased, icon="delete_forever", disabled=not sure)


@classroom.instructor_only
def _erased() -> str:
    group, who = classroom.class_now(), st.session_state.erase_who
    if not st.session_state.get(f"erase_sure_{group.id}_{who}"):
        raise Problem("check the box first: what is erased is gone")
    students = classroom.records().students.of_class(group.id)
    at_work.forget_drafts(one for one in students if who in (None, one.id))
    if who is None:
        classroom.records().classes.delete(group.id)
        return f"{group.name} is erased"
    classroom.records().students.delete(who)
    return classroom.traced("one student is erased")
