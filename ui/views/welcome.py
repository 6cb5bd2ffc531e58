"""The first page: what this is, the doors, and which car is in the bay."""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.vehicle.problems import Problem
from sim.vehicle.reading import car_from_text
from ui.panels.cautions import CAUTIONS, MAKER
from ui.panels.controls import button, download
from ui.state import bench_jobs, work
from ui.state.first_visit import FIRST_JOBS, FirstJob
from ui.state.held import Held
from ui.state.session import shipped_cars
from ui.state.work import worked_off
from ui.views.join import offer_the_way_back

ABOUT = (
    "One module loses its supply, and twenty others complain about it. busbay is a car whose wiring, fuses, "
    "buses and modules are computed: unplug a connector, and what follows is what the wiring makes of it. "
    "Break it, scan it, ask it why, put it back."
)
HIGH_VOLTAGE = (
    "**High voltage** (orange cables, above 60 V DC or 30 V AC): only trained people, isolated, locked off, "
    "proved dead."
)


def show() -> None:
    """The welcome page."""
    held = worked_off(st.empty())
    st.title("A car is in the bay")
    st.markdown(ABOUT)
    offer_the_way_back()
    _doors(held)
    _cars(held)
    _cautions()


def _doors(held: Held) -> None:
    practise, what_if, about = st.columns(3)
    with practise, st.container(border=True, height="stretch"):
        st.subheader("Practise on a car", anchor=False)
        st.markdown(
            "Find a fault that came with the car, step by step. Ten minutes are enough for the first one."
        )
        for place, job in enumerate(FIRST_JOBS):
            take, first = partial(_take_job, job), place == 0
            button(job.title, f"job {place}", take, primary=first, help=job.complaint, width="stretch")
        _door(f"Free bay with the {held.car.title}", "free_bay", "bay")
        _door("Exercises, in a class or alone", "door exercises", "desk", "join")
    with what_if, st.container(border=True, height="stretch"):
        st.subheader("What if ...", anchor=False)
        st.markdown(
            "The same morning once more, but with the fuse in. Or as if the engine module waited for "
            "the trailer module. Side by side."
        )
        for words, path in (
            ("Suppose something", "what-if"),
            ("Do something else instead", "instead"),
            ("Who is under suspicion?", "suspects"),
            ("Two faults that hide each other", "pairs"),
            ("The story of a real car", "case"),
        ):
            _door(words, f"door {path}", path)
    with about, st.container(border=True, height="stretch"):
        st.subheader("About this model", anchor=False)
        st.markdown(
            "What it says is what *this model* says, never what a real car must do. Its cars, people and "
            "companies are invented. A theory that reproduces everything seen is worth checking on the car; "
            "it is not a finding."
        )
        _door("What the car's file claims", "door_car", "car")
        _door("Describe a car of your own", "door describe", "describe")


def _door(words: str, key: str, *paths: str) -> None:
    """A button that leads to the first of these pages that the role has."""
    if button(words, key, width="stretch"):
        entries = st.session_state.entries
        st.switch_page(next(entries[path] for path in paths if path in entries))


def _take_job(job: FirstJob) -> None:
    text, complaint = shipped_cars()[job.car_name], f"{job.title}: {job.complaint}"
    work.ask(bench_jobs.take_car, job.car_name, text, job.given, complaint)
    st.session_state.to_the_bay = True
    st.session_state.panel = "Seat"


def _cars(held: Held) -> None:
    st.subheader("Which car", anchor=False)
    st.markdown(
        f"In the bay: **{held.car.title}**, {len(held.car.built.modules)} modules. {held.car.built.about}"
    )
    cars = shipped_cars()
    with st.container(horizontal=True, vertical_alignment="bottom"):
        st.selectbox(
            "a car that comes with busbay",
            list(cars),
            key="shipped",
            format_func=lambda one: _title(one, cars[one]),
        )
        button("Into the bay", "take_shipped", _take_shipped)
    with st.expander("Your own car: upload, view, download"):
        file = st.file_uploader("a vehicle file (YAML)", type=["yaml", "yml"], key="own_car")
        if file is not None:
            _uploaded(file.name, file.getvalue())
        download("Download the current file", held.car_text, held.car_name, "download_car")
        if st.toggle("show the current file", key="show_file"):
            st.code(held.car_text, language="yaml", height=420)


def _title(name: str, text: str) -> str:
    car = car_from_text(text, name)
    return f"{car.title}, {len(car.built.modules)} modules"


def _uploaded(name: str, raw: bytes) -> None:
    try:
        text = raw.decode("utf-8")
        car = car_from_text(text, name)
    except UnicodeDecodeError:
        st.error(f"{name}: is not UTF-8 text", icon=":material/block:")
    except Problem as problem:
        st.error(str(problem), icon=":material/block:")
    else:
        st.success(
            f"{car.title}: {len(car.built.modules)} modules on {len(car.built.buses)} buses",
            icon=":material/check:",
        )
        button("Into the bay", "take_own", _take_own)


def _take_shipped() -> None:
    name = st.session_state.shipped
    work.ask(bench_jobs.take_car, name, shipped_cars()[name])


def _take_own() -> None:
    file = st.session_state.own_car
    if file is not None:  # taken away again
        work.ask(bench_jobs.take_car, file.name, file.getvalue().decode("utf-8", "replace"))


def _cautions() -> None:
    st.subheader("Cautions", anchor=False)
    st.markdown(
        f"busbay is for learning and thinking. On a real car: {MAKER} Then local codes and licensed practice."
    )
    st.markdown("\n".join(f"- {words}" for words in (*CAUTIONS.values(), HIGH_VOLTAGE)))
