"""Tables and trees as HTML text."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from markupsafe import Markup

from sim.bench.explain import Because
from sim.bench.setting_up import Identification
from sim.bench.tester import Difference, Report
from sim.lab.report import Rows
from sim.markup import macros
from sim.modules.trace import Event

_html = macros(Path(__file__).with_name("tables.html"))

OPEN_DEPTH = 3  # levels of a tree that are open at first


def report_table(report: Report, shown: str = "all", cleared: bool = False) -> Markup:
    """A scan: module by module, code by code. `shown`: all, with codes, silent. A row can be asked why.

    cleared: codes were cleared since, and the report says nothing about now.
    """
    if not report.power:
        return _html("tester_dark")
    silent = [] if shown == "with codes" else [entry for entry in report.modules if not entry.answers]
    coded = [] if shown == "silent" else report.modules
    noted = [] if shown == "with codes" else [entry for entry in report.modules if entry.note]
    refusing = [entry for entry in noted if entry.answers]
    clean = [entry for entry in report.modules if entry.answers and not entry.codes and not entry.note]
    coded_rows = [entry for entry in coded if entry.codes]
    return _html("report_table", silent, refusing, coded_rows, clean if shown == "all" else (), cleared)


def identity_table(found: Identification) -> Markup:
    """What a module says it is; what does not fit this car is marked in words."""
    return _html("identity_table", found)


def difference_table(found: Difference) -> Markup:
    """What changed from one report to the other."""
    rows = [
        *(("new", f"{module} {code}") for module, code in found.new_codes),
        *(("gone", f"{module} {code}") for module, code in found.gone_codes),
        *(("now silent", module) for module in found.now_silent),
        *(("answers again", module) for module in found.now_answering),
    ]
    return _html("difference_table", rows)


def because_tree(because: Because) -> Markup:
    """A tree of reasons; deep branches are closed at first."""
    return _html("because_tree", because, 0, OPEN_DEPTH)


def event_list(events: Sequence[Event], most: int = 60) -> Markup:
    """What happened, one line each, with its time; the last `most` of them."""
    return _html("event_list", events[-most:], len(events) - most)


def numbered(lines: Iterable[str], start: int = 1) -> Markup:
    """An ordered list in a box of limited height."""
    return _html("numbered", lines, start)


def step_list(steps: Iterable[tuple[str, bool]]) -> Markup:
    """Steps with a tick before those that are done."""
    return _html("step_list", steps)


def plain_table(
    head: Sequence[str], rows: Iterable[Sequence[str]], code_columns: Sequence[int] = ()
) -> Markup:
    """Any table of texts."""
    return _html("plain_table", head, rows, code_columns)


def pickable_table(
    head: Sequence[str], rows: Iterable[Sequence[str]], names: Iterable[str] | None = None
) -> Markup:
    """A table whose rows can be picked by their names, or by the text of their first column."""
    lines = list(rows)
    return _html("pickable_table", head, zip(names or [row[0] for row in lines], lines, strict=True))


def section(parts: Sequence[str | Rows]) -> Markup:
    """The sentences and tables of a report's section, without its heading."""
    return _html("section", parts)


def side_by_side(head: Sequence[str], rows: Iterable[Sequence[str]]) -> Markup:
    """Rows of one label and one cell per case; a row whose cells differ says so."""
    told = [(label, cells, len(set(cells)) > 1) for label, *cells in rows]
    return _html("side_by_side", head, told)
