"""The panel reads live data with a graph, records and monitors, and holds an output: done, logged, shown."""

from __future__ import annotations

from xml.etree.ElementTree import fromstring

from streamlit.testing.v1 import AppTest

from sim.bench.reading_out import LiveReading, LiveRow
from tests.ui.drawn import has_drawn
from ui.drawing.live_graph import graph, numeric_titles, points_of
from ui.panels.read_out import CODE, MODULE, OUTPUT

from .test_pages import held_of, log, opened, press


def on_panel(*given: str) -> AppTest:
    """A teaching car in the bay with these faults, ignition on and scanned, at the tester."""
    held = held_of("teaching-car.yaml")
    held.bench.do_all([*given, "key run", "wait 3 s", "scan"])
    app = opened("bay", held, "Tester")
    app.session_state[MODULE] = "ECM"
    return app.run()


def test_live_data_are_read_recorded_and_drawn() -> None:
    """A table after one reading, a graph after several; the log has both."""
    app = press(on_panel(), f"read out read {{{MODULE}}}")
    assert has_drawn(app, "voltage at pin pedal2")
    assert not has_drawn(app, "supply voltage over")
    app = press(app, f"read out read {{{MODULE}}} for 10 s")
    assert has_drawn(app, "supply voltage over")
    assert ["read ECM", "read ECM for 10 s"] == [text for text in log(app) if text.startswith("read")]


def test_an_output_is_switched_held_and_released() -> None:
    """The panel says what the tester holds, for as long as it does."""
    app = on_panel()
    app.session_state[OUTPUT] = "pump_relay"
    app = press(app.run(), f"read out actuate {{{MODULE}}} {{{OUTPUT}}} on")
    assert any("holds outputs of ECM" in one.value for one in app.caption)
    app = press(app, f"read out release {{{MODULE}}}")
    assert not any("holds outputs" in one.value for one in app.caption)


def test_records_and_monitors_are_told_and_a_self_test_counts() -> None:
    """Freeze frames of the code that is chosen, readiness in words, the self-test's result."""
    app = on_panel("open pedal_sensor.2")
    app.session_state[CODE] = "ECM P2122-16"
    app = press(app.run(), f"read out details {{{CODE}}}")
    assert has_drawn(app, "first failure")
    app = press(app, "read out readiness")
    app = press(app, f"read out selftest {{{MODULE}}}")
    told = [one.value for one in app.caption]
    assert "ECM asks for the engine lamp, 1 code; misfire not complete, components not complete." in told
    assert "Self-test of ECM: 39 tests run, 1 failing." in told


def reading(time_s: float, volt: float) -> LiveReading:
    return LiveReading("ECM", time_s, (LiveRow("supply voltage", volt, "V"), LiveRow("gear", "P")))


def test_a_graph_has_a_point_for_each_reading_and_says_it_in_words() -> None:
    """Higher values are drawn higher, and what the picture shows is in its label."""
    readings = [
        reading(1.0, 12.0),
        reading(1.5, 13.0),
        reading(2.0, 14.0),
        LiveReading("ECM", 2.5, (), "no answer"),
    ]
    assert ["supply voltage"] == numeric_titles(readings)
    assert [(1.0, 12.0), (1.5, 13.0), (2.0, 14.0)] == points_of(readings, "supply voltage")
    root = fromstring(str(graph(readings, "supply voltage")))
    assert "supply voltage over 1.0 s, from 12 to 14 V, last 14 V" == root.get("aria-label")
    (line,) = (one for one in root if one.tag.endswith("polyline"))
    heights = [float(point.split(",")[1]) for point in str(line.get("points")).split()]
    assert sorted(heights, reverse=True) == heights
    assert "No numbers" in graph(readings, "gear")


def test_a_truck_has_its_controllers_read() -> None:
    """Address, code and meaning of each controller on SAE J1939, and the lamps that DM1 asks for."""
    held = held_of("regional-truck.yaml")
    held.bench.do_all(["unplug RETARDER.C1", "key run", "wait 6 s", "scan"])
    app = press(opened("bay", held, "Tester"), "faults")
    assert has_drawn(app, "SPN 2016 FMI 9")
    assert has_drawn(app, "controller at address 16 (RETARDER), abnormal update rate")
    assert any("Lamps that DM1 asks for: protect." in one.value for one in app.caption)
