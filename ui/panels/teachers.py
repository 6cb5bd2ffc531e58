"""Who teaches a class and what they decided; for the first instructor, who else is one."""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.training.passphrase import LONGEST, SHORTEST, Instructor
from sim.training.rows import ClassRow
from sim.vehicle.problems import Problem
from ui.drawing import sheet
from ui.drawing.tables import plain_table
from ui.panels.controls import button
from ui.panels.exam import clock_words
from ui.state import classroom

EVERYBODYS = "Opened before there were several instructors: all of them have it."


def show(group: ClassRow) -> None:
    """Who opened a class and who teaches it, too; nothing while there is one instructor."""
    known = {one.id: one for one in classroom.door().instructors()}
    if len(known) < 2:
        return
    mine = classroom.instructor()
    with st.expander("Who teaches this class", icon=":material/group:"):
        opener = known.get(group.opened_by or 0)
        st.markdown(f"Opened by {classroom.plain(opener.called)}." if opener else EVERYBODYS)
        together = [one for one in classroom.records().classes.co_teachers(group.id) if one in known]
        if not _may_share(group, mine):
            if together:
                names = ", ".join(known[one].called for one in together)
                st.caption(classroom.plain(f"Taught together with {names}."))
            return
        others = [one for one in known if one not in (group.opened_by, 1)]
        key = f"co_teachers_{group.id}"
        st.session_state.setdefault(key, together)
        st.multiselect(
            "taught together with", others, key=key, format_func=lambda one: known[one].called,
            placeholder="choose one or several", select_all=False,
        )  # fmt: skip
        button("Keep these teachers", "keep_teachers", _kept)
        st.caption("They see and do all in this class that you do. The first instructor has all classes.")


def _may_share(group: ClassRow, mine: Instructor) -> bool:
    return mine.is_first or group.opened_by == mine.id


@classroom.instructor_only
def _kept() -> str:
    group = classroom.class_now()
    if not _may_share(group, classroom.instructor()):
        raise Problem("only who opened the class says who teaches it")
    chosen = st.session_state.get(f"co_teachers_{group.id}") or []
    classroom.records().classes.teach_together(group.id, chosen)
    names = [one.called for one in classroom.door().instructors() if one.id in chosen]
    return classroom.traced(f"the class is taught together with {', '.join(names) or 'no other instructor'}")


def journal(group: ClassRow) -> None:
    """What was decided in the class, when and by whom."""
    with st.expander("What was decided, and by whom", icon=":material/history:"):
        done = classroom.records().journal.of_class(group.id)
        if not done:
            st.caption("All that you release, re-mark, admit or take back is recorded here.")
            return
        rows = [
            (clock_words(one.done_s), one.who, one.words, one.exercise, one.student or "") for one in done
        ]
        sheet.show(plain_table(("when", "instructor", "what", "exercise", "student"), rows), "journal_table")


# -- who is an instructor ------------------------------------------------------------------------------------


def manage() -> None:
    """For the first instructor: a name of one's own, others with their passphrases, and taking them away."""
    mine = classroom.instructor()
    if not mine.is_first:
        return
    with st.expander("Several instructors"):
        st.markdown(
            "Each signs in with a name and a passphrase, and has the classes that they open, or that are "
            "shared with them. You have all classes."
        )
        _own_name(mine)
        for one in classroom.door().instructors():
            if not one.is_first:
                _other(one)
        with st.form("add_instructor", width=480, border=False):
            st.text_input("name of another instructor", key="instructor_name", max_chars=60)
            words = f"a first passphrase for them, {SHORTEST} to {LONGEST} characters"
            for label, key in ((words, "instructor_first"), ("once more, theirs", "instructor_again")):
                st.text_input(label, type="password", key=key, autocomplete="new-password")
            st.form_submit_button("Add this instructor", on_click=_added)


def _own_name(mine: Instructor) -> None:
    with st.form("own_name", width=480, border=False):
        st.text_input("your own name", mine.name, 60, key="own_name_typed")
        st.form_submit_button("Keep my name", on_click=_named)


def _other(one: Instructor) -> None:
    with st.container(horizontal=True, vertical_alignment="center"):
        name = classroom.plain(one.name)
        st.markdown(name, width="content")
        sure = st.checkbox(f"yes, remove {name}", key=f"instructor_sure_{one.id}")
        button(
            f"Remove {name}", f"remove_instructor_{one.id}", partial(_removed, one), disabled=not sure,
            icon="person_remove",
        )  # fmt: skip


def _only_first() -> None:
    if not classroom.instructor().is_first:
        raise Problem("only the first instructor adds or removes others")


@classroom.instructor_only
def _named() -> str:
    _only_first()
    classroom.door().name_first(st.session_state.own_name_typed)
    return "your name is kept: sign in with it from now on, or with none"


@classroom.instructor_only
def _added() -> str:
    _only_first()
    state = st.session_state
    if state.instructor_first != state.instructor_again:
        raise Problem("the two passphrases differ")
    one = classroom.door().add(state.instructor_name, state.instructor_first)
    state.instructor_name = state.instructor_first = state.instructor_again = ""
    return f"{one.name} can sign in, and should choose another passphrase"


@classroom.instructor_only
def _removed(one: Instructor) -> str:
    _only_first()
    if not st.session_state.get(f"instructor_sure_{one.id}"):
        raise Problem("check the box first")
    classroom.door().remove(one.id)
    return f"{one.name} is no instructor any more; the classes are yours"
