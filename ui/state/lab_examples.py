"""Examples that fill an empty page of the lab in one click: a car in the bay, and what the page asks for.

The log worked on until then is left where it can be taken up again.
"""

from __future__ import annotations

import streamlit as st

from sim.catalogue import shipped_cases
from sim.lab.drive import plain_morning
from sim.vehicle.edits import catalogue, verb_of
from sim.vehicle.quick_car import TableRow
from ui.state import bench_jobs, branch_source, car_table, case_now, search_question, suppositions, work
from ui.state.first_visit import FIRST_JOBS, FirstJob
from ui.state.held import Held, Report
from ui.state.session import shipped_cars

NO_START, _, SEVERAL = FIRST_JOBS
SMALLEST = "six-modules.yaml"
PAIRED_VERB = "pull"  # few enough to run all pairs of in seconds


def what_if() -> None:
    """A fault, a plug that is off and a design difference, in all combinations."""

    def job(held: Held, report: Report) -> None:
        bench_jobs.take_car(held, report, SEVERAL.car_name, shipped_cars()[SEVERAL.car_name])
        suppositions.from_case(held, list(SEVERAL.given), [], plain_morning(held.car))

    work.ask(job)


def replay_from_here() -> None:
    """A car that does not start, and the same morning with the fuse fitted before the key is turned."""
    _tried(NO_START, "key crank", "wait 5 s", "scan")
    branch_source.from_the_bay(keep=1)
    fuse = NO_START.given[0].removeprefix("pull ")
    st.session_state.branch_instead = f"fit {fuse}\nkey crank"


def possible_causes() -> None:
    """A start that was tried and a scan; what was pulled before counts as not known."""
    text = shipped_cars()[SMALLEST]
    log = ["wait 20 s", "pull F5", "press start", "wait 10 s", "scan"]
    work.ask(bench_jobs.take_log, SMALLEST, text, (), 0, log)
    st.session_state.suspects_of = search_question.IN_THE_BAY
    st.session_state.suspects_hide = True


def faults_that_hide() -> None:
    """All fuses of the smallest car, two and two."""

    def job(held: Held, report: Report) -> None:
        bench_jobs.take_car(held, report, SMALLEST, shipped_cars()[SMALLEST])
        st.session_state.pairs_of = held.car_text
        st.session_state.pairs_edits = [text for text in catalogue(held.car) if verb_of(text) == PAIRED_VERB]

    work.ask(job)


def case() -> None:
    """The first case that ships."""
    path = next(iter(shipped_cases().values()))
    case_now.open_text(path.read_text(encoding="utf-8"), path.name)


def describe_a_car() -> None:
    """Five modules on two buses."""
    rows = [
        TableRow(module="ECM", bus="main", fuse="F1 15 A"),
        TableRow(module="TCM", bus="main", fuse="F1 15 A"),
        TableRow(module="ABS", bus="main", fuse="F2 25 A"),
        TableRow(module="BCM", bus="main, body", fuse="F3"),
        TableRow(module="CLUSTER", bus="body", fuse="F3"),
    ]
    car_table.begin_with(car_table.CarTable("A small van", rows))


def _tried(job: FirstJob, *actions: str) -> None:
    text = shipped_cars()[job.car_name]
    work.ask(bench_jobs.take_log, job.car_name, text, job.given, 0, ["wait 20 s", *actions])
