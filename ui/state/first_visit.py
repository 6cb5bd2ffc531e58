"""The first visit: jobs to choose from, and five steps from a complaint to a proven repair, ticked when done.

The customers are invented, and so are their cars.
"""

from __future__ import annotations

from dataclasses import dataclass

import streamlit as st

from sim.bench.tester import Report
from ui.drawing import sheet
from ui.drawing.tables import step_list
from ui.state.held import Held
from ui.state.visible import Visible

PROOF = (
    "Clear the codes (unlock the gateway first, if there is one), start again, scan: "
    "an empty report is the proof."
)


@dataclass(frozen=True, slots=True)
class FirstJob:
    """A car with a complaint: what the customer says, and what is the matter (`given` edits)."""

    title: str
    complaint: str
    car_name: str
    given: tuple[str, ...]


FIRST_JOBS = (
    FirstJob(
        "The bakery's car",
        "It cranks and cranks but never starts. It was parked beside a stove pipe where mice live.",
        "teaching-car.yaml",
        ("pull F14",),
    ),
    FirstJob(
        "One dark panel",
        "After the trunk was flooded the cluster is dark, and the tester is full of codes.",
        "six-modules.yaml",
        ("pull F5",),
    ),
    FirstJob(
        "The minibus without its trailer socket",
        "Since the tow bar was taken off it does not crank and cannot be switched off. "
        "It has been worked on before.",
        "shuttle-minibus.yaml",
        ("theory ECM waits for TRAILER", "unplug TRAILER.C1", "pull F11"),
    ),
)


@dataclass(frozen=True, slots=True)
class VisitStep:
    """One step: what to do and whether it is done."""

    words: str
    done: bool


def steps(log: list[str], asked_why: bool, changes_left: int, report: Report | None) -> list[VisitStep]:
    """The steps with their ticks, from what has been done so far."""
    starts = [
        place for place, text in enumerate(log) if text.startswith(("press start", "key crank", "key run"))
    ]
    scans = [place for place, text in enumerate(log) if text == "scan"]
    clears = [place for place, text in enumerate(log) if text.startswith("clear")]
    proven = bool(
        report and scans and clears and scans[-1] > clears[-1] and not report.codes and not report.silent
    )
    return [
        VisitStep("Seat: try to start the car. What do engine and lamps say?", bool(starts)),
        VisitStep("Tester: scan. Which modules are silent, which codes are there?", bool(scans)),
        VisitStep("Pick a row of the scan. Why follows it back to its cause.", asked_why),
        VisitStep("Repair what you found, in Part or Work.", bool(scans) and not changes_left),
        VisitStep(PROOF, proven),
    ]


def show(held: Held, visible: Visible) -> None:
    """The steps while a first job is under way; nothing else has them."""
    if not held.job:
        return
    found = steps(
        held.bench.log, bool(st.session_state.get("asked_why")), len(visible.changes), held.bench.last_report
    )
    done = sum(step.done for step in found)
    title, _, complaint = held.job.partition(": ")
    words = f"{title}, {done} of {len(found)} steps"
    narrow = bool(st.session_state.get("narrow"))
    if narrow and done < len(found):  # the panels are below: one line, with the step that comes next
        words = next(step.words for step in found if not step.done)
    with st.expander(words, expanded=not narrow, icon=":material/checklist:", key="steps_box"):
        st.caption(f"The customer says: {complaint}")
        sheet.show(step_list((step.words, step.done) for step in found), "steps")
        if done == len(found):
            st.success("Found, repaired, proven.", icon=":material/celebration:")
            learn = st.session_state.get("entries", {}).get("join")  # none on a page alone, in a test
            if learn is not None:
                st.page_link(
                    learn, label="Next: a customer's car, with a work order", icon=":material/school:"
                )
