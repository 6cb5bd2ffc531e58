"""The table in which a person describes a car, kept on disk under the key of the session."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, get_args

import pandas as pd
import streamlit as st

from sim.link.log_car import table_rows
from sim.link.log_import import read_log
from sim.vehicle.car_templates import TEMPLATES
from sim.vehicle.description_base import Bitrate
from sim.vehicle.problems import Problem
from sim.vehicle.quick_car import COLUMNS, TableRow
from ui.state import kept, one_back
from ui.state.held import Held

KIND = "tables"
BITRATES = get_args(Bitrate)
OTHERS = [name for name in COLUMNS if name != "module"]
EMPTY_ROWS = 12  # to begin with


@dataclass
class CarTable:
    """What is in the table."""

    title: str = ""
    rows: list[TableRow] = field(default_factory=list)
    bitrates: dict[str, int] = field(default_factory=dict)
    template: str = ""
    meant: list[str] = field(default_factory=list)  # names that look misspelled and are not

    def text(self) -> str:
        """To be kept."""
        return json.dumps(asdict(self), ensure_ascii=False)

    @classmethod
    def from_text(cls, text: str | None) -> CarTable:
        """What was kept; an empty table where that is none of ours."""
        try:
            data = json.loads(text or "")
            rates = {str(bus): rate for bus, rate in data["bitrates"].items() if rate in BITRATES}
            rows = [  # an older version knew fewer columns
                TableRow(row["module"], **{name: cell_of(name, row.get(name)) for name in OTHERS})
                for row in data["rows"]
            ]
            template = data.get("template", "")
            meant = [str(name) for name in data.get("meant", [])]
            return cls(str(data["title"]), rows, rates, template if template in TEMPLATES else "", meant)
        except (ValueError, KeyError, TypeError, AttributeError):
            return cls()


def table_now(held: Held) -> CarTable:
    """The table of this session: the one at hand, or what was kept."""
    known: CarTable | None = st.session_state.get("quick")
    if known is None:
        known = st.session_state.quick = CarTable.from_text(kept.kept(KIND, held.key))
    return known


def keep(held: Held, table: CarTable) -> None:
    """Keep the table on disk, if it has changed."""
    text = table.text()
    if st.session_state.get("quick_kept") != text:
        kept.keep(KIND, held.key, text)
        st.session_state.quick_kept = text


def frame_of(rows: list[TableRow]) -> pd.DataFrame:
    """The rows as an editor takes them, with empty ones to go on with."""
    filled = [*rows, *[TableRow()] * (max(EMPTY_ROWS, len(rows) + 1) - len(rows))]
    frame = pd.DataFrame([asdict(row) for row in filled], index=pd.RangeIndex(1, len(filled) + 1))
    return frame.astype({name: "float" if name == "place" else "string" for name in COLUMNS})


def rows_of(frame: pd.DataFrame) -> list[TableRow]:
    """The rows, each at its number on the screen."""
    rows: dict[int, TableRow] = {
        int(number): TableRow(**{name: cell_of(name, value) for name, value in cells.items()})
        for number, cells in frame.to_dict("index").items()
    }
    listed = [rows.get(number, TableRow()) for number in range(1, max(rows, default=0) + 1)]
    while listed and listed[-1].is_empty:
        listed.pop()
    return listed


def cell_of(name: Any, value: Any) -> Any:
    if value is None or pd.isna(value):
        return None if name == "place" else ""
    return float(value) if name == "place" else str(value)


def begin_with_log(file: Any, channel: str | None) -> None:
    """Begin a table with the messages of a log that was uploaded; a problem is told on the page."""
    st.session_state.quick_log_problem = ""
    with TemporaryDirectory() as folder:
        path = Path(folder) / f"log{Path(file.name).suffix}"
        path.write_bytes(file.getvalue())
        try:
            rows = table_rows(read_log(path, channel))
        except Problem as problem:
            st.session_state.quick_log_problem = str(problem).replace(str(path), file.name)
            return
    begin_with(CarTable(f"From {file.name}"[:100], rows))


def begin_with(table: CarTable) -> None:
    """Replace the table on the page; the old one can be put back."""
    one_back.replaced(KIND, st.session_state.get("quick", CarTable()))
    st.session_state.quick = table
    st.session_state.quick_number = st.session_state.get("quick_number", 0) + 1
    st.session_state.quick_title = table.title
    st.session_state.quick_template = table.template
