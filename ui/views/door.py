"""The instructor's door: choose the passphrase on the first day, type it on later ones, and leave."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

import streamlit as st

from sim.front_door import LOOPBACKS
from sim.training.passphrase import LONGEST, SHORTEST, WrongPassphrase
from sim.vehicle.problems import Problem
from ui.drawing import sheet
from ui.drawing.tables import plain_table
from ui.panels import teachers
from ui.panels.controls import button
from ui.state import classroom
from ui.state.limits import PROXIED, asked_from

ENDED = {"right": "signed in", "wrong": "wrong passphrase", "closed": "refused: too many tries"}
TRIES_SHOWN = 12
INSIDE = {
    "curriculum": "Choose from the curriculum",
    "classes": "Open a class, give it exercises",
    "board": "See how far each student is",
    "results": "Results over the term",
    "replay": "Replay a student's steps",
    "author": "Write an exercise",
}


def show() -> None:
    """The page."""
    if classroom.let_in():
        if st.session_state.pop("just_let_in", False):
            st.switch_page(st.session_state.entries["classes"])
        _inside()
        return
    st.title("Teach")
    if classroom.door().has_passphrase:
        _knock()
    elif _only_from_here():
        _first_time()
    else:
        st.warning(
            "No passphrase has been chosen yet. This server can be reached from other machines or through a "
            "proxy, so it is chosen on its own machine: run `busbay passphrase` there.",
            icon=":material/lock:",
        )


def _only_from_here() -> bool:
    """Whether this server is for this computer alone, as far as it and the visit's headers can tell."""
    headers = st.context.headers
    host = headers.get("Host", "").rpartition(":")[0].strip("[]")
    proxied = any(name in headers for name in PROXIED)
    return st.get_option("server.address") in LOOPBACKS and host in LOOPBACKS and not proxied


def _first_time() -> None:
    st.markdown(
        "Choose a passphrase. It protects classes, board and author's page. "
        "It is kept as a hash only and cannot be read back, so write it down."
    )
    with st.form("first_passphrase", width=480):
        _new_passphrase(f"passphrase, {SHORTEST} to {LONGEST} characters")
        if st.form_submit_button("Choose it", type="primary"):
            _try(_choose)


def _new_passphrase(label: str) -> None:
    for words, key in ((label, "new_passphrase"), ("once more", "new_again")):
        st.text_input(words, type="password", key=key, autocomplete="new-password")


def _typed_twice() -> str:
    """The new passphrase; raises `Problem` if it was not typed alike twice."""
    new: str = st.session_state.new_passphrase
    if new != st.session_state.new_again:
        raise Problem("the two passphrases differ")
    return new


def _choose() -> None:
    new = _typed_twice()
    classroom.door().set_passphrase(new)
    _open(new)


def _knock() -> None:
    with st.form("knock", width=480):
        if len(classroom.door().instructors()) > 1:
            st.text_input("your name", key="knock_name", max_chars=60, autocomplete="username")
        st.text_input("passphrase", type="password", key="passphrase", autocomplete="current-password")
        if st.form_submit_button("Sign in", type="primary"):
            _try(lambda: _open(st.session_state.passphrase, st.session_state.get("knock_name", "")))
    st.caption("Forgotten? On the machine itself, `busbay passphrase` sets another one.")


def _open(said: str, name: str = "") -> None:
    source, here = _source()
    classroom.enter(classroom.door().open(said, source, name=name, at_this_computer=here))
    st.session_state.just_let_in = True
    st.rerun()


def _source() -> tuple[str, bool]:
    """What tries are counted by, and whether it is this computer itself."""
    return asked_from(st.context.ip_address, st.context.headers)


def _try(what: Callable[[], None]) -> None:
    try:
        what()
    except WrongPassphrase as wrong:
        st.error(str(wrong), icon=":material/lock:")
    except Problem as problem:
        st.error(str(problem), icon=":material/block:")


def _inside() -> None:
    st.title("Teach")
    classroom.show_outcome()
    mine = classroom.instructor()
    st.markdown(
        f"You are signed in as **{classroom.plain(mine.name)}**." if mine.name else "You are signed in."
    )
    with st.container(horizontal=True):
        for path, words in INSIDE.items():
            if button(words, f"inside {path}"):
                st.switch_page(st.session_state.entries[path])
        st.space("stretch")
        if button("Sign out", "leave_door", icon="logout"):
            classroom.go_out()
            st.rerun()
    with (
        st.expander("Change the passphrase"),
        st.form("another_passphrase", width=480, border=False, clear_on_submit=True),
    ):
        st.text_input(
            "the passphrase so far", type="password", key="old_passphrase", autocomplete="current-password"
        )
        _new_passphrase("the new passphrase")
        if st.form_submit_button("Change it"):
            _try(_change)
    teachers.manage()
    st.markdown("**The latest sign-in attempts**")
    rows = [
        (datetime.fromtimestamp(when_s).strftime("%Y-%m-%d %H:%M:%S"), source or "unknown", _ended(outcome))
        for when_s, source, outcome in classroom.door().tries(TRIES_SHOWN)
    ]
    sheet.show(plain_table(("when", "from", "outcome"), rows), "tries")


def _change() -> None:
    said, new = st.session_state.old_passphrase, _typed_twice()
    source, here = _source()
    name = classroom.instructor().name
    classroom.door().set_passphrase(new, said, source, name=name, at_this_computer=here)
    classroom.enter(classroom.door().open(new, source, name=name, at_this_computer=here))
    st.success("Changed. Your other windows are signed out.", icon=":material/check:")


def _ended(outcome: str) -> str:
    """How a try to sign in ended, in words; who it was stays after it."""
    how, *who = outcome.split(": ", 1)
    return ": ".join((ENDED.get(how, how), *who))
