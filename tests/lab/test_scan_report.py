"""Scan reports in many layouts: what is understood, and what is shown as not understood."""

import json
from itertools import permutations
from pathlib import Path
from typing import Any

import pytest

from sim.catalogue import find_car
from sim.lab.case import CodeSeen, Evidence
from sim.lab.scan_report import ScanReport, read_report
from sim.vehicle.car import Car

REPORTS = sorted((Path(__file__).parent / "reports").glob("*.txt"))
SEEN: dict[str, Any] = json.loads(
    (Path(__file__).parent / "reports" / "seen.json").read_text(encoding="utf-8")
)
NO_FAILURE_TYPE = "04-bars-spanish"
NO_STATE = "10-codes-in-a-row-spanish"


@pytest.fixture(scope="module")
def bus() -> Car:
    """The shuttle minibus, 41 modules."""
    return find_car("shuttle-minibus")


def _wanted(name: str) -> set[CodeSeen]:
    codes = [CodeSeen(*code.split()) for code in SEEN["codes"]]
    if name == NO_FAILURE_TYPE:
        codes = [CodeSeen(one.module, one.code[:5], one.state) for one in codes]
    return {CodeSeen(one.module, one.code) if name == NO_STATE else one for one in codes}


@pytest.mark.parametrize("path", REPORTS, ids=lambda path: path.stem)
def test_ten_layouts_say_the_same(bus: Car, path: Path) -> None:
    """Ten invented layouts of one report give its 52 codes and five silent modules; 98 % of it is read."""
    report = read_report(path.read_text(encoding="utf-8"), bus)
    seen = report.evidence()
    assert (_wanted(path.stem), set(SEEN["silent"])) == (set(seen.codes), set(seen.silent))
    assert len(report.unread) <= 0.02 * len(report.said), [one.told for one in report.unread]


@pytest.mark.parametrize(
    ("head", "date", "odometer"),
    [
        ("Full scan   2026-11-27  16:42\nFerry van, odometer 148,300 km", "2026-11-27", "148,300 km"),
        ("Datum: 28.11.2026\nKilometerstand: 84113", "28.11.2026", "84113"),
        ("Rapport ; 28/11/2026\nKilométrage : 84 113 km", "28/11/2026", "84 113 km"),
        ("shop 12, bay 3\n96,411 mi at the gate", "", "96,411 mi"),
        ("average 61 km/h, software 1.2.2026.4, tire 205/55", "", ""),
    ],
)
def test_date_and_odometer_are_read_in_the_head(bus: Car, head: str, date: str, odometer: str) -> None:
    """As they are written, in four languages; what a code was stored at is below, and is not the car's."""
    report = read_report(f"{head}\nECM U0121 stored\n  odometer: 70,000 km\n  date: 2025-01-01", bus)
    assert (date, odometer) == (report.date, report.odometer)
    assert "2025-01-01" not in report.words
    assert "70,000" not in report.words


def test_there_are_ten_layouts() -> None:
    """The promise is about ten."""
    assert (10, 52) == (len(REPORTS), len(SEEN["codes"]))


@pytest.mark.parametrize("order", list(permutations(range(4))), ids=str)
@pytest.mark.parametrize("between", [",", ";", "\t", " | ", "     "])
def test_columns_in_any_order(bus: Car, between: str, order: tuple[int, ...]) -> None:
    """Module, code, text and state mean the same in each order and with each sign between them, unheaded."""
    rows = [
        ("ECM", "U0121-87", "Lost Communication With ABS", "vorhanden"),
        ("CLUSTER", "U0140", "Lost Communication With Body Control Module", "history"),
        ("driver seat module", "B1105-11", "Seat Motor", "mémorisé"),
        ("BCM", "P0113", "Intake Air Temperature", "activo"),
    ]
    text = "\n".join(between.join(row[place] for place in order) for row in rows)
    wanted = ("ECM U0121-87 present", "CLUSTER U0140 stored", "SEAT B1105-11 stored", "BCM P0113 present")
    assert wanted == tuple(map(str, read_report(text, bus).codes))


def test_what_is_not_understood_is_told(bus: Car) -> None:
    """A sentence of the customer and a module that the car has not are shown with their lines."""
    report = read_report("ECM U0121-87\nthe driver heard a bang\nModule: HOVER\n  U0100 stored\n", bus)
    assert [(2, ""), (3, "hover"), (4, "hover")] == [(one.number, one.named) for one in report.unread]
    assert (CodeSeen("ECM", "U0121-87"),) == report.codes
    assert "U0100 stored (the car has no module 'hover')" == report.unread[-1].told


def test_an_unknown_module_in_a_table_gets_no_other_ones_codes(bus: Car) -> None:
    """Below lines that name their module, an unknown name is told; an empty cell means the same again."""
    report = read_report("ECM;U0121;stored\nHOVER;U0100;stored\nTCM;U0140;stored\n;U0155;stored\n", bus)
    assert ("ECM U0121 stored", "TCM U0140 stored", "TCM U0155 stored") == tuple(map(str, report.codes))
    assert ["HOVER"] == [one.named for one in report.unread]


@pytest.mark.parametrize(
    ("line", "code", "state"),
    [
        ("ECM U0121", "U0121", ""),
        ("ECM U0121-00 present", "U0121", "present"),
        ("ecm: u0121:87", "U0121-87", ""),
        ("ECM U012187 inactive", "U0121-87", "stored"),
        ("U0121 ECM not present", "U0121", "stored"),
        ("ECM;U0121;87;2F", "U0121-87", "present"),
        ("ECM;U0121;0x08", "U0121", "stored"),
        ("ECM - U0121 [09] Lost Communication With TCM", "U0121", "present"),
        ("engine control module | U0121 | nicht vorhanden", "U0121", "stored"),
        ("ECM  U0121  Lost Communication With Body Control Module  mémorisé", "U0121", "stored"),
        ("1) ECM U0121 Lost Communication With TCM - activo", "U0121", "present"),
    ],
)
def test_a_code_in_many_forms(bus: Car, line: str, code: str, state: Any) -> None:
    """Failure types, status bytes and states in words mean the same in each form; a text names no module."""
    assert (CodeSeen("ECM", code, state),) == read_report(line, bus).codes


def test_codes_follow_their_module(bus: Car) -> None:
    """Codes below the line of a module belong to it, also where each detail has a line of its own."""
    text = (
        "Steuergerät: ECM\nFehlercode: U0121-87\nText: irgendetwas\nZustand: vorhanden\n\n[TCM]\nDTC: P0700\n"
    )
    report = read_report(text, bus)
    assert (CodeSeen("ECM", "U0121-87", "present"), CodeSeen("TCM", "P0700")) == report.codes
    assert () == report.unread


def test_a_report_is_evidence(bus: Car) -> None:
    """Modules with codes or without answer, the others are silent; one without codes has none."""
    report = read_report("ECM U0121 present\nTCM no codes\nABS no answer\n", bus)
    wanted = Evidence.model_validate(
        {"answers": ["ECM", "TCM"], "silent": ["ABS"], "codes": ["ECM U0121 present"], "no_codes": ["TCM"]}
    )
    assert wanted == report.evidence()


@pytest.mark.parametrize("text", ["", "\n\n", ",;|\t", "U0100", "Module:", "ECM " * 3000, '"', "a" * 100_000])
def test_any_text_can_be_pasted(bus: Car, text: str) -> None:
    """Nothing that is pasted ends in an error; what says nothing has no codes."""
    assert (ScanReport, ()) == (type(read_report(text, bus)), read_report(text, bus).codes)
