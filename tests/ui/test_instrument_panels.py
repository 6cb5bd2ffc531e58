"""Meter, lamp, eye, scope and diagrams without a browser: what is set up is done, told and kept."""

import re
from xml.etree import ElementTree

import pytest
from streamlit.testing.v1 import AppTest

from sim.bench.bench import Bench
from sim.bench.observations import METER_FUNCTIONS, Observation, ObservationKind
from sim.instruments.cautions import BREAKOUT, PIERCING_PAIR
from sim.instruments.diagram import drawing
from sim.instruments.meter import Measured
from sim.instruments.module_diagram import face
from sim.instruments.read import Notebook, NotedReading
from sim.instruments.service import ServiceInformation
from tests.ui.drawn import has_drawn, keys
from ui.drawing.battery import battery
from ui.drawing.instruments import Setup, display, readings_table, strip
from ui.drawing.meter import DIAL, dial, leads
from ui.drawing.tables import pickable_table
from ui.drawing.wiring import marked, printable
from ui.panels.measure import KINDS
from ui.panels.terminals import terminals
from ui.state.session import shipped_cars

from .test_drawings import HOSTILE, hostile_car
from .test_pages import held_of, log, opened, press

CARS = list(shipped_cars())
DIAGRAM_VIEWS = ("circuits", "connectors", "fuses", "grounds", "places", "values")
LOST_GROUND = ("open G2", "unplug TCM.C1", "blow F5")


def set_up(app: AppTest, **choices: object) -> AppTest:
    """Choose in the panel, as a hand would."""
    for key, value in choices.items():
        app.session_state[key] = value
    app.run()
    assert [] == [error.message for error in app.exception]
    return app


def measured(app: AppTest) -> list[str]:
    held = app.session_state["held"]
    return [one.result.display for one in held.notebook.of(held.bench)]


# -- panels --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("panel", ["Measure", "Scope"])
@pytest.mark.parametrize("car_name", CARS)
def test_every_instrument_panel_draws_itself(panel: str, car_name: str) -> None:
    """Meter and scope panels offer the button that takes a reading, on every shipped car."""
    app = opened("bay", held_of(car_name), panel)
    assert {"Measure": "measure", "Scope": "sweep"}[panel] in keys(app)


@pytest.mark.parametrize("kind", list(KINDS))
def test_every_instrument_draws_itself(kind: str) -> None:
    """Each function of the meter offers the button that takes its reading."""
    app = set_up(opened("bay", held_of("teaching-car.yaml"), "Measure"), measure_kind=kind)
    assert "measure" in keys(app)
    assert kind == app.session_state["measure_kind"]


@pytest.mark.parametrize("kind", METER_FUNCTIONS)
def test_every_function_of_the_meter_shows_its_reading(kind: str) -> None:
    """What was measured is drawn on the display, whatever was measured."""
    app = opened("bay", held_of("small-estate.yaml"), "Measure")
    places = {"probe_red": "ABS.C1.9", "probe_black": "G2", "loop_at": "F3"}
    app = press(set_up(app, measure_kind=kind, **places), "measure")
    assert 1 == len(measured(app))
    assert has_drawn(app, "digits")


def test_a_hand_a_heat_gun_and_freeze_spray_work_at_the_part_that_is_inspected() -> None:
    """Each has its button at the inspection, and is a sentence in the log."""
    app = opened("bay", held_of("small-estate.yaml"), "Measure")
    app = set_up(app, measure_kind="look", look_at="ABS.C1")
    for verb in ("wiggle", "heat", "freeze"):
        app = press(app, f"{verb} ABS.C1")
    assert ["wiggle ABS.C1", "heat ABS.C1", "freeze ABS.C1"] == log(app)


@pytest.mark.parametrize("view", DIAGRAM_VIEWS)
@pytest.mark.parametrize("car_name", CARS)
def test_every_sheet_of_the_diagrams_draws_itself(view: str, car_name: str) -> None:
    """Each sheet of the diagrams shows something drawn or listed."""
    app = set_up(opened("diagrams", held_of(car_name)), sheets=view)
    assert has_drawn(app, "<svg" if view in ("circuits", "connectors") else "<table")


def test_a_measurement_is_a_sentence_in_the_log_and_its_reading_is_shown() -> None:
    """The log has the measurement as a sentence, and the page has its display."""
    app = opened("bay", held_of("teaching-car.yaml"), "Measure")
    app = press(set_up(app, probe_red="ECM.C1.1", probe_black="G2"), "measure")
    assert ["measure volts ECM.C1.1 to G2"] == log(app)
    assert re.fullmatch(r"12\.\d+ V", measured(app)[0])


def test_how_it_is_probed_stands_in_the_sentence_and_brings_its_caution() -> None:
    """The way of probing is part of the logged sentence, and its caution is shown."""
    app = opened("bay", held_of("teaching-car.yaml"), "Measure")
    app = set_up(app, probe_red="ECM.C1.4", probe_black="ECM.C1.5", way="piercing")
    assert any(PIERCING_PAIR in caption.value for caption in app.caption)
    app = press(app, "measure")
    assert ["measure volts ECM.C1.4 to ECM.C1.5 by piercing"] == log(app)
    assert not any(BREAKOUT in caption.value for caption in app.caption)


@pytest.mark.parametrize(
    ("choices", "expected"),
    [
        (
            {"measure_kind": "ohms", "probe_red": "DLC.6", "probe_black": "DLC.14"},
            "measure ohms DLC.6 to DLC.14",
        ),
        ({"measure_kind": "amps", "loop_at": "F12"}, "measure amps F12"),
        ({"measure_kind": "clamp", "loop_at": "BAT.NEG"}, "measure clamp amps BAT.NEG"),
        (
            {"measure_kind": "load", "probe_red": "F1.2", "probe_black": "G1", "lamp_w": 21.0},
            "load F1.2 to G1 with 21 W lamp",
        ),
        ({"measure_kind": "look", "look_at": "ECM.C1"}, "look ECM.C1"),
        (
            {
                "measure_kind": "volts", "probe_red": "F1.2", "probe_black": "BAT+", "lamp_burns": True,
                "lamp_a": "F1.2", "lamp_b": "BODY", "burning_w": 55.0,
            },
            "measure volts F1.2 to BAT+ while 55 W lamp at F1.2 to BODY",
        ),
    ],
)  # fmt: skip
def test_every_instrument_writes_its_sentence(choices: dict[str, object], expected: str) -> None:
    """What is chosen on a panel becomes exactly one sentence of the log."""
    app = press(set_up(opened("bay", held_of("teaching-car.yaml"), "Measure"), **choices), "measure")
    assert [expected] == log(app)
    assert 1 == len(measured(app))


def test_a_sweep_is_a_sentence_and_the_diagnostic_connector_is_set_up() -> None:
    """The scope's ready-made setup writes the sweep across the pins of the connector."""
    app = press(opened("bay", held_of("six-modules.yaml"), "Scope"), "sweep")
    assert ["scope DLC.6 to DLC.4 and DLC.14 to DLC.4 for 0.5 ms"] == log(app)


def test_leads_that_stay_on_measure_again_after_each_action() -> None:
    """A meter left on takes its reading after every action."""
    app = opened("bay", held_of("teaching-car.yaml"), "Measure")
    app = set_up(app, probe_red="ECM.C1.1", probe_black="BODY", keep_leads=True)
    app.session_state["panel"] = "Work"
    app.run()
    app.text_input(key="sentence").input("pull F1")
    app.button[[one.label for one in app.button].index("Do it")].click().run()
    assert ["pull F1", "wait 10 s", "measure volts ECM.C1.1 to BODY"] == log(app)
    assert 1 == len(measured(app))


def test_a_wrong_measurement_is_told_in_one_sentence_with_nothing_changed() -> None:
    """A measurement that cannot be taken is refused, and the log is as before."""
    app = opened("bay", held_of("teaching-car.yaml"), "Measure")
    app = set_up(app, probe_red="G2", probe_black="G2")
    assert any("both leads are on G2" in caption.value for caption in app.caption)
    app = press(app, "measure")
    assert ["both leads are on G2: put one on another terminal"] == [error.value for error in app.error]
    assert [] == log(app)


# -- readings ------------------------------------------------------------------------------------------------

MORNING = ("key run", "wait 2 s", "measure volts ECM.C1.1 to G2", "pull F1", "wait 1 s", "look F1",
           "measure volts ECM.C1.1 to G2")  # fmt: skip


def worked() -> tuple[Bench, Notebook]:
    bench, notebook = held_of("teaching-car.yaml").bench, Notebook()
    for text in MORNING:
        bench.do(text)
        if text.startswith(("measure", "look")):
            notebook.note(bench)
    return bench, notebook


def told(readings: list[NotedReading]) -> list[tuple[int, str, str]]:
    return [(one.place, one.result.action, one.result.display) for one in readings]


def test_readings_belong_to_their_place_in_the_log() -> None:
    """Each reading is listed with the action that took it and its time."""
    bench, notebook = worked()
    assert [3, 6, 7] == [one.place for one in notebook.of(bench)]


@pytest.mark.parametrize("keep", [0, 2, 3, 5, 6, 7])
def test_a_rewind_takes_the_later_readings_back(keep: int) -> None:
    """After a rewind only readings of the remaining actions are left."""
    bench, notebook = worked()
    before = told(notebook.of(bench))
    assert [one for one in before if one[0] <= keep] == told(notebook.of(bench.rewind(keep)))


def test_a_bench_that_comes_from_a_file_is_read_again() -> None:
    """A restored log shows the readings that it showed before."""
    bench, notebook = worked()
    again = Bench.restored(bench.base, bench.saved())
    assert told(notebook.of(bench)) == told(Notebook().of(again))


def test_another_car_has_other_readings() -> None:
    """Readings of one car are not shown for another."""
    bench, notebook = worked()
    assert 3 == len(notebook.of(bench))
    assert [] == notebook.of(held_of("six-modules.yaml").bench)


# -- nothing hidden ------------------------------------------------------------------------------------------


def choices(app: AppTest) -> dict[str, list[str]]:
    return {box.key or box.label: list(box.options) for box in app.selectbox}


@pytest.mark.parametrize("panel", ["Measure", "Scope"])
@pytest.mark.parametrize("kind", ["volts", "amps", "look"])
def test_what_can_be_chosen_tells_nothing_of_a_theory_or_fault_that_nobody_has_seen(
    panel: str, kind: str
) -> None:
    """The lists of terminals are the same for the car as drawn and as built."""
    hidden = ("open G2", "blow F5", "corrode ECM.C1.3 2 ohm", "short map_sensor:1 to map_sensor:3")
    found = []
    for given in ((), hidden):
        app = set_up(opened("bay", held_of("teaching-car.yaml", given), panel), measure_kind=kind)
        found.append(choices(app))
    assert found[0] == found[1]


def test_diagrams_are_the_same_for_a_whole_and_a_broken_car() -> None:
    """A diagram shows the design, never the fault."""
    whole, broken = (held_of("teaching-car.yaml", given).bench for given in ((), LOST_GROUND))
    for name in ("ECM", "F5", "powertrain", "G2", "map_sensor", "coil1"):
        sheets = {drawing(ServiceInformation(bench.base), name) for bench in (whole, broken)}
        assert 1 == len(sheets)


# -- drawings ------------------------------------------------------------------------------------------------


def test_no_name_of_a_file_gets_onto_a_sheet_unescaped() -> None:
    """Names that are HTML appear as text in diagrams, tables and readings."""
    car = hostile_car()
    papers = ServiceInformation(car)
    bench = Bench(car)
    bench.do("measure volts ECM.C1.1 to BODY")
    result = Measured(
        action=f"measure volts {HOSTILE} to b", display=HOSTILE, kind="volts", value=1.0, unit="V",
        notes=(HOSTILE,), harm=(HOSTILE,),
    )  # fmt: skip
    what = Observation(result.action, ObservationKind.VOLTS, (HOSTILE, "b"))
    reading = NotedReading(1, 0.0, what, result)
    sheets = [
        marked(drawing(papers, "ECM"), {"red": HOSTILE}, True),
        printable(face(papers, "ECM.C1"), HOSTILE),
        pickable_table((HOSTILE,), [(HOSTILE, HOSTILE)]),
        display(Setup("volts", (HOSTILE, "b"), (HOSTILE, "b")), reading),
        strip(reading),
        readings_table([reading]),
    ]
    assert [] == [text for text in sheets if "<script" in text]


def test_the_dial_is_turned_to_the_function_and_the_leads_are_in_its_jacks() -> None:
    """One place of the dial is on, the others can be picked; in ohms the leads are in V Ω and COM."""
    root = ElementTree.fromstring(dial("ohms", ("volts", "ohms", "amps")))
    places = {one.get("data-id"): one.get("aria-pressed") for one in root.iter() if one.get("data-id")}
    assert {"dial volts": "false", "dial ohms": "true", "dial amps": "false"} == places
    plugs = {
        kind: [
            one.get("cx") for one in ElementTree.fromstring(leads(kind)).iter() if one.get("class") == "plug"
        ]
        for kind in DIAL
    }
    assert ["155", "205"] == plugs["ohms"] == plugs["volts"] == plugs["minimum"] == plugs["continuity"]
    assert ["110", "205"] == plugs["amps"]
    assert [] == plugs["clamp"]


def test_a_reading_that_was_taken_elsewhere_says_where() -> None:
    """A display keeps its last reading with the points it was taken at, once the leads have moved."""
    bench = held_of("teaching-car.yaml").bench
    bench.do("measure volts ECM.C1.1 to G2")
    last = Notebook().of(bench)[-1]
    stays = display(Setup("volts", ("ECM.C1.1", "G2"), ("ECM.C1.1", "G2")), last)
    moved = display(Setup("volts", ("ECM.C1.1", "BODY"), ("ECM.C1.1", "BODY")), last)
    assert "before, at" not in stays
    assert "before, at ECM.C1.1 to G2" in moved
    assert last.result.display.partition(" ")[0] in moved


def test_the_battery_is_drawn_where_it_is_measured() -> None:
    """Where the battery is measured it is drawn; its clamp that is off is said to be off."""
    app = set_up(opened("bay", held_of("teaching-car.yaml"), "Measure"), probe_red="BAT+")
    assert has_drawn(app, "post BAT-")
    idents = {post: f"post {post}" for post in ("BAT+", "BAT-")}
    root = ElementTree.fromstring(battery({"BAT.NEG"}, "mind", idents))
    words = [one.get("aria-label") for one in root.iter() if one.get("data-id")]
    assert ["positive post, its clamp on", "negative post, its clamp off"] == words


def test_the_leads_are_marked_where_they_stand() -> None:
    """The terminals with a lead on them are marked in the drawing by the color of the lead."""
    papers = ServiceInformation(held_of("teaching-car.yaml").car)
    text = marked(drawing(papers, "ECM"), {"red": "ECM.C1.1", "black": "G2"}, True)
    root = ElementTree.fromstring(text)
    on = [
        (one.get("class"), one.get("data-id")) for one in root.iter() if (one.get("class") or "")[:3] == "on-"
    ]
    assert ("on-red", "ECM.C1.1") in on
    assert {"G2"} == {node for lead, node in on if lead == "on-black"}


def test_the_words_on_a_circuit_are_read_on_a_laptop() -> None:
    """No type of a diagram is below 11 px, and none is made smaller to fit before a person asks for it."""
    for car_name in CARS:
        held = held_of(car_name)
        papers, wired = ServiceInformation(held.car), held.car.claimed
        for name in (*wired.modules, *wired.fuses, *wired.buses, *wired.grounds, *wired.sensors):
            sizes = re.findall(r'font-size="([0-9.]+)"', drawing(papers, name))
            assert 11 <= min(map(float, sizes)), (car_name, name)
    app = opened("diagrams", held_of("teaching-car.yaml"))
    assert not app.toggle(key="whole_drawing").value


def test_a_splice_is_told_by_what_is_spliced_there() -> None:
    """No list and no diagram calls a bus splice by the name that the program gave it."""
    app = opened("diagrams", held_of("shuttle-minibus.yaml"))
    labels = [name for box in app.selectbox if box.key == "probe_red" for name in box.options]
    assert "splice at GEAR-SELECTOR, powertrain CAN high" in labels
    assert [] == [name for name in labels if "SP." in name]
    drawn = drawing(ServiceInformation(app.session_state["held"].car), "GATEWAY")
    assert ">splice at GEAR-SELECTOR, powertrain CAN high</text>" in drawn
    assert [] == re.findall(r">SP[.]\w+[.][^<]*</text>", drawn)


def test_every_terminal_of_every_circuit_can_take_a_lead() -> None:
    """What a click on a drawing means is a terminal, or something that has a sheet of its own."""
    for car_name in CARS:
        held = held_of(car_name)
        papers, car = ServiceInformation(held.car), held.car
        app = opened("diagrams", held)
        known = set(terminals(held, held.visible()))
        assert [len(known)] == [len(box.options) for box in app.selectbox if box.key == "probe_red"]
        sheets = {*car.claimed.modules, *car.connectors, *car.claimed.buses}
        for name in (*car.claimed.modules, *car.claimed.fuses, *car.claimed.buses, *car.claimed.grounds):
            marks = set(re.findall(r'data-id="([^"]+)"', drawing(papers, name)))
            assert set() == marks - known - sheets, (car_name, name)
