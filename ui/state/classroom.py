"""The role of a session (visitor, student, instructor), and the records of all classes.

A visitor has the free bay only. A student is known by the opaque key in the address (`?student=`), which
works after a restart of the server and on another machine; a cookie keeps it until the desk is left. An
instructor is known by the token that the door gave, in a cookie: an address is seen on the projector.
"""

from __future__ import annotations

import re
import secrets
from collections.abc import Callable, Collection
from functools import wraps
from typing import Literal, ParamSpec
from urllib.parse import urlsplit

import streamlit as st

from sim.handbook.links import CLASSES
from sim.paths import data_folder
from sim.training.courier import Courier
from sim.training.exams import is_same
from sim.training.library import Library
from sim.training.passphrase import STAYS_OPEN_S, Door, Instructor
from sim.training.records import Records, records_url
from sim.training.rows import ClassNotice, ClassRow, StudentRow
from sim.training.store import hashed
from sim.training.upkeep import fold_when_idle
from sim.vehicle.problems import Problem
from ui.drawing.cookie import set_cookie
from ui.panels.help import tell

STUDENT = "student"  # in the address
NEWS_AGE_S = 1.0
COOKIE = "busbay_instructor"
DESK_COOKIE = "busbay_desk"
BROWSER_COOKIE = "busbay_browser"
BROWSER_KEPT_S = 24 * 3600  # a school day: long enough for an exam, and shared computers have many users
BAY_COOKIE = "busbay_bay"
DESK_KEPT_S = 30 * 24 * 3600  # a choice of our own: over a holiday, not over a school year

# the page looks for addresses in words that are read already, where no escape is left: a joiner without
# width (U+2060) is put where it finds them, as in http://, www. and name@
LINKED = re.compile(r"(?<=:)(?=//)|(?<=www)(?=\.)|(?<=@)(?=[-\w])", re.IGNORECASE)
WORD_JOINER = "\u2060"

P = ParamSpec("P")

Role = Literal["visitor", "student", "at work", "instructor"]


@st.cache_resource
def records() -> Records:
    """The records of this server."""
    opened = Records(records_url())
    fold_when_idle(opened.engine)
    return opened


@st.cache_resource
def courier() -> Courier:
    """Who takes statements to the school's platform; begins by itself where one is known."""
    known = Courier(records().outbox)
    if records().outbox.state() is not None:
        known.start()
    return known


@st.cache_resource
def door() -> Door:
    """The door before the instructor's pages."""
    return Door(records().engine)


@st.cache_resource
def library() -> Library:
    """The exercises of this server."""
    return Library(data_folder() / "exercises")


@st.cache_data(ttl=NEWS_AGE_S, max_entries=500, show_spinner=False)
def signal_of(class_id: int) -> ClassNotice:
    """The latest notice for a class, read once a second however many students look."""
    return records().notices.latest(class_id)


@st.cache_data(ttl=NEWS_AGE_S, max_entries=1000, show_spinner=False)
def is_held_back(student_id: int, assignment_id: int) -> bool:
    """Whether an exercise is shut for a student because it is an exam now, asked once a second."""
    return records().exams.is_held_back(student_id, assignment_id)


@st.cache_data(ttl=NEWS_AGE_S, max_entries=2, show_spinner=False)
def exercises_in_exams(names: tuple[str, ...]) -> frozenset[str]:
    """Which of these exercises of the library are exams now, asked once a second."""
    exams = records().exams.open_now()
    known = [library().find(name) for name in names]
    return frozenset(one.name for one in known if any(is_same(one.exercise, exam) for exam in exams))


def come_back() -> None:
    """In a part that a page draws again by itself: the whole page, where the records were out of reach."""
    if st.session_state.get("out_of_reach"):
        st.rerun()


def role() -> Role:
    """The role of this session; a student's key in the address comes before everything."""
    if student() is not None:
        return "at work" if st.session_state.get("work") is not None else "student"
    return "instructor" if let_in() else "visitor"


def student() -> StudentRow | None:
    """The student whose key this session or the address has; None if there is none or it was erased."""
    key = st.session_state.get("student_key") or st.query_params.get(STUDENT, "")
    if not key:
        return None
    try:
        known = records().students.with_key(key)
    except Problem:
        st.session_state.pop("student_key", None)
        st.query_params.pop(STUDENT, None)
        st.session_state.student_unknown = True
        return None
    st.session_state.student_key = key
    if st.query_params.get(STUDENT) != key:
        st.query_params[STUDENT] = key
    return known


def come_in(key: str) -> None:
    """Make this session the student's who holds the key."""
    st.session_state.desk_left = False
    st.session_state.student_key = key


def desk_to_return_to() -> str:
    """The key of the desk that this browser was last at; empty if there is none or it was left."""
    key = str(st.context.cookies.get(DESK_COOKIE, ""))
    if not key or st.session_state.get("desk_left"):
        return ""
    try:
        records().students.with_key(key)
    except Problem:
        return ""
    return key


def leave() -> None:
    """Make this session a visitor's, and have the browser forget the desk; the records stay."""
    st.session_state.desk_left = True
    if st.session_state.pop("shared_computer", False):
        records().pins.leave(st.session_state.get("student_key", ""))
    for name in ("student_key", "work"):
        st.session_state.pop(name, None)
    st.query_params.pop(STUDENT, None)


def asked_for(name: str) -> int | None:
    """The number under a name in the address, or None."""
    text = st.query_params.get(name, "")
    return int(text) if re.fullmatch(r"[0-9]{1,18}", text) else None


def address(path: str) -> str:
    """The address of a page on the server that this browser reached."""
    return address_beside(str(st.context.url or ""), st.session_state.get("entries", ()), path)


def address_beside(here: str, pages: Collection[str], path: str) -> str:
    """The address of `path` on the server that has the page `here`, one of `pages` or the first, unnamed."""
    at = urlsplit(here)
    folder = at.path.rstrip("/")
    above, _, last = folder.rpartition("/")
    server = f"{at.scheme}://{at.netloc}" if at.netloc else ""
    return f"{server}{above if last in pages else folder}/{path}"


def plain(words: str) -> str:
    """Words escaped for Markdown: no links, no pictures, and no address that becomes a link by itself."""
    return re.sub(r"([\\\\`*_{}\[\]()<>#+\-.!|~$:&@])", r"\\\1", LINKED.sub(WORD_JOINER, words))


# -- the instructor ------------------------------------------------------------------------------------------


def let_in() -> bool:
    """Whether the door has let this session in and its token is still valid."""
    token = st.session_state.get("token")
    if token is None:
        token = st.session_state.token = str(st.context.cookies.get(COOKIE, ""))
    return bool(token) and door().knows(token)


def instructor() -> Instructor:
    """Whose visit this is; raises `Problem` where the door has not let it in, or no longer."""
    return door().who(str(st.session_state.get("token", "")))


def my_classes() -> list[ClassRow]:
    """The classes that this instructor opened or co-teaches, the newest first; none when signed out."""
    if not let_in():
        return []
    return records().classes.taught_by(instructor().id)


def class_now() -> ClassRow:
    """The class that is chosen when a button is pressed; raises `Problem` where it is no longer one's own."""
    for group in my_classes():
        if group.id == st.session_state.get("class_id"):
            return group
    raise Problem("this class is gone, or others teach it now")


def instructors_bench() -> str:
    """The key of an instructor's bench, which follows from the token alone; empty for everybody else."""
    return hashed(f"bench {st.session_state.token}") if role() == "instructor" else ""


def enter(token: str) -> None:
    """Make this session, and the next one of this browser, the instructor's."""
    st.session_state.token = token


def go_out() -> None:
    """End the instructor's session; its token is no longer valid."""
    door().leave(st.session_state.token)
    st.session_state.token = ""


def this_browser() -> str:
    """What this browser is known again by, when it joins a class once more."""
    known = str(st.context.cookies.get(BROWSER_COOKIE, ""))
    return known or str(st.session_state.setdefault("browser", secrets.token_urlsafe(18)))


def keep_cookies() -> None:
    """Have the browser keep or forget the token and the desk of this session; part of every page."""
    if st.session_state.get("browser"):
        set_cookie(BROWSER_COOKIE, st.session_state.browser, BROWSER_KEPT_S)
    key = st.session_state.get("student_key", "")
    if key and not st.session_state.get("shared_computer"):
        set_cookie(DESK_COOKIE, key, DESK_KEPT_S)
    elif st.session_state.get("desk_left"):
        set_cookie(DESK_COOKIE, "", 0)
    held = st.session_state.get("held")
    if held is not None and held.is_begun and not st.session_state.get("is_instructors_bench"):
        set_cookie(BAY_COOKIE, held.key, DESK_KEPT_S)
    token = st.session_state.get("token")
    if token is not None and (token or COOKIE in st.context.cookies):
        set_cookie(COOKIE, token, int(STAYS_OPEN_S) if token else 0)


def traced(words: str, student_id: int | None = None, assignment_id: int | None = None) -> str:
    """Write down who has done what in the class that is chosen, and about what; returns the words."""
    records().journal.note(class_now().id, instructor().called, words, student_id, assignment_id)
    return words


def instructor_only(callback: Callable[P, str | None]) -> Callable[P, None]:
    """A button's callback that only an instructor may call; what it returns is shown next, or why not.

    A page that was drawn while the token was valid may be clicked when it no longer is.
    """

    @wraps(callback)
    def guarded(*args: P.args, **kwargs: P.kwargs) -> None:
        said, problem = "", ""
        try:
            if not let_in():
                raise Problem("this is for the instructor; sign in again")
            said = callback(*args, **kwargs) or ""
        except Problem as refused:
            problem = str(refused)
        st.session_state.outcome = (said, problem)

    return guarded


def show_outcome() -> None:
    """Show once what came of the last button of the instructor."""
    said, problem = st.session_state.pop("outcome", ("", ""))
    if problem:
        tell(plain(problem), CLASSES)
    elif said:
        st.toast(plain(said), icon=":material/check:")
