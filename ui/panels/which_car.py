"""Which car a page of the lab is about: the car in the bay, or one that takes its place there."""

from __future__ import annotations

import streamlit as st

from sim.vehicle.problems import Problem
from sim.vehicle.reading import car_from_text
from ui.state import bench_jobs, session, work
from ui.state.held import Held
from ui.state.limits import FILE_MB
from ui.state.work import tells_problems

MINE = "a car of mine: upload its file"


def offer(held: Held) -> None:
    """The car in the bay, and a way to take another; the log of this one is left where it can be taken up."""
    with st.expander(f"The car in the bay: {held.car.title}. Take another one"):
        cars = [name.removesuffix(".yaml") for name in session.shipped_cars()]
        chosen = st.selectbox("which car", [*cars, MINE], key="other_car")
        if chosen == MINE:
            st.file_uploader(
                "your vehicle file (YAML)",
                type=["yaml", "yml"],
                key="other_car_file",
                max_upload_size=FILE_MB,
            )
        st.button("Take this car", key="other_car_take", on_click=_take)


@tells_problems
def _take() -> None:
    chosen = st.session_state.other_car
    name = f"{chosen}.yaml"
    if chosen == MINE:
        name, text = uploaded("other_car_file")
    else:
        text = session.shipped_cars()[name]
    work.ask(bench_jobs.take_car, name, text)


def uploaded(key: str) -> tuple[str, str]:
    """Name and text of the vehicle file under a widget's key, checked; raises `Problem`."""
    file = st.session_state.get(key)
    if file is None:
        raise Problem("choose the file of your car first")
    text: str = file.getvalue().decode("utf-8", "replace")
    car_from_text(text, file.name)
    return file.name, text
