"""`busbay codes`: which codes of a report matter, from the command line."""

from __future__ import annotations

import sys
from argparse import ArgumentParser, Namespace
from pathlib import Path

from sim.catalogue import STANDARD_INPUT, find_car
from sim.lab.absent_report import as_text, codes_that_matter
from sim.lab.report import as_html
from sim.lab.scan_report import read_report
from sim.vehicle.car import Car
from sim.vehicle.problems import Problem
from sim.vehicle.reading import MAX_FILE_BYTES, car_from_text, decoded, text_of
from sim.vehicle.two_columns import vehicle_of_table

TABLES = (".csv", ".tsv", ".txt")


def codes_arguments(parser: ArgumentParser) -> None:
    """Arguments of `codes`."""
    parser.add_argument(
        "car", help="a shipped car's name, a vehicle file, or a table of modules and buses (.csv, .tsv, .txt)"
    )
    parser.add_argument(
        "--report", required=True, metavar="FILE", help="the text of a scan report, or - for standard input"
    )
    parser.add_argument("--html", type=Path, metavar="FILE", help="write a page to be printed")


def codes(chosen: Namespace) -> int:
    """Print the few absent modules that explain most codes of a report, and the codes left over."""
    if chosen.car == chosen.report == STANDARD_INPUT:
        raise Problem("standard input is one file: give the car or the report a path")
    car = _car(chosen.car)
    report = read_report(_report(chosen.report), car)
    print(report.words, file=sys.stderr)
    for line in report.unread:
        print(f"  not understood, line {line.number}: {line.told}", file=sys.stderr)
    seen = report.evidence()
    if not (seen.codes or seen.silent or seen.answers):
        raise Problem("the report says nothing that is understood: it needs lines with modules and codes")
    sections = codes_that_matter(car, seen)
    if chosen.html is None:
        print(as_text(sections))
        return 0
    try:
        chosen.html.write_text(as_html("Which codes matter", sections), encoding="utf-8")
    except OSError as error:
        raise Problem(f"{chosen.html} cannot be written: {error.strerror}") from None
    return 0


def _car(name: str) -> Car:
    if not name.endswith(TABLES):
        return find_car(name)
    path = Path(name)
    return car_from_text(vehicle_of_table(text_of(path), path.name), path.name)


def _report(name: str) -> str:
    if name == STANDARD_INPUT:
        return decoded(sys.stdin.buffer.read(MAX_FILE_BYTES + 1), "standard input")
    return text_of(Path(name))
