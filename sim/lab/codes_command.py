"""`busbay codes`: which codes of a report matter, from the command line."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import click

from sim.catalogue import STANDARD_INPUT, find_car
from sim.command_line import CAR_HELP, FILE, command, print_json, shipped, write_told
from sim.lab.absent import absent_modules
from sim.lab.absent_report import answer_words, codes_that_matter
from sim.lab.case import Evidence
from sim.lab.claims import claims_of
from sim.lab.report import DISCLAIMER, as_html, as_text
from sim.lab.scan_report import read_report
from sim.vehicle.car import Car
from sim.vehicle.problems import Problem
from sim.vehicle.reading import MAX_FILE_BYTES, car_from_text, decoded, text_of
from sim.vehicle.table_text import vehicle_of_table

TABLES = (".csv", ".tsv", ".txt")


@dataclass(frozen=True, slots=True)
class AbsenceRow:
    """A set of absent modules: its odds against the likeliest, the codes it explains and those left over."""

    modules: tuple[str, ...]
    odds: float
    explained: tuple[str, ...]
    unexplained: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CodesTold:
    """The sets of absent modules that explain most, likeliest first, and the lines not understood."""

    disclaimer: str
    answer: str
    sets: tuple[AbsenceRow, ...]
    hidden: tuple[str, ...]
    unread: tuple[str, ...]


@command(
    "codes",
    examples=["codes van.csv --report scan.txt", "codes shuttle-minibus --report scan.txt --json"],
    result=CodesTold,
)
@click.argument(
    "car",
    help=f"{CAR_HELP} Or a table of modules and buses (.csv, .tsv, .txt).",
    shell_complete=shipped("vehicles"),
)
@click.option(
    "--report", required=True, metavar="FILE", help="The text of a scan report, or - for standard input."
)
@click.option("--html", type=FILE, help="Write a page to be printed.")
def codes(car: str, report: str, html: Path | None, as_json: bool) -> None:
    """Tell which codes of a scan report matter.

    The few absent modules that explain most of the codes, and the codes left over. Two columns, module and
    bus, are enough of a car.
    """
    if car == report == STANDARD_INPUT:
        raise Problem("standard input is one file: give the car or the report a path")
    found = _car(car)
    read = read_report(_report(report), found)
    print(read.words, file=sys.stderr)
    for line in read.unread:
        print(f"  not understood, line {line.number}: {line.told}", file=sys.stderr)
    seen = read.evidence()
    if not (seen.codes or seen.silent or seen.answers):
        raise Problem("the report says nothing that is understood: it needs lines with modules and codes")
    sections = codes_that_matter(found, seen)
    if html:
        write_told(html, as_html("Which codes matter", sections))
    if as_json:
        print_json(_codes_told(found, seen, tuple(one.told for one in read.unread)))
    elif not html:
        print(as_text(sections))


def _codes_told(car: Car, seen: Evidence, unread: tuple[str, ...]) -> CodesTold:
    answer = absent_modules(claims_of(car), seen)
    rows = tuple(
        AbsenceRow(one.modules, one.odds, tuple(map(str, one.explained)), tuple(map(str, one.unexplained)))
        for one in answer.ties
    )
    return CodesTold(DISCLAIMER, answer_words(answer), rows, answer.hidden, unread)


def _car(name: str) -> Car:
    if not name.endswith(TABLES):
        return find_car(name)
    path = Path(name)
    return car_from_text(vehicle_of_table(text_of(path), path.name), path.name)


def _report(name: str) -> str:
    if name == STANDARD_INPUT:
        return decoded(sys.stdin.buffer.read(MAX_FILE_BYTES + 1), "standard input")
    return text_of(Path(name))
