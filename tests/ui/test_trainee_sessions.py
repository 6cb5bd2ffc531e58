"""Three trainees in a real browser, each with a car that arrives with a hidden fault.

It is found with the instruments alone, repaired, and proven by a scan. And how fast the meter answers.
"""

import json
import os
import re

import pytest
from playwright.sync_api import Page, expect

from tests.ui.browser import button, drive, panel, pick, redrawn, say, scan, silent_modules, text_of, turn_to
from ui.state.session import shipped_cars

METER_WITHIN_MS = 300  # from the click to the digits
CLICKS = 15
TEACHING = "teaching-car.yaml"


# -- what a trainee does -------------------------------------------------------------------------------------


def arrives(page: Page, car_name: str, *given: str) -> None:
    """The car rolls in: a saved log with faults that the trainee has not been told."""
    log = {
        "busbay": 1,
        "car_name": car_name,
        "car": shipped_cars()[car_name],
        "bench": {"given": list(given), "seed": 0, "log": []},
    }
    turn_to(page, "Bay")
    panel(page, "Log")
    with redrawn(page):
        page.locator("input[type=file]").set_input_files(
            {"name": "log.json", "mimeType": "application/json", "buffer": json.dumps(log).encode()}
        )
    button(page, "Restore it")


def choose(page: Page, label: str, option: str) -> None:
    """Type into a box and take the option whose name begins so."""
    box = page.get_by_role("combobox", name=label).first
    box.click()
    box.fill(option)
    with redrawn(page):
        page.get_by_role("option", name=re.compile(f"^{re.escape(option)}( ·|$)")).first.click()


def instrument(page: Page, name: str) -> None:
    """Take an instrument into the hand, if it is not there yet."""
    panel(page, "Measure")
    chosen = page.locator(".st-key-measure_kind").get_by_role("radio", name=name, exact=True)
    if chosen.get_attribute("aria-checked") != "true":
        with redrawn(page):
            chosen.click()


def number(page: Page, where: str = ".st-key-reading .digits") -> float:
    """What the display shows, in V or Ω; infinite for OL."""
    text = page.locator(where).first.inner_text().replace("\n", " ")
    if text.startswith("OL"):
        return float("inf")
    found = re.match(r"(-?[\d.]+) ?(mV|V|kΩ|MΩ|Ω|A)", text)
    assert found is not None, text
    scale = {"mV": 1e-3, "kΩ": 1e3, "MΩ": 1e6}.get(found[2], 1.0)
    return float(found[1]) * scale


def measure(page: Page, name: str, red: str, black: str) -> float:
    """Set the meter up, measure, read."""
    instrument(page, name)
    choose(page, "red lead", red)
    choose(page, "black lead", black)
    button(page, "Measure")
    return number(page)


def lamp(page: Page, red: str, black: str) -> str:
    """Hold a 21 W lamp between two terminals; how it burns."""
    instrument(page, "Load test")
    choose(page, "red lead", red)
    choose(page, "black lead", black)
    button(page, "Load test")
    return text_of(page.locator(".st-key-reading .light"))


def look(page: Page, part: str) -> str:
    """Look at a part; what is seen there."""
    instrument(page, "Inspect")
    choose(page, "part to inspect", part)
    button(page, "Inspect")
    return text_of(page.locator(".st-key-reading .seen"))


def codes(page: Page) -> set[str]:
    """The codes of the last scan."""
    rows = page.locator("tr[data-id^='code ']").evaluate_all("rows => rows.map(row => row.dataset.id)")
    return {row.split()[2] for row in rows}


def prove(page: Page) -> None:
    """Clear the codes: none comes back, and all modules answer."""
    panel(page, "Tester")
    button(page, "Clear all codes")
    button(page, "+ 10 s")
    assert "8 of 8 modules answer, 0 codes" in scan(page)


def keep_the_leads_on(page: Page) -> None:
    """Watch the meter from now on, or, pressed again, watch it no more."""
    with redrawn(page):
        page.get_by_text("keep the leads on").click()


def unplug_while_watching(page: Page, *connectors: str) -> dict[str, float]:
    """Unplug one connector after another; what the meter shows after each."""
    shown = {}
    for connector in connectors:
        say(page, f"unplug {connector}")
        shown[connector] = watched(page)
    return shown


def watched(page: Page) -> float:
    """What the meter shows whose leads stay on."""
    return number(page, ".st-key-watched_reading b")


def sheets(page: Page, name: str) -> None:
    """Open the sheets of a kind on the page of diagrams."""
    with redrawn(page):
        page.locator(".st-key-sheets").get_by_text(name).click()


# -- a lost ground -------------------------------------------------------------------------------------------


def measure_supply_and_ground(page: Page) -> None:
    """The supply is there up to the battery's own minus, but the ground pin is no ground."""
    assert 12.0 < measure(page, "Volts", "ECM.C1.1", "BAT-") < 13.0
    # up to 0.1 V is usual (general guides of the trade)
    assert 1.0 < measure(page, "Volts", "ECM.C1.3", "BAT-")
    assert "dark" == lamp(page, "BAT+", "ECM.C1.3")


def find_the_common_ground_on_the_drawing(page: Page) -> None:
    """Where the three grounds meet, and what is served there."""
    turn_to(page, "Place the leads on a drawing")
    sheets(page, "grounds")
    pick(page, "G2")
    served = page.locator(".st-key-paper [data-id]").evaluate_all("all => all.map(one => one.dataset.id)")
    assert {"ECM.C1.3", "TCM.C1.3", "ABS.C1.3", "G2"} == set(served)
    turn_to(page, "Bay")


def test_no_communication_because_of_a_lost_ground(page: Page) -> None:
    """A trainee finds a lost ground by scan, meter and repair."""
    arrives(page, TEACHING, "open G2")
    drive(page, "run")
    assert "5 of 8 modules answer" in scan(page)
    assert ["ECM", "TCM", "ABS"] == silent_modules(page)
    measure_supply_and_ground(page)
    find_the_common_ground_on_the_drawing(page)
    assert "the ring terminal is off its stud" in look(page, "G2")
    say(page, "repair G2")
    assert measure(page, "Volts", "ECM.C1.3", "BAT-") < 0.1
    prove(page)


# -- a line on ground ----------------------------------------------------------------------------------------


def measure_the_line_on_ground(page: Page) -> None:
    """Both lines of a body bus that is awake are near 0 V, and with the battery off they have 2 ohm to it."""
    assert measure(page, "Volts", "BCM.C1.3", "BODY") < 0.1
    say(page, "disconnect battery")
    assert measure(page, "Ohms", "BCM.C1.3", "BODY") < 2


def find_the_connector_that_frees_the_line(page: Page) -> None:
    """Two connectors change nothing; the third one frees the line."""
    keep_the_leads_on(page)
    held_ohm = unplug_while_watching(page, "DOOR-LEFT.C1", "AIRBAG.C1", "CLUSTER.C1")
    assert ["DOOR-LEFT.C1", "AIRBAG.C1"] == [name for name, ohm in held_ohm.items() if ohm < 2]
    assert 1000 < held_ohm["CLUSTER.C1"]
    panel(page, "Measure")
    keep_the_leads_on(page)


def fit_another_cluster(page: Page) -> None:
    """Repair the short, and put everything back."""
    say(
        page,
        "remove short CLUSTER:body.H to CLUSTER:0",
        "plug CLUSTER.C1",
        "plug AIRBAG.C1",
        "plug DOOR-LEFT.C1",
        "reconnect battery",
    )


def test_a_line_on_ground_is_found_by_unplugging_while_watching_the_meter(page: Page) -> None:
    """A trainee finds a short by unplugging connectors one after another."""
    arrives(page, TEACHING, "short CLUSTER:body.H to CLUSTER:0 0.3 ohm")
    drive(page, "run")
    scan(page)
    assert {"CLUSTER", "AIRBAG", "BCM", "DOOR-LEFT"} == set(silent_modules(page))
    measure_the_line_on_ground(page)
    find_the_connector_that_frees_the_line(page)
    # alone on the bench: the module's own pin against its own ground
    assert measure(page, "Ohms", "CLUSTER:body.H", "CLUSTER:GND") < 2
    fit_another_cluster(page)
    drive(page, "run")
    prove(page)


# -- a sensor on the five-volt reference ---------------------------------------------------------------------


def measure_the_reference_from_its_sheet(page: Page) -> None:
    """A line of the expected values, 4.75 to 5.25 V at the reference's pin, sets the meter up."""
    turn_to(page, "Diagrams")
    sheets(page, "values")
    choose(page, "expected values of", "ECM")
    pick(page, "measure volts ECM.C1.21 to ECM.C1.24")
    button(page, "Measure")
    assert number(page) < 0.2


def find_the_sensor_that_frees_the_reference(page: Page) -> None:
    """Two sensors change nothing; the third one frees the reference."""
    keep_the_leads_on(page)
    turn_to(page, "Bay")
    reference_v = unplug_while_watching(page, "map_sensor", "refrigerant_sensor", "throttle_sensor")
    assert ["map_sensor", "refrigerant_sensor"] == [name for name, volt in reference_v.items() if volt < 0.2]
    assert 4.75 < reference_v["throttle_sensor"] < 5.25


def fit_another_sensor(page: Page) -> None:
    """Repair the short, plug all three in again, and the reference stays."""
    plugs = ("plug map_sensor", "plug refrigerant_sensor", "plug throttle_sensor")
    say(page, "remove short throttle_sensor:1 to throttle_sensor:3", *plugs)
    assert 4.75 < watched(page) < 5.25


def test_a_shorted_sensor_on_the_five_volt_reference(page: Page) -> None:
    """A trainee finds the sensor that pulls the reference down."""
    arrives(page, TEACHING, "short throttle_sensor:1 to throttle_sensor:3 0.5 ohm")
    drive(page, "run")
    assert "8 of 8 modules answer" in scan(page)
    assert {"P0641-1C", "P0107-16", "P0122-16", "P0532-16"} == codes(page)
    measure_the_reference_from_its_sheet(page)
    find_the_sensor_that_frees_the_reference(page)
    fit_another_sensor(page)
    prove(page)


# -- speed ---------------------------------------------------------------------------------------------------

ANSWER_MS = """async () => {
  const deep = (node) => {
    for (const one of node.querySelectorAll('*')) {
      if (one.matches('.meter')) return one;
      if (one.shadowRoot) { const found = deep(one.shadowRoot); if (found) return found; }
    }
  };
  const shown = () => (deep(document.querySelector('.st-key-reading')) || {}).innerText;
  const before = shown(), start = performance.now();
  document.querySelector('.st-key-measure button').click();
  while (shown() === before && performance.now() - start < 10000) {
    await new Promise((done) => requestAnimationFrame(done));
  }
  return performance.now() - start;
}"""
"""From the click to the first frame of the screen with another reading: each tells another time."""


@pytest.mark.benchmark
def test_the_meter_answers_within_three_hundred_milliseconds(page: Page) -> None:
    """On the minibus of 41 modules, awake: from the click to the digits on the display."""
    arrives(page, "shuttle-minibus.yaml")
    drive(page, "Press start with brake")
    measure(page, "Volts", "DLC.16", "DLC.4")
    times_ms = []
    for _ in range(CLICKS):
        times_ms.append(page.evaluate(ANSWER_MS))
        page.wait_for_timeout(250)
    times_ms.sort()
    median_ms = times_ms[len(times_ms) // 2]
    print(f"\nmeter: median {median_ms:.0f} ms, best {times_ms[0]:.0f} ms, worst {times_ms[-1]:.0f} ms")
    # other work on the machine is not the meter's fault
    crowd = max(1.0, os.getloadavg()[0] / (os.cpu_count() or 1))
    assert median_ms < METER_WITHIN_MS * crowd
    expect(page.locator(".st-key-problem")).to_have_count(0)
