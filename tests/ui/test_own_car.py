"""A technician's own car on the lab's pages: in the bay, from a file, in a case."""

import secrets
from dataclasses import replace
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from sim.bench.bench import Bench
from sim.catalogue import vehicle_text
from sim.lab.case import Case
from sim.vehicle.reading import car_from_text
from ui.panels.case_open import IN_THE_BAY
from ui.panels.which_car import MINE
from ui.state.session import shipped_cars

from .test_pages import held_of, opened, press

OWN = vehicle_text("six-modules").replace("car: Six modules", "car: My van", 1)


@pytest.fixture
def in_the_bay() -> AppTest:
    """The page Case with the technician's own car in the bay."""
    held = held_of("six-modules.yaml")
    held.key, held.car_name, held.car_text = secrets.token_urlsafe(9), "van.yaml", OWN
    return opened("case", held)


def begin(app: AppTest, car: str) -> None:
    app.text_input(key="case_title").input("Mine")
    app.selectbox(key="case_car").select(car).run()


def case_of(app: AppTest) -> Case:
    case = app.session_state["case"]
    assert isinstance(case, Case)
    return case


def test_a_case_about_the_car_in_the_bay_holds_that_car(in_the_bay: AppTest) -> None:
    """What was seen on the real car is entered without any action in the bay; a refresh loses nothing."""
    begin(in_the_bay, IN_THE_BAY)
    app = press(in_the_bay, "case_begin")
    assert (OWN, "my-van.yaml") == (case_of(app).vehicle, case_of(app).car_name)
    app.text_area(key="step_do").set_value("scan").run()
    app.multiselect(key="step_seen").set_value(["TCM is silent"]).run()
    press(app, "step_add")
    assert [("scan",)] == [step.do for step in case_of(app).steps]
    again = opened("case", app.session_state["held"])
    assert case_of(app) == case_of(again)
    assert any("My van" in one.value for one in again.caption)


def test_a_shipped_car_in_the_bay_goes_into_a_case_by_its_name() -> None:
    """A case about it stays short."""
    app = opened("case", held_of("six-modules.yaml"))
    begin(app, IN_THE_BAY)
    press(app, "case_begin")
    assert "six-modules" == case_of(app).car


def test_a_case_about_an_uploaded_car(in_the_bay: AppTest) -> None:
    """The file is asked for, and its car is the case's."""
    begin(in_the_bay, MINE)
    app = press(in_the_bay, "case_begin")
    assert ["choose the file of your car first"] == [one.value for one in app.error]
    app.file_uploader(key="case_own_car").upload("other.yaml", OWN.replace("My van", "Other").encode()).run()
    press(app, "case_begin")
    assert "Other" == case_of(app).whole_car.title


def test_every_shipped_car_is_offered_beside_ones_own(in_the_bay: AppTest) -> None:
    """The list begins with the car in the bay and ends with a file."""
    names = [Path(name).stem for name in shipped_cars()]
    options = in_the_bay.selectbox(key="case_car").options
    assert (IN_THE_BAY, MINE) == (options[0], options[-1])
    assert set(names) == set(options[1:-1])


def test_the_car_of_a_case_goes_into_the_bay_and_is_explained_by_the_search(in_the_bay: AppTest) -> None:
    """Suspects takes the case with its own car."""
    begin(in_the_bay, IN_THE_BAY)
    app = press(in_the_bay, "case_begin")
    app.text_area(key="step_do").set_value("scan").run()
    press(app, "step_add")
    suspects = opened("suspects", app.session_state["held"])
    suspects.radio(key="suspects_of").set_value("the case: Mine").run()
    assert not suspects.exception
    assert not suspects.button(key="suspects_find").disabled


@pytest.mark.parametrize("path", ["what-if", "instead", "suspects", "pairs", "case", "car"])
def test_the_lab_s_pages_draw_themselves_for_an_own_car(path: str) -> None:
    """A car that is none of the shipped ones needs no name in their list."""
    held = held_of("six-modules.yaml")
    bench = Bench(car_from_text(OWN, "van.yaml"))
    opened(path, replace(held, car_name="van.yaml", car_text=OWN, bench=bench))


@pytest.mark.parametrize("path", ["what-if", "pairs"])
def test_an_own_car_is_taken_on_the_page_itself(path: str) -> None:
    """The lab asks about the uploaded car from then on; without a file or with a wrong one it says so."""
    app = opened(path, held_of("teaching-car.yaml"))
    app.selectbox(key="other_car").select(MINE).run()
    press(app, "other_car_take")
    assert ["choose the file of your car first"] == [one.value for one in app.error]
    app.file_uploader(key="other_car_file").upload("van.yaml", b"car: [").run()
    press(app, "other_car_take")
    assert ", line 1" in app.error[0].value
    app.file_uploader(key="other_car_file").upload("van.yaml", OWN.encode()).run()
    press(app, "other_car_take")
    assert "My van" == app.session_state["held"].car.title
