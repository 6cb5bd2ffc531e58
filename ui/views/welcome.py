"""The first page: a live car with one dark module, three doors, and which car is in the bay."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import streamlit as st
from markupsafe import Markup

from sim.bench.bench import Bench
from sim.handbook.links import VEHICLES
from sim.lab.drive import start_by_button
from sim.vehicle.problems import Problem
from sim.vehicle.reading import car_from_text
from ui.drawing import doors, sheet
from ui.drawing.layout import layout_of
from ui.panels import timeline
from ui.panels.cautions import CAUTIONS, MAKER
from ui.panels.controls import button, download, named
from ui.panels.help import tell
from ui.panels.maps import fitted_map
from ui.state import bench_jobs, session, turns, work
from ui.state.first_visit import FIRST_JOBS, FirstJob
from ui.state.held import Held, parked
from ui.state.limits import FILE_MB
from ui.state.session import shipped_cars
from ui.state.visible import Visible, all_visible
from ui.state.work import after_work
from ui.views.join import offer_the_way_back

OTHER_JOB, SHOWN_JOB, LAST_JOB = FIRST_JOBS
ABOUT = (
    "One module of this car is dark, and others complain about it. All that you scan and measure is computed "
    "from the wiring: find the fault, repair it, prove it."
)


def show() -> None:
    """The page; a click may change the role, and with it the row of pages."""
    held = after_work(st.empty())
    words, car = st.columns([1, 1.9], gap="large", vertical_alignment="center")
    with words:
        _begin(held)
    with car:
        _car_with_a_dark_module()
    _doors()
    _cars(held)
    _cautions()


def _begin(held: Held) -> None:
    st.title("A car is in the bay")
    st.markdown(ABOUT)
    button("Find the fault", "job 1", partial(_take_job, SHOWN_JOB), icon="play_arrow", primary=True)
    if held.is_begun:
        if button(f"Back to the {held.title}", "free_bay", icon="car_repair"):
            st.switch_page(st.session_state.entries["bay"])
    elif key := session.begun_before():
        back = partial(session.take_back, key)
        button("Back to your car in the bay", "back_to_bay", back, icon="car_repair")
    offer_the_way_back()
    st.markdown("Or watch what follows, module by module:")
    timeline.show_examples()


# -- the live car --------------------------------------------------------------------------------------------


@st.cache_resource
def _shown_car() -> tuple[Bench, Visible]:
    """The car of the first job after a start was tried, and what may be seen of it."""
    name = SHOWN_JOB.car_name
    car = car_from_text(shipped_cars()[name], name)
    bench = parked(car, SHOWN_JOB.given)
    bench.do(start_by_button(car))
    bench.do("wait 10 s")
    return bench, _as_the_eye_sees(all_visible(bench))


def _as_the_eye_sees(visible: Visible) -> Visible:
    """Without what only a tester and a meter tell: a module with no supply is dark, no more."""
    modules = {name: replace(one, supply_v=None, code_count=0) for name, one in visible.modules.items()}
    dark = {name: replace(one, word="dark") for name, one in modules.items() if one.shape == "unpowered"}
    return replace(visible, modules=modules | dark)


@turns.fragment
def _car_with_a_dark_module() -> None:
    if st.session_state.get("to_the_bay"):
        st.rerun()
    bench, visible = _shown_car()
    fitted_map(
        bench.base, partial(layout_of, bench.base), visible, "shown_car", on_pick=_begin_at, explained=False
    )


def _begin_at() -> None:
    """A module that is picked on the map begins the work, and is open in the bay."""
    picked = sheet.picked("shown_car")
    if picked:
        _take_job(SHOWN_JOB)
        st.session_state.part, st.session_state.panel = picked, "Part"


# -- the doors -----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class DoorCard:
    """One of the doors: its title, picture and sentence; words and pages of its buttons."""

    title: str
    picture: Callable[[], Markup]
    words: str
    ways: tuple[tuple[str, tuple[str, ...]], ...]


DOORS = (
    DoorCard(
        "I learn", doors.learn, "Work orders with a car to repair: in a class with a code, or alone.",
        (("Exercises, in a class or alone", ("desk", "join")),),
    ),
    DoorCard(
        "I teach", doors.teach, "Open a class, give exercises, watch the board, debrief.",
        (("Open a class", ("classes", "instructor")),),
    ),
    DoorCard(
        "I have a car to solve", doors.solve, "Describe your car, tell what you saw, see what explains it.",
        (("Describe my car", ("describe",)), ("Tell its story", ("case",)), ("The whole lab", ("lab",))),
    ),
)  # fmt: skip


def _doors() -> None:
    for column, door in zip(st.columns(3), DOORS, strict=True):
        with column, st.container(border=True, height="stretch", key=f"door {door.title}"):
            sheet.show(door.picture(), f"picture {door.title}")
            st.header(door.title, anchor=False)
            st.markdown(door.words)
            for words, paths in door.ways:
                _way(words, f"door {paths[0]}", *paths)
            if door is DOORS[0]:
                for job in (OTHER_JOB, LAST_JOB):
                    _job(job)


def _job(job: FirstJob) -> None:
    take = partial(_take_job, job)
    button(job.title, f"job {FIRST_JOBS.index(job)}", take, help=job.complaint, width="stretch")


def _way(words: str, key: str, *paths: str) -> None:
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
    st.header("Another car", anchor=False)
    cars = shipped_cars()
    with st.container(horizontal=True, vertical_alignment="bottom"):
        st.selectbox(
            "a car that comes with busbay",
            list(cars),
            key="shipped",
            format_func=lambda one: _title(one, cars[one]),
        )
        button("Into the bay", "take_shipped", _take_shipped)
    st.caption(_about(st.session_state.shipped))
    with st.expander("Your own car: upload, view, download"):
        file = st.file_uploader(
            "a vehicle file (YAML)", type=["yaml", "yml"], key="own_car", max_upload_size=FILE_MB
        )
        if file is not None:
            _uploaded(file.name, file.getvalue())
        download("Download the current file", held.car_text, held.car_name, "download_car")
        if st.toggle("show the current file", key="show_file"):
            st.code(held.car_text, language="yaml", height=420)


@st.cache_data
def _about(name: str) -> str:
    """What a shipped car is good for, in its own words."""
    return car_from_text(shipped_cars()[name], name).built.about


def _title(name: str, text: str) -> str:
    car = car_from_text(text, name)
    return f"{car.title}, {len(car.built.modules)} modules"


def _uploaded(name: str, raw: bytes) -> None:
    try:
        text = raw.decode("utf-8")
        car = car_from_text(text, name)
    except UnicodeDecodeError:
        tell(f"{name}: is not UTF-8 text", VEHICLES)
    except Problem as problem:
        tell(problem, VEHICLES)
    else:
        st.success(
            f"{car.title}: {len(car.built.modules)} modules on {len(car.built.buses)} buses",
            icon=":material/check:",
        )
        button(named("Into the bay", car.title), "take_own", _take_own)


def _take_shipped() -> None:
    name = st.session_state.shipped
    work.ask(bench_jobs.take_car, name, shipped_cars()[name])
    st.session_state.to_the_bay = True


def _take_own() -> None:
    file = st.session_state.own_car
    if file is not None:  # taken away again
        work.ask(bench_jobs.take_car, file.name, file.getvalue().decode("utf-8", "replace"))
        st.session_state.to_the_bay = True


def _cautions() -> None:
    line = f"busbay is for learning and thinking. On a real car: {MAKER}"
    with st.expander(line, icon=":material/warning:", key="cautions_box"):
        st.markdown("Then local codes and licensed practice.")
        st.markdown("\n".join(f"- {words}" for words in CAUTIONS.values()))
        st.markdown(
            "What busbay says is what *this model* says, never what a real car must do. Its cars, people and "
            "companies are invented. A theory that reproduces everything seen is worth checking on the car; "
            "it is not a finding."
        )
