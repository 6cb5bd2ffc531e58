"""Whom the front end has before it, and the records of all classes.

A visitor has nothing but the free bay. A student is known by the opaque key in the address (`?student=`), so
that a refresh, a restart of the server or another machine finds the same desk. An instructor is known by the
token that the door gave.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Literal

import streamlit as st

from sim.training.passphrase import Door
from sim.training.records import Records, StudentRow
from sim.training.schema import RECORDS_VARIABLE
from sim.vehicle.problems import Problem

STUDENT = "student"  # in the address

Role = Literal["visitor", "student", "at work", "instructor"]


def own_records_url() -> str:
    """The URL of the records in this user's data folder, as XDG Base Directory says; the folder is made."""
    home = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share") / "busbay"
    home.mkdir(parents=True, exist_ok=True)
    return f"sqlite:///{home}/classes.sqlite"


@st.cache_resource
def records() -> Records:
    """The records of this server."""
    return Records(os.environ.get(RECORDS_VARIABLE) or own_records_url())


@st.cache_resource
def door() -> Door:
    """What stands before the instructor's pages."""
    return Door(records().engine)


def role() -> Role:
    """As whom this session is here; the instructor comes first."""
    token = st.session_state.get("token", "")
    if token and door().knows(token):
        return "instructor"
    if student() is None:
        return "visitor"
    return "at work" if st.session_state.get("work") is not None else "student"


def student() -> StudentRow | None:
    """The student of this session: the one it knows, or the one whose key stands in the address."""
    known: StudentRow | None = st.session_state.get("student")
    key = st.session_state.get("student_key") or st.query_params.get(STUDENT, "")
    if known is None and key:
        try:
            known = st.session_state.student = records().student(key)
        except Problem:
            return None
        st.session_state.student_key = key
    if known is not None and st.query_params.get(STUDENT) != st.session_state.student_key:
        st.query_params[STUDENT] = st.session_state.student_key
    return known


def come_in(key: str) -> None:
    """From now on this session is the student who holds the key."""
    st.session_state.pop("student", None)
    st.session_state.student_key = key


def leave() -> None:
    """This session is a visitor again; what was done stays in the records."""
    for name in ("student", "student_key", "work"):
        st.session_state.pop(name, None)
    st.query_params.pop(STUDENT, None)
