"""The tester at the diagnostic connector: scan, keep reports, compare them, clear codes, unlock a gateway."""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.bench.tester import difference
from sim.vehicle.elements import TESTER_LINK
from ui.drawing import sheet
from ui.drawing.tables import difference_table, report_table
from ui.panels import read_out, set_up, why
from ui.panels.cautions import caution
from ui.panels.controls import action_button
from ui.panels.diagram import guarded_gateways, right_lasts
from ui.panels.help import term
from ui.state.held import Held
from ui.state.visible import Visible
from ui.state.work import ask_to_do

SHOWN = ("all", "with codes", "silent")


def show(held: Held, visible: Visible) -> None:
    """The tester panel."""
    action_button("Scan all modules", "scan", icon=":material/radar:", kind="primary")
    _report(held, visible)
    if "clear" in visible.tools:
        _clear(held, visible)
    read_out.show(held, visible)
    set_up.show(held, visible)
    _keep(held)


def _report(held: Held, visible: Visible) -> None:
    report = held.bench.last_report
    if report is None:
        st.caption("No scan yet. A scan wakes the modules and reads what each has stored.")
        return
    answering = len(report.modules) - len(report.silent)
    # all of them at one place: two question marks would have the same name
    guarded = ("security access",) if "clear" in visible.tools and guarded_gateways(held.car) else ()
    over_ip = ("DoIP", "edge node") if TESTER_LINK in held.car.transceivers else ()
    with st.container(key="scan_result"):
        st.markdown(
            f"at {report.time_s:.1f} s: **{answering} of {len(report.modules)}** modules answer, "
            f"**{len(report.codes)}** code{'' if len(report.codes) == 1 else 's'}",
            help=term("DTC", "failure type", "U code", "history code", "status byte", *over_ip, *guarded),
        )
    if held.bench.cleared_since_scan:
        st.warning("This report is from before clearing. Scan again.", icon=":material/history:")
    shown = st.segmented_control(
        "rows", SHOWN, default="all", key="shown", required=True, label_visibility="collapsed",
        persist_state="session",
    )  # fmt: skip
    sheet.show(
        report_table(report, shown or "all", held.bench.cleared_since_scan),
        "report",
        partial(_picked, visible),
    )
    opens = "its module" if visible.only_found else "why"
    st.caption(
        f"● present   ○ history. Pick a row to see {opens}; the status byte follows ISO 14229-1.",
    )


def _picked(visible: Visible) -> None:
    """A row opens its reasons, or in an exercise its module."""
    picked = sheet.picked("report")
    if not picked:
        return
    if visible.only_found:
        st.session_state.part, st.session_state.panel = f"module {picked.split()[1]}", "Part"
    else:
        why.ask_why(*picked.split(maxsplit=1))


def _clear(held: Held, visible: Visible) -> None:
    guarded = guarded_gateways(held.car)
    with st.container(horizontal=True):
        action_button("Clear all codes", "clear", icon=":material/ink_eraser:")
        for name in guarded:
            action_button(f"Unlock {name}", f"unlock {name}", icon=":material/lock_open:")
    if guarded:
        st.caption(
            f"{', '.join(guarded)} lets a clear request through only after security access, "
            f"{right_lasts(held.car, guarded[0])}.",
            help=None if held.bench.last_report else term("security access"),
        )
    caution("clear")


def _keep(held: Held) -> None:
    bench = held.bench
    if bench.last_report is not None:
        with st.form("keep", border=False), st.container(horizontal=True, vertical_alignment="bottom"):
            st.text_input(
                "save this report as", key="report_name", placeholder="before the repair", max_chars=60
            )
            st.form_submit_button("Save", on_click=_save)
    names = list(bench.reports)
    if not names:
        return
    st.markdown("**Compare two reports**")
    latest = "(last scan)"
    options = [*names, latest]
    one, other = st.columns(2)
    before = one.selectbox("from", options, key="compare_from")
    after = other.selectbox("to", options, index=len(options) - 1, key="compare_to")
    reports = {**bench.reports, latest: bench.last_report}
    first, second = reports[before], reports[after]
    if first is not None and second is not None:
        sheet.show(difference_table(difference(first, second)), "difference")


def _save() -> None:
    ask_to_do(f"save {st.session_state.report_name}")
