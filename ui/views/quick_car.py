"""Describe a car: a table with a row for each module, its drawing beside it, a vehicle file in the end."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import partial

import pandas as pd
import streamlit as st

from sim.bench.bench import Bench
from sim.handbook.links import RECORDINGS
from sim.vehicle.car_templates import TEMPLATES
from sim.vehicle.problems import Problem
from sim.vehicle.quick_car import COLUMNS, USUAL_BPS, vehicle_file
from sim.vehicle.reading import car_from_text
from sim.vehicle.table_doubts import Doubt, doubts_in, settled
from sim.vehicle.words import counted
from ui.drawing import sheet
from ui.drawing.car_map import car_map
from ui.drawing.layout import NARROW, layout_of
from ui.panels.controls import button, download, undo_button
from ui.panels.help import in_lines, tell
from ui.state import bench_jobs, turns, work
from ui.state.car_table import (
    BITRATES,
    KIND,
    CarTable,
    begin_with,
    begin_with_log,
    frame_of,
    keep,
    rows_of,
    table_now,
)
from ui.state.limits import FILE_MB
from ui.state.visible import all_visible
from ui.state.work import after_work

# a packed log or a database can be made so that reading it never ends: those are for the command line
LOG_FORMATS = ["asc", "csv", "log", "trc"]
HELP = {
    "module": "a short name, such as ECM, or its words: Engine control module is then called "
    "Engine-control-module; a usual name brings its usual code",
    "bus": "the bus it is on, such as main; a gateway is on several: main, body",
    "place": "a number: the order along the line; empty: the number of the row",
    "fuse": "such as F3 or F3 15 A; where two boxes have an F3, F3 in engine bay; modules may share one; "
    "empty: one of its own, 10 A",
    "ground": "the ground point, such as G2; empty: one for all",
    "inline": "the in-line connector that its wires pass, such as X1",
    "hears": "the modules whose messages it needs: ECM, BCM; all; - for none; empty: all on its buses",
    "sends": "if known: 1A0 every 10 ms 8 bytes, 2B0; empty: one message every 100 ms",
    "location": "in words, such as under the left seat",
}
WIDTHS = {
    "module": 140, "bus": 96, "place": 76, "fuse": 78, "ground": 88, "inline": 82, "hears": 110, "sends": 124,
    "location": 110,
}  # fmt: skip


@turns.fragment
def show() -> None:
    """The page; one fragment, so that a click draws nothing else again."""
    held = after_work(st.empty())
    st.title("Describe a car")
    st.markdown(
        "One row for each module; a name and a bus are enough, and the rest is filled in with usual values. "
        "The drawing grows with the rows, and nothing is lost when you leave."
    )
    table = table_now(held)
    left, right = st.columns([1.75, 1], gap="medium")
    with left:
        st.session_state.setdefault("quick_title", table.title)
        table.title = st.text_input(
            "what the car is called", key="quick_title", placeholder="A car of my own"
        )
        st.session_state.setdefault("quick_template", table.template)
        table.template = st.selectbox(
            "it begins as", ["", *TEMPLATES], key="quick_template", format_func=_kind_words,
            help="what the table does not say: how it starts, engine, immobilizer, warning lamps",
        )  # fmt: skip
        table.rows = rows_of(_editor(table))
        _begin()
    problem, text = _file(table)
    with right:
        with st.container(key="quick_problem"):
            if problem:
                st.warning(in_lines(problem), icon=":material/edit:")
        _doubts(table)
        _drawing(text, bool(table.rows))
        _take(table, "" if problem else text)
        _bitrates(table, text)
    keep(held, table)


def _kind_words(template: str) -> str:
    return TEMPLATES[template].title if template else "plain: a key with one contact, no engine"


# -- the table -----------------------------------------------------------------------------------------------


def _editor(table: CarTable) -> pd.DataFrame:
    """The table to write in; what it begins with stays the same until another table takes its place."""
    key = f"quick_table_{st.session_state.setdefault('quick_number', 0)}"
    if key not in st.session_state:  # the first time, and whenever the page is opened again
        st.session_state.quick_base = frame_of(table.rows)
    columns = {"_index": st.column_config.NumberColumn("row", width=44)}
    for name in COLUMNS:
        kind = st.column_config.NumberColumn if name == "place" else st.column_config.TextColumn
        columns[name] = kind(COLUMNS[name], help=HELP[name], width=WIDTHS[name])
    return st.data_editor(
        st.session_state.quick_base, key=key, num_rows="dynamic", hide_index=False, height=492,
        placeholder="", column_config=columns,
    )  # fmt: skip


def _file(table: CarTable) -> tuple[str, str]:
    """What is wrong with the table, and the vehicle file: the last good one while something is."""
    if not table.rows:
        st.session_state.quick_text = ""
        return "", ""
    try:
        st.session_state.quick_text = vehicle_file(table.rows, table.title, table.bitrates, table.template)
    except Problem as problem:
        return str(problem), st.session_state.get("quick_text", "")
    return "", st.session_state.quick_text


def _doubts(table: CarTable) -> None:
    """What may be misspelled, with both answers."""
    for number, doubt in enumerate(doubts_in(table.rows, table.meant)):
        with st.container(key=f"quick_doubt_{number}"):
            st.info(str(doubt), icon=":material/help:")
            with st.container(horizontal=True):
                button(f"Write '{doubt.nearest}'", f"quick_meant_{number}", partial(_write, table, doubt))
                button(f"'{doubt.name}' is right", f"quick_right_{number}", partial(_is_right, table, doubt))


def _write(table: CarTable, doubt: Doubt) -> None:
    if doubt in doubts_in(table.rows, table.meant):  # else it was settled by an earlier click
        begin_with(replace(table, rows=settled(table.rows, doubt)))


def _is_right(table: CarTable, doubt: Doubt) -> None:
    table.meant.append(doubt.name)


# -- beside it -----------------------------------------------------------------------------------------------


def _drawing(text: str, begun: bool) -> None:
    if not text:
        first = "Once these cells are right" if begun else "Write a module and its bus into the first row"
        st.caption(f"{first}{',' if begun else ', and'} the drawing begins.")
        return
    drawn: tuple[str, str] | None = st.session_state.get("quick_drawn")
    if drawn is None or drawn[0] != text:
        car = car_from_text(text, "this table")
        drawn = text, car_map(car, layout_of(car, NARROW), all_visible(Bench(car)))
        st.session_state.quick_drawn = drawn
    with st.container(key="quick_map"):
        sheet.show(drawn[1], "quick_drawing")
    built = car_from_text(text, "this table").built
    st.caption(
        f"{counted(len(built.modules), 'module')}, "
        f"{len(built.buses)} bus{'es' if len(built.buses) != 1 else ''}, {len(built.fuses)} fuses"
    )


def _bitrates(table: CarTable, text: str) -> None:
    if not text:
        return
    with st.expander("Bit rates"):
        for bus in car_from_text(text, "this table").built.buses:
            st.selectbox(
                bus,
                BITRATES,
                index=BITRATES.index(table.bitrates.get(bus, USUAL_BPS)),
                key=f"quick_rate {bus}",
                format_func=lambda one: f"{one // 1000} kbit/s",
                on_change=partial(_set_bitrate, table, bus),
            )


def _set_bitrate(table: CarTable, bus: str) -> None:
    table.bitrates[bus] = st.session_state[f"quick_rate {bus}"]


def _take(table: CarTable, text: str) -> None:
    name = f"{re.sub(r'[^a-z0-9]+', '-', table.title.lower()).strip('-') or 'my-car'}.yaml"
    with st.container(horizontal=True, key="quick_take"):
        # no callback: a cell is taken over by the very click, and only what is drawn now knows it
        pressed = button("Into the bay", "quick_bay", icon="car_repair", primary=True, disabled=not text)
        download("Save the vehicle file", text, name, "quick_save", icon="download", disabled=not text)
    if text and pressed:
        work.ask(bench_jobs.take_car, name, text)
        st.session_state.to_the_bay = True
        st.rerun()
    if text:
        with st.expander("The vehicle file"):
            st.code(text, language="yaml", height=320)


# -- to begin with -------------------------------------------------------------------------------------------


def _begin() -> None:
    with st.expander("Begin with a recorded bus log, or with an empty table"):
        file = st.file_uploader(
            "a log of one or several buses", type=LOG_FORMATS, key="quick_log", max_upload_size=FILE_MB
        )
        st.text_input("only this channel of it", key="quick_channel")
        with st.container(horizontal=True):
            button("Begin with its messages", "quick_import", _import_chosen, disabled=file is None)
            button("Empty the table", "quick_empty", partial(begin_with, CarTable()))
            undo_button(KIND, begin_with)
        if st.session_state.get("quick_log_problem"):
            tell(st.session_state.quick_log_problem, RECORDINGS)
        st.caption(
            "A log does not name senders: every identifier begins as a module of its own. Put those that "
            "belong together in one row as you find out. What a second bus "
            "repeats came through a gateway. Logs in .blf and .db: `busbay import`."
        )


def _import_chosen() -> None:
    file = st.session_state.quick_log
    if file is not None:  # taken away again
        begin_with_log(file, st.session_state.quick_channel.strip() or None)
