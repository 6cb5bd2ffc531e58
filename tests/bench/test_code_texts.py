"""A car's file may say in its own words what its codes mean; the tester tells them so."""

import pytest

from sim.bench.bench import Bench
from sim.vehicle.codes import full_description
from sim.vehicle.problems import FileProblem
from sim.vehicle.quick_car import TableRow, vehicle_file
from sim.vehicle.reading import car_from_text

CAR = vehicle_file([TableRow("ECM", "main"), TableRow("ROOF", "main"), TableRow("BCM", "main")])
TEXTS = "code_texts: {U1102: Roof hatch module silent}\n"
LAST_LINE = len(CAR.splitlines()) + 1


def texts_of(text: str) -> dict[str, str]:
    """The codes of the car without its roof module, with what the tester says of each."""
    car = car_from_text(text)
    bench = Bench(car, given=["unplug ROOF"])
    bench.do_all(["key run", "wait 8 s", "scan"])
    report = bench.last_report
    assert report is not None
    return {one.code: one.description for module in report.modules for one in module.codes}


def test_the_tester_tells_a_code_in_the_words_of_the_car() -> None:
    """For every failure type, or for the one that is written; other codes keep the standard's meaning."""
    told = texts_of(CAR + TEXTS)
    assert "Roof hatch module silent - Missing Message" == told["U1102-87"]
    plain = texts_of(CAR)
    assert "Manufacturer-specific code: see the maker's service information" in plain["U1102-87"]
    assert plain.keys() == told.keys()
    exact = {"U1102-87": "No word from the roof", "U1102": "The roof"}
    assert ["No word from the roof", "The roof - Bus Signal/Message Failures"] == [
        full_description(code, exact) for code in ("U1102-87", "U1102-08")
    ]


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ("{X1203: Roof}", "a trouble code is written U0100 or U0100-87"),
        ("{U1203: ''}", "'U1203' has at least 1 character"),
    ],
)
def test_what_is_no_text_of_a_code_is_refused(wrong: str, sentence: str) -> None:
    """With its line."""
    with pytest.raises(FileProblem) as refused:
        car_from_text(f"{CAR}code_texts: {wrong}\n", "mine.yaml")
    assert (LAST_LINE, sentence) == (refused.value.line, refused.value.what.split(" (here")[0])
