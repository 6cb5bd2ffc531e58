"""What came of a what-if grid: its views, files of it, and one of its cars for the bay."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import streamlit as st

from sim.lab.grid import Grid, chosen
from sim.lab.grid_report import grid_csv, grid_html, grid_json, grid_sections
from sim.lab.report import DISCLAIMER, Section
from sim.lab.suppositions import combinations, rows, step_words
from ui.drawing import sheet
from ui.drawing.cause_pictures import MOST_COMBINATIONS, cause_diagram, matrix
from ui.drawing.tables import section as section_html
from ui.drawing.tables import side_by_side
from ui.panels.maps import fitted
from ui.state import bench_jobs, work

MOST_SIDE_BY_SIDE = 8  # columns


def show(grid: Grid, given: tuple[str, ...]) -> None:
    """All that can be read off a grid; `given`: what every one of its cars was given."""
    views: dict[str, Callable[[Grid], None]] = {
        "Causes": _causes, "All combinations": _table, "Hidden and alike": _hidden
    }  # fmt: skip
    if len(grid.accounts) <= MOST_SIDE_BY_SIDE:
        views = {"Side by side": _side_by_side, **views}
    st.caption(DISCLAIMER)
    if st.session_state.get("what_if_view") not in views:
        st.session_state.what_if_view = next(iter(views))
    view = st.segmented_control(
        "view", list(views), key="what_if_view", required=True, label_visibility="collapsed"
    )
    assert view is not None  # one is required
    with st.container(key="what_if_found"):
        views[view](grid)
    _exports(grid)
    _into_the_bay(grid, given)


def _side_by_side(grid: Grid) -> None:
    numbers = _everything_first(grid)
    head = [_heading(grid, number) for number in numbers]
    accounts = [grid.accounts[number] for number in numbers]
    with st.container(key="cases"):
        cells = zip(*(rows(account) for account in accounts), strict=True)
        sheet.show(
            side_by_side(["", *head], [(row[0][0], *(value for _, value in row)) for row in cells]),
            "cases_table",
        )
    with st.expander("Action by action"):
        sights = zip(*(account.sights for account in accounts if not account.impossible), strict=False)
        lines = [
            (f"{place}. {several[0].action}", *(step_words(sight) for sight in several))
            for place, several in enumerate(sights, start=1)
        ]
        possible = [words for words, account in zip(head, accounts, strict=True) if not account.impossible]
        sheet.show(side_by_side(["", *possible], lines), "steps_table")


def _causes(grid: Grid) -> None:
    if not grid.symptoms:
        st.markdown("Every combination shows the same as the car without any of them.")
        return
    st.markdown("**What causes what**")
    with st.container(key="cause_picture"):
        fitted(partial(cause_diagram, grid), "cause_diagram")
    st.markdown(
        "**Minimal cause sets**: no part of a set can be left out. A symptom is something that the car does "
        "not show without any of them."
    )
    with st.container(key="cause_sets"):
        _section(grid, "What causes it")
    idle = [name for name in grid.names if all(name in one.causes.without_part for one in grid.symptoms)]
    if idle:
        st.markdown(f"No part in this: {', '.join(idle)}.")


def _table(grid: Grid) -> None:
    if len(grid.accounts) > MOST_COMBINATIONS:
        st.caption(f"The picture is for up to {MOST_COMBINATIONS} combinations; the table below has all.")
    with st.container(key="matrix_picture"):
        fitted(partial(matrix, grid), "matrix")
    with st.container(key="whole_table"):
        _section(grid, "Question")
        _section(grid, "What could be seen")


def _hidden(grid: Grid) -> None:
    for title in ("What hides what", "What cannot be told apart", "Effects on readings"):
        if any(one.title == title for one in grid_sections(grid)):
            st.markdown(f"**{title}**")
            _section(grid, title)


def _section(grid: Grid, title: str) -> None:
    section: Section = next(one for one in grid_sections(grid) if one.title == title)
    sheet.show(section_html(section.parts), f"section {title}")


def _everything_first(grid: Grid) -> list[int]:
    bits = {name: 1 << place for place, name in enumerate(grid.names)}
    return [sum(bits[name] for name in some) for some in combinations([], grid.names)]


def _heading(grid: Grid, number: int) -> str:
    return " + ".join(grid.there(number)) or "none of these"


def _exports(grid: Grid) -> None:
    with st.container(horizontal=True, key="what_if_exports"):
        for words, name, kind, text in (
            ("Report to print", "what-if.html", "text/html", partial(grid_html, grid)),
            ("CSV", "what-if.csv", "text/csv", partial(grid_csv, grid)),
            ("JSON", "what-if.json", "application/json", partial(grid_json, grid)),
        ):
            st.download_button(
                words, text, name, kind, key=f"export {name}", icon=":material/download:", on_click="ignore"
            )


def _into_the_bay(grid: Grid, given: tuple[str, ...]) -> None:
    with st.container(horizontal=True, vertical_alignment="bottom"):
        st.selectbox(
            "take one into the bay", _everything_first(grid), key="take_case",
            format_func=lambda one: _heading(grid, one),
        )  # fmt: skip
        st.button("Into the bay, before any action", key="take_case_go", on_click=partial(_take, grid, given))


def _take(grid: Grid, given: tuple[str, ...]) -> None:
    there = chosen(grid.choices, st.session_state.take_case)
    work.ask(bench_jobs.start_again, (*given, *(text for one in there for text in one.sentences)))
    st.session_state.to_the_bay = True
