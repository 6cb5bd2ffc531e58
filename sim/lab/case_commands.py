"""A case from the command line: begun with a pasted scan report, and its rival stories put to the test."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from sim.catalogue import find_car, is_path, vehicle_text
from sim.command_line import FILE, car_argument, command, print_json, progress, write_new, write_told
from sim.lab.case_file import as_case_file, case_from_text, find_case
from sim.lab.command_options import Runs, case_argument, html_option, runs_options
from sim.lab.next_check import next_check
from sim.lab.scan_report import read_report
from sim.lab.shop_report import shop_report
from sim.lab.stories import CaseTold, case_told, table_text, try_stories
from sim.lab.story_checks import rivals
from sim.vehicle.problems import Problem
from sim.vehicle.reading import text_of

EXAMPLE = (
    'new-case my-van.yaml --scan-report scan.txt --done "press start" '
    '--story "fuse: pull F2" --out van-case.yaml'
)


@command("case", examples=["case radio-taxi", "case my-case.yaml --html case.html"], result=CaseTold)
@case_argument
@html_option
@click.option("--report", type=FILE, help="Write the shop report: found, proved, open, on a page or two.")
@runs_options
def case(case: str, html: Path | None, report: Path | None, runs: Runs, as_json: bool) -> None:
    """Put the rival stories of a case to the test.

    The stories that give everything that was seen come first.
    """
    told = find_case(case)
    with runs.workshop() as workshop, progress("runs") as tell:
        table = try_stories(told, workshop=workshop, progress=tell)
        if report:
            found = rivals(told, workshop=workshop)
            write_told(report, shop_report(table, next_check(found, every_kind=True, workshop=workshop)))
    if html:
        write_told(html, table.as_html())
    if as_json:
        print_json(case_told(table))
    elif not (html or report):
        print(table_text(table))


@command("new-case", examples=[EXAMPLE])
@car_argument
@click.option("--scan-report", "report", type=FILE, required=True, help="The text of a scan report.")
@click.option("--done", multiple=True, help="What was done before the scan; again for more.")
@click.option("--given", multiple=True, help="What was found, such as 'unplug X2'; again for more.")
@click.option("--story", "stories", multiple=True, help="A rival story, 'NAME: edit; edit'; again for more.")
@click.option("--title", default="A case of my own", show_default=True, help="What the case is called.")
@click.option("--out", type=FILE, required=True, help="Write the case file there; its car goes with it.")
def new_case(
    car: str,
    report: Path,
    done: tuple[str, ...],
    given: tuple[str, ...],
    stories: tuple[str, ...],
    title: str,
    out: Path,
) -> None:
    """Begin a case with a scan report."""
    read = read_report(text_of(report), find_car(car))
    print(read.words, file=sys.stderr)
    for line in read.unread:
        print(f"  not understood, line {line.number}: {line.told}", file=sys.stderr)
    seen = read.evidence()
    if not (seen.codes or seen.silent or seen.answers):
        raise Problem("the report says nothing that is understood: it needs lines with modules and codes")
    own = is_path(car) or Path(car).is_file()
    text = as_case_file(
        {
            "case": title,
            **{what: one for what, one in (("date", read.date), ("odometer", read.odometer)) if one},
            "given": list(given),
            "steps": [{"do": [*done, "scan"], "seen": seen.model_dump(mode="json", exclude_defaults=True)}],
            "stories": dict(map(_story, stories)) or {"as described": {}},
            "car": vehicle_text(car).rstrip("\n") + "\n" if own else car,
        }
    )
    told = case_from_text(text, out.name)
    write_new(out, text)
    print(f"{out}: {len(told.stories)} stories to put to the test with 'busbay case {out}'")


def _story(text: str) -> tuple[str, dict[str, list[str]]]:
    name, colon, edits = text.partition(":")
    if not colon or not name.strip():
        raise Problem(f"a story is written 'NAME: edit; edit' (here: '{text}')")
    return name.strip(), {"edits": [one.strip() for one in edits.split(";") if one.strip()]}
