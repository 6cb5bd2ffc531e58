"""A LIN cluster with its wires broken: what the master reports, by the physics of one wire.

The small car `roof-car.yaml`: a body module asks a rain sensor, a wiper and a sunroof along one wire
BCM - X1 - RAIN - WIPER - SUN, over a CAN FD backbone.
"""

from pathlib import Path

import pytest

from sim.bench.bench import Bench
from sim.bench.explain import why_code, why_silent
from sim.bench.live import LiveCar
from sim.vehicle.car import Car
from sim.vehicle.edits import parse_edit
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import read_car
from sim.wiring.lin_connectivity import DRIVER
from sim.wiring.solution import Driven

RAIN, WIPER, SUNROOF = "U0231-87", "U1A01-87", "U1A02-87"
ALL = {RAIN, WIPER, SUNROOF}


@pytest.fixture(scope="module")
def car() -> Car:
    return read_car(Path(__file__).parent / "roof-car.yaml")


def codes_of(car: Car, *edits: str) -> tuple[set[str], Bench]:
    """What the master has stored when the car has run for three seconds with the edits made at two."""
    bench = Bench(car)
    bench.do_all(["wait 2 s", *edits, "wait 3 s"])
    report = bench.do("scan").report
    assert report is not None
    assert {"BCM"} >= {module for module, _ in report.codes}
    return {code for _, code in report.codes}, bench


@pytest.mark.parametrize(
    ("edits", "codes"),
    [
        ([], set()),
        (["open SP.roof.RAIN--SP.roof.WIPER"], {WIPER, SUNROOF}),  # past the first slave
        (["open SP.roof.WIPER--WIPER.C1.3"], {WIPER}),  # the stub of one
        (["unplug X1"], ALL),
        (["open BCM.roof.LIN"], ALL),
        (["unplug RAIN"], {RAIN}),
        (["pull F3"], {RAIN}),
        (["open RAIN.GND"], {RAIN}),
        (["corrode RAIN.GND 20 ohm"], set()),  # 12 mA over 20 ohm is a quarter of a volt
        (["open G2"], {RAIN}),
        (["pull F4"], {WIPER, SUNROOF}),
        (["short RAIN.roof.LIN to BODY 0.1 ohm"], ALL),
        (["short SUN.roof.LIN to BAT+ 0.1 ohm"], ALL),
        # the pull-up's 12 mA make 3.7 V of 450 ohm, still below 60 % of the supply; 5 kohm leave 10 V
        (["short RAIN.roof.LIN to BODY 450 ohm"], ALL),
        (["short RAIN.roof.LIN to BODY 5000 ohm"], set()),
        (["corrode RAIN.roof.LIN 100 ohm"], set()),
        # 30 kohm of the slave itself against 1 kohm of the master: its pull reaches nobody
        (["corrode RAIN.roof.LIN 3000 ohm"], {RAIN}),
        # its own ground is on the wire then: it lifts the wire by what it draws, which is up anyway
        (["swap RAIN.roof.LIN with RAIN.GND"], {RAIN}),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_what_the_master_stores(car: Car, edits: list[str], codes: set[str]) -> None:
    """One code for each slave that does not answer, none of its own."""
    assert codes == codes_of(car, *edits)[0]


def test_levels_of_the_wire(car: Car) -> None:
    """Recessive a diode below the supply; pulled down there is the driver's diode and its share of the rest.

    By hand: 1 kohm and three times 30 kohm make 909 ohm, behind a diode of some 0.6 V; the driver is a diode
    and 24.7 ohm. (12.6 - 0.6 - 0.6) / (909 + 24.7) = 12.2 mA, so 0.9 V are left on the wire.
    """
    live = LiveCar(car)
    live.connect_battery()
    live.run(1.0)
    port = live.car.lin["BCM.roof"]
    assert pytest.approx(12.1, abs=0.05) == live.reading.between(port.node, port.gnd)
    pulled = Driven(live.reading.ports([(port.node, port.gnd)]), [(0, DRIVER)])
    assert pytest.approx(0.9, abs=0.05) == pulled.port_voltage_v[0]
    assert pytest.approx(0.0122, abs=0.0005) == pulled.leg_current_a[0]


def test_a_mended_wire_heals(car: Car) -> None:
    """The slave is heard again, the code stays as history."""
    _, bench = codes_of(car, "open SP.roof.RAIN--SP.roof.WIPER")
    bench.do_all(["repair SP.roof.RAIN--SP.roof.WIPER", "wait 2 s"])
    report = bench.do("scan").report
    assert report is not None
    found = {code.code: code.failing_now for entry in report.modules for code in entry.codes}
    assert {WIPER: False, SUNROOF: False} == found
    assert "BCM receives WIPER.status again" in {event.text for event in bench.trace.events}


def test_the_reason_is_the_broken_wire(car: Car) -> None:
    """Why, back to the edit."""
    _, bench = codes_of(car, "open SP.roof.RAIN--SP.roof.WIPER")
    assert ["open SP.roof.RAIN--SP.roof.WIPER"] == why_code(bench, "BCM", SUNROOF).to_edits().roots()


@pytest.mark.parametrize(
    ("edit", "code"), [("pull F3", RAIN), ("open G2", RAIN), ("short RAIN.C1.3 to BODY 0.1 ohm", WIPER)]
)
def test_reasons_of_other_kinds(car: Car, edit: str, code: str) -> None:
    """A slave without supply or ground, and a wire held down."""
    _, bench = codes_of(car, edit)
    assert [edit] == why_code(bench, "BCM", code).to_edits().roots()


def test_slaves_answer_no_tester(car: Car) -> None:
    """They have no address, a scan does not look for them, and a request to one is refused in words."""
    bench = Bench(car)
    bench.do("wait 1 s")
    report = bench.do("scan").report
    assert report is not None
    assert ["ECM", "BCM"] == [entry.module for entry in report.modules]
    with pytest.raises(
        EditProblem, match="RAIN is on LIN only and does not answer a tester: BCM reports for it"
    ):
        bench.do("clear RAIN")
    assert "BCM reports for it" in why_silent(bench, "RAIN").text


@pytest.mark.parametrize("edit", ["open SP.roof.RAIN--SP.roof.WIPER", "pull F3", "unplug BCM", "unplug X1"])
def test_both_depths_agree(car: Car, edit: str) -> None:
    """The same events; CAN messages wait for each other at frame depth only, some milliseconds at most."""
    found = []
    for fidelity in ("frame", "stream"):
        live = LiveCar(car, fidelity=fidelity)
        live.connect_battery()
        live.run(2.0)
        live.edit(parse_edit(edit, live.car))
        live.run(4.0)
        found.append(sorted((event.kind, event.text, round(event.time_s, 2)) for event in live.trace.events))
    assert found[0] == found[1]
