"""Describe a car: a table with a row for each module, its drawing beside it, a vehicle file in the end."""

from __future__ import annotations

import json
import re
from dataclasses import asdict, dataclass, field
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, get_args

import pandas as pd
import streamlit as st

from sim.bench.bench import Bench
from sim.link.log_import import read_log, table_rows
from sim.vehicle.description_base import Bitrate
from sim.vehicle.problems import Problem
from sim.vehicle.quick_car import COLUMNS, USUAL_BPS, Row, vehicle_file
from sim.vehicle.reading import car_from_text
from ui.drawing import sheet
from ui.drawing.car_map import car_map
from ui.drawing.layout import NARROW, layout_of
from ui.panels import one_back
from ui.state import bench_jobs, kept, work
from ui.state.held import Held
from ui.state.visible import all_visible
from ui.state.work import worked_off

KIND = "tables"
BITRATES = get_args(Bitrate)
EMPTY_ROWS = 12  # to begin with
# a packed log or a database can be made so that reading it never ends: those are for the command line
LOG_FORMATS = ["asc", "csv", "log", "trc"]
HELP = {
    "module": "a short name without spaces, such as ECM; a usual abbreviation brings its usual code",
    "bus": "the bus it is on, such as main; a gateway is on several: main, body",
    "place": "a number: the order along the line; empty: the number of the row",
    "fuse": "such as F3 or F3 15 A; modules may share one; empty: one of its own, 10 A",
    "ground": "the ground point, such as G2; empty: one for all",
    "inline": "the in-line connector that its wires pass, such as X1",
    "hears": "the modules that it misses when they are silent: ECM, BCM; all; - for nobody; "
    "empty: everybody on its buses",
    "sends": "if known: 1A0 every 10 ms 8 bytes, 2B0; empty: one message every 100 ms",
}
WIDTHS = {
    "module": 92, "bus": 88, "place": 76, "fuse": 78, "ground": 88, "inline": 82, "hears": 110, "sends": 124
}  # fmt: skip


@dataclass
class CarTable:
    """What stands in the table."""

    title: str = ""
    rows: list[Row] = field(default_factory=list)
    bitrates: dict[str, int] = field(default_factory=dict)

    def text(self) -> str:
        """To be kept."""
        return json.dumps(asdict(self), ensure_ascii=False)

    @classmethod
    def from_text(cls, text: str | None) -> CarTable:
        """What was kept; an empty table where that is none of ours."""
        try:
            data = json.loads(text or "")
            rates = {str(bus): rate for bus, rate in data["bitrates"].items() if rate in BITRATES}
            rows = [Row(**{name: _cell(name, row[name]) for name in COLUMNS}) for row in data["rows"]]
            return cls(str(data["title"]), rows, rates)
        except (ValueError, KeyError, TypeError, AttributeError):
            return cls()


def show() -> None:
    """The page; a fragment of its own."""
    _page()


@st.fragment
def _page() -> None:
    held = worked_off(st.empty())
    st.title("Describe a car")
    st.markdown(
        "One row for each module; a name and a bus are enough, and the usual is filled in for the rest. "
        "The drawing grows with the rows, and nothing is lost when you leave."
    )
    table = _table(held)
    left, right = st.columns([1.75, 1], gap="medium")
    with left:
        st.session_state.setdefault("quick_title", table.title)
        table.title = st.text_input(
            "what the car is called", key="quick_title", placeholder="A car of my own"
        )
        table.rows = _rows_of(_editor(table))
        _begin()
    problem, text = _file(table)
    with right:
        with st.container(key="quick_problem"):
            if problem:
                st.warning(problem, icon=":material/edit:")
        _drawing(text)
        _take(table, "" if problem else text)
        _bitrates(table, text)
    _keep(held, table)


# -- the table -----------------------------------------------------------------------------------------------


def _table(held: Held) -> CarTable:
    known: CarTable | None = st.session_state.get("quick")
    if known is None:
        known = st.session_state.quick = CarTable.from_text(kept.kept(KIND, held.key))
    return known


def _keep(held: Held, table: CarTable) -> None:
    text = table.text()
    if st.session_state.get("quick_kept") != text:
        kept.keep(KIND, held.key, text)
        st.session_state.quick_kept = text


def _editor(table: CarTable) -> pd.DataFrame:
    """The table to write in; what it begins with stays the same until another table takes its place."""
    key = f"quick_table_{st.session_state.setdefault('quick_number', 0)}"
    if key not in st.session_state:  # the first time, and whenever the page is opened again
        st.session_state.quick_base = _frame(table.rows)
    kinds = {"place": st.column_config.NumberColumn}
    return st.data_editor(
        st.session_state.quick_base,
        key=key,
        num_rows="dynamic",
        hide_index=False,
        height=492,
        placeholder="",
        column_config={
            "_index": st.column_config.NumberColumn("row", width=44),
            **{
                name: kinds.get(name, st.column_config.TextColumn)(
                    COLUMNS[name], help=HELP[name], width=WIDTHS[name]
                )
                for name in COLUMNS
            },
        },
    )


def _frame(rows: list[Row]) -> pd.DataFrame:
    filled = [*rows, *[Row()] * (max(EMPTY_ROWS, len(rows) + 1) - len(rows))]
    frame = pd.DataFrame([asdict(row) for row in filled], index=pd.RangeIndex(1, len(filled) + 1))
    return frame.astype({name: "float" if name == "place" else "string" for name in COLUMNS})


def _rows_of(frame: pd.DataFrame) -> list[Row]:
    """The rows, each at the number that stands before it on the screen."""
    rows: dict[int, Row] = {
        int(number): Row(**{name: _cell(name, value) for name, value in cells.items()})
        for number, cells in frame.to_dict("index").items()
    }
    listed = [rows.get(number, Row()) for number in range(1, max(rows, default=0) + 1)]
    while listed and listed[-1].is_empty:
        listed.pop()
    return listed


def _cell(name: Any, value: Any) -> Any:
    if value is None or pd.isna(value):
        return None if name == "place" else ""
    return float(value) if name == "place" else str(value)


def _file(table: CarTable) -> tuple[str, str]:
    """What is wrong with the table, and the vehicle file: the last good one while something is."""
    if not table.rows:
        st.session_state.quick_text = ""
        return "", ""
    try:
        st.session_state.quick_text = vehicle_file(table.rows, table.title, table.bitrates)
    except Problem as problem:
        return str(problem), st.session_state.get("quick_text", "")
    return "", st.session_state.quick_text


# -- beside it -----------------------------------------------------------------------------------------------


def _drawing(text: str) -> None:
    if not text:
        st.caption("Write a module and its bus into the first row, and the drawing begins.")
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
        f"{len(built.modules)} module{'s' if len(built.modules) != 1 else ''}, "
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
        pressed = st.button(
            "Into the bay",
            key="quick_bay",
            type="primary",
            icon=":material/car_repair:",
            disabled=not text,
        )
        st.download_button(
            "Save the vehicle file",
            text,
            name,
            "application/yaml",
            key="quick_save",
            icon=":material/download:",
            disabled=not text,
            on_click="ignore",
        )
    if text and pressed:
        work.ask(bench_jobs.take_car(name, text))
        st.session_state.to_the_bay = True
        st.rerun()
    if text:
        with st.expander("The vehicle file"):
            st.code(text, language="yaml", height=320)


# -- to begin with -------------------------------------------------------------------------------------------


def _begin() -> None:
    with st.expander("Begin with a recorded bus log, or with an empty table"):
        file = st.file_uploader("a log of one bus", type=LOG_FORMATS, key="quick_log")
        st.text_input("its channel, where the log holds several", key="quick_channel")
        with st.container(horizontal=True):
            st.button(
                "Begin with its messages",
                key="quick_import",
                disabled=file is None,
                on_click=_import_chosen,
            )
            st.button("Empty the table", key="quick_empty", on_click=partial(_begin_with, CarTable()))
            one_back.offer(KIND, _begin_with)
        if st.session_state.get("quick_log_problem"):
            st.error(st.session_state.quick_log_problem, icon=":material/block:")
        st.caption(
            "A log tells no senders: every identifier begins as a module of its own. Put those that belong "
            "together into one row as you find out. Logs in .blf and .db: `busbay import` on this machine."
        )


def _import_chosen() -> None:
    file = st.session_state.quick_log
    if file is not None:  # taken away again
        _import(file, st.session_state.quick_channel.strip() or None)


def _import(file: Any, channel: str | None) -> None:
    st.session_state.quick_log_problem = ""
    with TemporaryDirectory() as folder:
        path = Path(folder) / f"log{Path(file.name).suffix}"
        path.write_bytes(file.getvalue())
        try:
            rows = table_rows(read_log(path, channel))
        except Problem as problem:
            st.session_state.quick_log_problem = str(problem).replace(str(path), file.name)
            return
    _begin_with(CarTable(f"From {file.name}"[:100], rows))


def _begin_with(table: CarTable) -> None:
    """Another table takes the place of the one on the page, which can be put back."""
    one_back.replaced(KIND, st.session_state.get("quick", CarTable()))
    st.session_state.quick = table
    st.session_state.quick_number = st.session_state.get("quick_number", 0) + 1
    st.session_state.quick_title = table.title
