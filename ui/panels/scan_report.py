"""The text of a scan report, pasted: what was understood of it, what was not, and which codes matter."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import streamlit as st

from sim.bench.tester import Report
from sim.lab.absent_report import codes_that_matter
from sim.lab.case import CodeSeen, Evidence
from sim.lab.report import DISCLAIMER, as_html
from sim.lab.scan_report import ScanReport, read_report
from sim.vehicle.car import Car
from ui.drawing import sheet
from ui.drawing.tables import plain_table
from ui.drawing.tables import section as section_html
from ui.panels.controls import button, download

MOST_CODES = 100  # rows in the preview
MOST_UNREAD = 20
EXAMPLE = "ECM; U0121-87; Lost communication; present\nABS; no answer"


def paste(car: Car, key: str, label: str) -> ScanReport | None:
    """A field to paste a report into, and below it what was understood; None while it is empty."""
    text = st.text_area(label, key=key, height=140, placeholder=EXAMPLE, persist_state="session")
    if not text.strip():
        return None
    report = read_report(text, car)
    st.markdown(f"**{report.words}**")
    _unread(report)
    _preview(report, key)
    return report


def _unread(report: ScanReport) -> None:
    if not report.unread:
        return
    lines = [f"line {one.number}: {one.told}" for one in report.unread[:MOST_UNREAD]]
    more = len(report.unread) - len(lines)
    tail = [f"and {more} more"] if more > 0 else []
    st.warning("Not understood, and left out:", icon=":material/help:")
    st.text("\n".join([*lines, *tail]))


def _preview(report: ScanReport, key: str) -> None:
    seen = report.evidence()
    with st.expander("What was understood"):
        rows: list[tuple[str, str, str]]
        rows = [(one.module, one.code, one.state) for one in seen.codes[:MOST_CODES]]
        rows += [(name, "", "no answer") for name in seen.silent]
        rows += [(one.module, "", "no codes") for one in seen.no_codes]
        sheet.show(plain_table(("module", "code", "state"), rows, (1,)), f"{key}_preview")
        if len(seen.codes) > MOST_CODES:
            st.caption(f"and {len(seen.codes) - MOST_CODES} more codes")


def matter(car: Car, seen: Evidence, key: str) -> None:
    """The few absent modules that explain most codes, ties, and the codes left over."""
    sections = codes_that_matter(car, seen)
    with st.container(key=f"{key}_matter"):
        answer, *details = sections[0].parts
        st.markdown(f"**{answer}**")
        for title, parts in (("", details), *((one.title, one.parts) for one in sections[1:])):
            if title:
                st.markdown(f"**{title}**")
            if parts:
                sheet.show(section_html(parts), f"{key} {title}")
        st.caption(DISCLAIMER)
    download(
        "Report to print", partial(as_html, "Which codes matter", sections), "codes.html", f"{key}_print"
    )


def which_codes(car: Car, known: Evidence | None, key: str) -> None:
    """Which codes matter: of what is known already, or of a report that is pasted."""
    with st.expander("Which codes matter: what is absent?", key=f"{key}_which"):
        st.markdown(
            "One module without supply makes many others set codes. The list of modules, and of who "
            "listens to whom, gives the few absent modules that explain most codes."
        )
        report = paste(car, f"{key}_text", "paste the text of a scan report, in any layout")
        seen = known if report is None else report.evidence()
        if seen is None:
            st.caption("Nothing is scanned yet: scan the car in the bay, or paste a report.")
            return
        if report is None:
            st.caption("The last scan:")
        matter(car, seen, key)


def as_a_step(car: Car, add: Callable[[], None], key: str, tell: Callable[[], None]) -> None:
    """Paste a report and tell it as a step of the case.

    `add` reads the field when its button, of this key, is pressed; `tell` says what was wrong then.
    """
    with st.expander("A scan report as text", key="step_report_box"):
        paste(car, "step_report", "paste it, in any layout")
        tell()
        button("Add this scan as a step", key, add)


def seen_in(report: Report | None) -> Evidence | None:
    """A scan in the bay as what was seen; None without one, or without supply at the connector."""
    if report is None or not report.power:
        return None
    codes = tuple(
        CodeSeen(entry.module, one.code, "present" if one.failing_now else "stored")
        for entry in report.modules
        for one in entry.codes
    )
    answers = tuple(entry.module for entry in report.modules if entry.answers)
    return Evidence(answers=answers, silent=report.silent, codes=codes)
