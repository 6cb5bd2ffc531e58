"""What the tester reads besides codes: live data with a graph, records of a code, monitors; and its tests."""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.bench.j1939_reading import J1939Reading
from sim.bench.reading_out import CodeDetails, LiveReading
from sim.bench.traffic import is_on_j1939
from sim.modules.diagnostics import engine_module
from sim.modules.tester_control import outputs_of
from ui.drawing import sheet
from ui.drawing.live_graph import graph, numeric_titles
from ui.drawing.tables import plain_table
from ui.panels.cautions import caution
from ui.panels.controls import action_button, one_of
from ui.panels.help import term
from ui.panels.prices import price_as_shown, with_price
from ui.state.held import Held
from ui.state.visible import Visible
from ui.state.work import as_shown, ask_to_do_as_shown

MODULE, OUTPUT, CODE, SHOWN = "read_module", "read_output", "read_code", "read_shown"
READ_S = 10
COLUMNS = ("controller", "code and meaning", "state")


def show(held: Held, visible: Visible) -> None:
    """Controllers on SAE J1939; closed until wanted: live data, actuator tests, records, monitors."""
    _j1939(held)
    with st.expander("Live data and tests", key="read_out_box"):
        titles = {name: held.car.built.modules[name].title for name in held.car.addresses}
        named = {name: f"{name} · {title}" if title else name for name, title in titles.items()}
        one_of("module to read", named, MODULE)
        name = st.session_state[MODULE]
        with st.container(horizontal=True):
            _button("Read live data", f"read {{{MODULE}}}", ":material/speed:")
            _button(f"Record {READ_S} s", f"read {{{MODULE}}} for {READ_S} s", ":material/timeline:")
            _button("Self-test", f"selftest {{{MODULE}}}", ":material/fact_check:")
        _live(held.bench.live_readings.get(name, []))
        _told(held, name)
        _actuate(held, name)
        _records(held)
        _monitors(held)


def _button(words: str, action: str, icon: str, help: str | None = None) -> None:
    ask = partial(ask_to_do_as_shown, as_shown(action))
    told = with_price(words, price_as_shown(action))
    st.button(told, key=f"read out {action}", icon=icon, help=help, on_click=ask)


def _live(readings: list[LiveReading]) -> None:
    if not readings:
        st.caption("Not read yet. Live data come with service 22, one identifier after the other.")
        return
    last = readings[-1]
    st.caption(f"{last.module} at {last.time_s:.1f} s, {len(readings)} readings kept")
    if last.refusal:
        st.warning(last.refusal)
    sheet.show(plain_table(("live data", "value"), [(one.title, one.shown) for one in last.rows]), "live")
    choices = numeric_titles(readings)
    if len(readings) > 1 and choices:
        one_of("graph of", dict(zip(choices, choices, strict=True)), SHOWN)
        sheet.show(graph(readings, st.session_state[SHOWN]), "live_graph")


def _told(held: Held, name: str) -> None:
    found = held.bench.tests.get(name)
    if found is not None:
        st.caption(f"Self-test of {found.words}.")


def _actuate(held: Held, name: str) -> None:
    known = outputs_of(held.car, name)
    if not known:
        return
    st.markdown("**Actuator test**")
    one_of("output", {one: one.replace("_", " ") for one in known}, OUTPUT, term("actuator test"))
    with st.container(horizontal=True):
        for word in ("on", "off"):
            action = f"actuate {{{MODULE}}} {{{OUTPUT}}} {word}"
            _button(f"Switch {word}", action, f":material/toggle_{word}:")
        _button("Release", f"release {{{MODULE}}}", ":material/undo:")
    if held.bench.tester.held:
        st.caption(f"The tester holds outputs of {', '.join(sorted(held.bench.tester.held))}.")
    caution("actuate")


def _records(held: Held) -> None:
    report = held.bench.last_report
    if report is None or not report.codes:
        return
    st.markdown("**Records of a code**")
    codes = [f"{entry.module} {code.code}" for entry in report.modules for code in entry.codes]
    one_of("code to look into", dict(zip(codes, codes, strict=True)), CODE, term("freeze frame"))
    _button("Freeze frames and counters", f"details {{{CODE}}}", ":material/history:")
    _details(held.bench.details)


def _details(found: CodeDetails | None) -> None:
    if found is None:
        return
    st.caption(f"{found.module} {found.code} at {found.time_s:.1f} s")
    if found.refusal:
        st.warning(found.refusal)
    else:
        sheet.show(plain_table(("record", "value"), list(found.rows())), "details")


def _j1939(held: Held) -> None:
    if not is_on_j1939(held.car):
        return
    st.markdown("**Controllers on SAE J1939**")
    action_button("Read DM1 and DM2", "faults", icon=":material/local_shipping:")
    found = held.bench.tests.get("faults")
    if not isinstance(found, J1939Reading):
        return
    if found.refusal:
        st.warning(found.refusal)
        return
    lamps = ", ".join(found.lamps) or "none"
    st.caption(f"{found.heard} at {found.time_s:.1f} s. Lamps that DM1 asks for: {lamps}.")
    rows = [
        (
            f"{row['module']}, {row['address']}",
            f"{row['code']}: {row['text']}" if row["code"] else row["text"],
            f"{row['state']}, counted {row['count']}" if row["code"] else "",
        )
        for row in found.rows()
    ]
    sheet.show(plain_table(COLUMNS, rows), "faults_read")


def _monitors(held: Held) -> None:
    if engine_module(held.car.built) is None:
        return
    st.markdown("**Monitors of the engine**")
    _button("Read readiness", "readiness", ":material/checklist:", term("monitor", "readiness"))
    found = held.bench.tests.get("readiness")
    if found is not None:
        st.caption(f"{found.words}.")
