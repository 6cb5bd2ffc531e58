"""A gateway unplugged, with and without a lead in its place: what the diagnostic connector still reaches.

Caution: on a real car a bypass hides faults and makes new ones. Not on the road, and never left in the car.
"""

from collections.abc import Callable

import pytest

from sim.bench.bench import Bench
from sim.bench.explain import why_silent
from sim.bench.tester import Report
from sim.instruments.seat import seat_of
from sim.vehicle.car import Car
from sim.vehicle.problems import EditProblem

Stored = Callable[[Bench], dict[str, dict[str, int]]]

# teaching car, gateway out, ignition on: who misses what it passed on, or itself
MISSED = {
    "ECM": ["U0140-87"],
    "ABS": ["U0146-87"],
    "BCM": ["U0100-87", "U0121-87"],
    "CLUSTER": ["U0100-87", "U0101-87", "U0121-87", "U0146-87"],
}
# two bit rates on one pair: whose own frames meet the other rate often enough to go bus-off
BUS_OFF = {"ECM": ["U0073-88", "U0140-87"], "TCM": ["U0073-88"], "AIRBAG": ["U0074-88"]}


def without_gateway(car: Car, *lead: str) -> tuple[Bench, Report]:
    """Ignition on, gateway unplugged, a lead fitted if asked for, ten seconds, and a scan."""
    bench = Bench(car)
    start = ["key run"] if "key_run" in car.built.switches else ["press start with brake"]
    bench.do_all(["wait 12 s", *start, "wait 5 s", "unplug GATEWAY", *lead, "wait 10 s"])
    report = bench.do("scan").report
    assert report is not None
    return bench, report


def answering(report: Report) -> list[str]:
    return [entry.module for entry in report.modules if entry.answers]


def plain(stored: dict[str, dict[str, int]]) -> dict[str, list[str]]:
    return {module: list(codes) for module, codes in stored.items()}


@pytest.mark.parametrize(
    ("lead", "reached", "codes"),
    [
        ([], [], MISSED),
        (["bypass GATEWAY diag to powertrain"], ["ECM", "TCM", "ABS"], MISSED),
        # the tester talks at 500 kbit/s, the body bus at 125
        (["bypass GATEWAY diag to body"], [], MISSED),
        # 500 and 125 kbit/s on one pair: all turn error passive from the others' frames, which then get
        # through in spite of some collisions, each to those of the same rate (computed bit by bit)
        (["bypass GATEWAY powertrain to body"], [], MISSED | BUS_OFF),
        (["bypass GATEWAY diag to powertrain and body"], ["ECM", "TCM", "ABS"], MISSED | BUS_OFF),
    ],
    ids=["no lead", "diag to powertrain", "diag to body", "powertrain to body", "all three"],
)
def test_the_teaching_car_without_its_gateway(
    lead: list[str], reached: list[str], codes: dict[str, list[str]], teaching: Car, stored: Stored
) -> None:
    """The lead opens a way for the tester, never for the messages that the gateway passed on."""
    bench, report = without_gateway(teaching, *lead)
    assert report.power
    assert codes == plain(stored(bench))
    assert reached == answering(report)
    assert {(module, code) for module in reached for code in codes.get(module, [])} == report.codes


def test_the_gateway_back_in_its_place(teaching: Car, stored: Stored) -> None:
    """The lead must come off before the gateway goes in; then all answer, and cleared codes stay away."""
    bench, _ = without_gateway(teaching, "bypass GATEWAY diag to powertrain")
    with pytest.raises(EditProblem, match=r"a bypass lead sits in GATEWAY\.C1; take it off first"):
        bench.do("plug GATEWAY")
    bench.do_all(["unbypass GATEWAY", "plug GATEWAY", "wait 5 s", "clear", "wait 10 s"])
    report = bench.do("scan").report
    assert report is not None
    assert ((), frozenset(), {}) == (report.silent, report.codes, stored(bench))


def test_a_lead_wakes_a_sleeping_bus(teaching: Car) -> None:
    """Ignition off: the tester's first frames wake the modules that its lead reaches."""
    bench = Bench(teaching)
    bench.do_all(["wait 12 s", "unplug GATEWAY", "bypass GATEWAY diag to powertrain", "wait 1 s"])
    assert {"GATEWAY": "unpowered", "ECM": "asleep"}.items() <= {
        name: module.state for name, module in bench.live.modules.items()
    }.items()
    report = bench.do("scan").report
    assert report is not None
    assert ["ECM", "TCM", "ABS"] == answering(report)
    assert "asleep" == bench.live.modules["BCM"].state


def test_why_the_tester_gets_no_answer(teaching: Car) -> None:
    """Without the gateway every silence leads back to its connector."""
    bench, report = without_gateway(teaching)
    for name in report.silent:
        assert ["unplug GATEWAY.C1"] == why_silent(bench, name).to_edits().roots(), name


CHASSIS = [
    "ABS",
    "DISTANCE",
    "CAMERA-FRONT",
    "STEERING",
    "STEER-ANGLE",
    "AIRBAG",
    "YAW-RATE",
    "PARK-BRAKE",
    "TIRES",
]


def test_the_minibus_with_one_bus_on_the_lead(minibus: Car) -> None:
    """The chassis bus answers, and misses what comes from the powertrain, body and gateway."""
    bench, report = without_gateway(minibus, "bypass GATEWAY diag to chassis")
    assert CHASSIS == answering(report)
    assert {
        ("ABS", "U0100-87"), ("ABS", "U0146-87"), ("DISTANCE", "U0100-87"), ("STEERING", "U0100-87"),
        ("STEER-ANGLE", "U0212-87"), ("AIRBAG", "U0140-87"), ("AIRBAG", "U0155-87"),
        ("PARK-BRAKE", "U0100-87"), ("PARK-BRAKE", "U0101-87"), ("PARK-BRAKE", "U0140-87"),
    } == report.codes  # fmt: skip
    assert {"mil", "abs", "airbag", "steering", "gearbox"} <= set(seat_of(bench).lit)


def test_the_minibus_with_two_buses_of_one_bit_rate_on_the_lead(minibus: Car) -> None:
    """Joined buses hear each other without a gateway: what stays missing is what the body bus sends."""
    bench, report = without_gateway(minibus, "bypass GATEWAY diag to powertrain and chassis")
    assert ["ECM", "TCM", "FUEL-PUMP", "GEAR-SELECTOR", *CHASSIS] == answering(report)
    assert {
        ("ECM", "U0140-87"), ("ECM", "U0167-87"), ("GEAR-SELECTOR", "U0140-87"), ("ABS", "U0146-87"),
        ("STEER-ANGLE", "U0212-87"), ("AIRBAG", "U0140-87"), ("AIRBAG", "U0155-87"),
        ("PARK-BRAKE", "U0140-87"),
    } == report.codes  # fmt: skip

    bench.do_all(["unbypass GATEWAY", "bypass GATEWAY diag to chassis", "wait 5 s"])
    failing = [entry.code for entry in bench.live.modules["ABS"].memory.dtcs if entry.status & 1]
    assert ["U0100-87", "U0146-87"] == failing
    bench.do_all(["unbypass GATEWAY", "bypass GATEWAY diag to powertrain and chassis", "wait 5 s"])
    failing = [entry.code for entry in bench.live.modules["ABS"].memory.dtcs if entry.status & 1]
    assert ["U0146-87"] == failing
