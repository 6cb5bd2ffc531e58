"""Somebody chooses and presses before the page is drawn again: what is done is what the screen shows.

`AppTest` sends a changed list and a click in one run, which is what a quick hand does to a slow server.
"""

from dataclasses import dataclass, field
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

from .test_pages import held_of, log, opened, press

WIDGETS = (
    "selectbox", "multiselect", "number_input", "slider", "text_input", "text_area", "toggle", "checkbox",
    "radio", "button_group", "select_slider",
)  # fmt: skip


def choose(app: AppTest, key: str, value: Any) -> None:
    """Choose something without waiting for an answer."""
    for kind in WIDGETS:
        for one in app.get(kind):
            if one.key == key:
                one.set_value(value)
                return
    raise LookupError(f"no list or field '{key}'")


def at_once(app: AppTest, key: str, **choices: Any) -> AppTest:
    """Choose and press in one go."""
    for name, value in choices.items():
        choose(app, name, value)
    return press(app, key)


@dataclass(frozen=True)
class Race:
    """What stands on the page, what is chosen, what is pressed at once, and what then stands in the log."""

    panel: str
    choices: dict[str, Any]
    button: str
    does: tuple[str, ...]
    before: dict[str, Any] = field(default_factory=dict)
    car: str = "teaching-car.yaml"


def work(kind: str, button: str, does: str, **choices: Any) -> Race:
    return Race("Work", choices, f"work {button}", (does,), {"work_kind": kind})


VOLTS = {"probe_red": "ECM.C1.1", "probe_black": "G2"}
BAY = [
    work("connector", "unplug {work_connector}", "unplug TCM.C1", work_connector="TCM.C1"),
    work("connector", "loosen {work_connector}", "loosen TCM.C1", work_connector="TCM.C1"),
    work("fuse", "pull {work_fuse}", "pull F3", work_fuse="F3"),
    work("fuse", "blow {work_fuse}", "blow F3", work_fuse="F3"),
    work("fuse", "fit {work_fuse} {work_rating:g} A", "fit F3 25 A", work_fuse="F3", work_rating=25.0),
    work("relay", "pull {work_relay}", "pull K2", work_relay="K2"),
    work("pin, wire or terminator", "open {work_joint}", "open TCM.C1.1", work_joint="TCM.C1.1"),
    work(
        "pin, wire or terminator", "corrode {work_joint} {work_ohm:g} ohm", "corrode TCM.C1.1 2 ohm",
        work_joint="TCM.C1.1", work_ohm=2.0,
    ),
    Race(
        "Work", {"work_joint": "TCM.C1.1", "work_open": 0.5},
        "work interrupt {work_joint} every {work_between:g} s for {work_open:g} s",
        ("interrupt TCM.C1.1 every 20 s for 500 ms",),
        {"work_kind": "pin, wire or terminator", "work_joint": "ECM.C1.1"},
    ),
    work(
        "swapped wires", "swap {work_swap_a} with {work_swap_b}", "swap GW.C1.1 with GW.C1.4",
        work_swap_b="GW.C1.4",
    ),
    work("ground point", "open {work_ground}", "open G2", work_ground="G2"),
    work(
        "ground point", "offset {work_ground} {work_offset:g} V", "offset G2 2 V",
        work_ground="G2", work_offset=2.0,
    ),
    work(
        "short", "short {work_short_a} to {work_short_b}", "short ECM.C1.4 to BAT+ 0.05 ohm",
        work_short_a="ECM.C1.4", work_short_b="BAT+",
    ),
    work(
        "resistor across a pair", "terminate {work_resistor} {work_pair_ohm:g} ohm",
        "terminate DLC.6 to DLC.14 60 ohm", work_resistor="DLC.6 to DLC.14", work_pair_ohm=60.0,
    ),
    work("sensor itself", "replace {work_sensor}", "replace map_sensor", work_sensor="map_sensor"),
    work("module itself", "keep {work_module} awake", "keep TCM awake", work_module="TCM"),
    work(
        "module itself", "set {work_module}.{work_channel} to {work_rate} kbit/s",
        "set TCM.powertrain to 250 kbit/s", work_module="TCM", work_rate=250,
    ),
    work("connector", "charge {work_charge} %", "charge 30 %", work_charge=30),
    Race("Part", {"part": "module TCM"}, "clear_part", ("clear TCM",), {"part": "module ECM"}),
    Race(
        "Part", {"buses GW": ["body", "diag"]}, "bypass", ("unplug GW.C1", "bypass GW body to diag"),
        {"part": "module GW", "buses GW": ["diag", "powertrain"]},
    ),
    Race("Measure", {"probe_red": "TCM.C1.1"}, "measure", ("measure volts TCM.C1.1 to G2",), VOLTS),
    Race("Measure", {"measure_kind": "ohms"}, "measure", ("measure ohms ECM.C1.1 to G2",), VOLTS),
    Race("Measure", {"lamp_w": 5.0}, "measure", ("load ECM.C1.1 to G2 with 5 W lamp",),
         {**VOLTS, "measure_kind": "load"}),
    Race("Measure", {"look_at": "F3"}, "measure", ("look F3",), {"measure_kind": "look", "look_at": "F1"}),
    Race("Measure", {"loop_at": "F3"}, "measure", ("measure amps F3",),
         {"measure_kind": "amps", "loop_at": "F1"}),
    Race("Measure", {"keep_leads": True}, "wait 1", ("wait 1 s", "measure volts ECM.C1.1 to G2"), VOLTS),
    Race("Scope", {"scope_1a": "ECM.C1.4", "sweep_time": "1 ms"}, "sweep",
         ("scope ECM.C1.4 to DLC.4 and DLC.14 to DLC.4 for 1 ms",)),
]  # fmt: skip


@pytest.mark.parametrize("race", BAY, ids=lambda race: f"{race.button} -> {race.does[0]}")
def test_what_is_chosen_and_pressed_at_once_is_done_at_the_car(race: Race) -> None:
    app = opened("bay", held_of(race.car), race.panel, pause_s=0, **race.before)
    app = at_once(app, race.button, **race.choices)
    assert [] == [error.value for error in app.error]
    assert list(race.does) == log(app)
