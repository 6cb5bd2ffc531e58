"""The bench that a browser session opens with: the one it has, the one its address names, or a fresh one."""

from __future__ import annotations

import secrets
from collections.abc import Callable

import streamlit as st

from sim import catalogue
from sim.lab.bay_work import TooMuchWork
from sim.vehicle.problems import Problem
from sim.vehicle.reading import car_from_text
from ui.state import classroom, kept
from ui.state.held import Held, Report, parked, shelf
from ui.state.streamlit_adapter import browser_is_there

FIRST_CAR = "teaching-car.yaml"


def shipped_cars() -> dict[str, str]:
    """File name and text of each car that comes with busbay."""
    files = sorted(catalogue.shipped_cars().values(), key=lambda file: (file.name != FIRST_CAR, file.name))
    return {file.name: file.read_text(encoding="utf-8") for file in files}


def open_session() -> Held:
    """This session's bench: an exercise, the one it has, the one its address names, or a fresh one."""
    work: Held | None = st.session_state.get("work")
    if work is not None:
        st.session_state.held = work
        return work
    own = classroom.instructors_bench()
    if st.session_state.get("is_instructors_bench") and not own:
        st.session_state.pop("held", None)  # the token has ended: its car stays with the instructor
    st.session_state.is_instructors_bench = bool(own)
    held = st.session_state.get("held")
    if held is None:
        asked = st.query_params.get("bench", "")
        key = asked or st.session_state.get("bench_key", "")
        with st.spinner("The car rolls into the bay ..."):
            held = (own and _from_the_shelf(own)) or _from_the_shelf(key)
            if held is None:
                st.session_state.bench_unknown = bool(asked) and not _is_known(asked)
                held = fresh_session(key)
        _given_out().add(held.key)
        st.session_state.held = held
        kept.take_up_fields(own or held.key)
        st.session_state.jobs = []
    _name_in_the_address(held, own)
    return held


def _name_in_the_address(held: Held, own: str) -> None:
    """Have the address name the bench, unless an instructor works on it: the projector shows addresses.

    The key that the address had until then leads to the car as it was before.
    """
    if own:
        held.key = own
        st.query_params.pop("bench", None)
        st.session_state.pop("bench_key", None)
    elif st.query_params.get("bench") != held.key:
        st.query_params["bench"] = st.session_state.bench_key = held.key


def _is_known(key: str) -> bool:
    """Was this key given out, or is something of the lab's pages kept under it: a case, a car, fields?"""
    return key in _given_out() or kept.anything(key)


@st.cache_resource
def _given_out() -> set[str]:
    """The keys of this server's visits: under one of them there may be nothing, as nothing was done yet."""
    return set()


def _from_the_shelf(key: str) -> Held | None:
    found = shelf().take(key) if key else None
    if found is None:
        return None
    left, left_behind = found
    try:
        bench = left.bench(_ends_with(browser_is_there()))
        return Held(key, left.car_name, left.car_text, bench, list(left_behind), left.job)
    except (Problem, TooMuchWork):  # written by another version, for which the car or an action is wrong
        return None


def _ends_with(is_there: Callable[[], bool]) -> Report:
    """Let a page end that is no longer waited for."""

    def report(share: float) -> None:
        if not is_there():
            st.stop()

    return report


def begun_before() -> str:
    """The key of the work that this browser has begun in another visit; empty if there is none."""
    key = str(st.context.cookies.get(classroom.BAY_COOKIE, ""))
    return key if kept.KEY.fullmatch(key) and shelf().take(key) is not None else ""


def take_back(key: str) -> None:
    """Go back to the work under another key; for callbacks of buttons."""
    held = _from_the_shelf(key)
    if held is not None:
        st.session_state.held, st.session_state.jobs = held, []
        kept.take_up_fields(key)
        st.query_params["bench"] = st.session_state.bench_key = key


def fresh_session(key: str = "") -> Held:
    """A bench with the first car and nothing done to it.

    A key that this server no longer knows stays: what is kept on disk under it is found again.
    """
    text = shipped_cars()[FIRST_CAR]
    own = key if kept.KEY.fullmatch(key) else secrets.token_urlsafe(9)
    return Held(own, FIRST_CAR, text, parked(car_from_text(text, FIRST_CAR)))
