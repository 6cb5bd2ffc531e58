"""Replay from here: from any moment of a log, what would have come of doing something else."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from itertools import zip_longest

import streamlit as st

from sim.bench.action_words import words_of
from sim.handbook.links import LOGS
from sim.lab.branch import Branch, BranchRow, branch
from sim.lab.report import DISCLAIMER
from sim.lab.suppositions import step_words
from sim.lab.workshop import Progress, Stop, Workshop
from sim.vehicle.problems import EditProblem, Problem
from sim.vehicle.reading import car_from_text
from sim.vehicle.words import counted
from ui.drawing import sheet
from ui.drawing.tables import numbered, side_by_side
from ui.panels.case_told import action_lines
from ui.panels.controls import button, download
from ui.panels.help import tell
from ui.state import bench_jobs, lab_work, turns, work
from ui.state.branch_source import IN_THE_BAY, UPLOADED, WORK, source_now, sources
from ui.state.choices import lines_of
from ui.state.held import Held
from ui.state.left_behind import LeftBehind
from ui.state.limits import FILE_MB
from ui.state.work import after_work, tells_problems

HEAD = ("", "as it was done", "done instead")


@turns.fragment
def show() -> None:
    """The page; one fragment, so that a click draws nothing else again."""
    held = after_work(st.empty())
    st.title("Replay from here")
    st.markdown("Go back to one moment of a log and do something else there. Both futures, side by side.")
    _choose_source(held)
    try:
        source = source_now(held)
        log = source.parts[2] if source else ()
    except Problem as problem:
        tell(problem, LOGS)
        return
    if source is None:
        return
    if not log:
        st.caption("Nothing was done in this log yet.")
        return
    left, right = st.columns(2, gap="large")
    with left:
        keep = _moment(log)
    with right:
        _instead(held, source, log, keep)
    _shown(source)


# -- from which log, and where -------------------------------------------------------------------------------


def _choose_source(held: Held) -> None:
    options = [*sources(held), UPLOADED]
    if st.session_state.get("branch_source") not in options:
        st.session_state.branch_source = IN_THE_BAY
    chosen = st.selectbox(
        "the log", options, key="branch_source", persist_state="session", on_change=_another_log
    )
    if chosen == UPLOADED:
        st.file_uploader(
            "a busbay log", type="json", key="branch_file", max_upload_size=FILE_MB, on_change=_another_log
        )


def _another_log() -> None:
    st.session_state.branch_keep = -1
    lab_work.forget(WORK)


def _moment(log: Sequence[str]) -> int:
    last = len(log)
    known = st.session_state.get("branch_keep")
    # a page that was drawn before the log changed sends the words of a moment that is no more
    if not isinstance(known, int) or not 0 <= known <= last:
        st.session_state.branch_keep = last - 1
    keep = int(
        st.selectbox(
            "the moment",
            list(range(last, -1, -1)),
            key="branch_keep",
            format_func=lambda kept: f"after {kept}. {log[kept - 1]}" if kept else "the start",
            persist_state="session",
            on_change=partial(lab_work.forget, WORK),
        )
    )
    rest = log[keep:]
    if rest:
        st.caption("what was done from there on")
        with st.container(key="branch_rest"):
            sheet.show(numbered(map(words_of, rest), keep + 1), "branch_rest_list")
    else:
        st.caption("Nothing was done from there on: that future only lets time pass.")
    return keep


def _instead(held: Held, source: LeftBehind, log: Sequence[str], keep: int) -> None:
    car = car_from_text(source.car_text, source.car_name)
    done = action_lines(f"instead of {keep + 1}., one action in each line", "branch_instead", car)
    the_rest = log[keep + 1 :]
    if the_rest:
        st.session_state.setdefault("branch_rest_follows", True)
        st.toggle(
            f"then the rest as it was: {counted(len(the_rest), 'action')}",
            key="branch_rest_follows",
            persist_state="session",
        )
    button("Play both", "branch_play", partial(_start, held), icon="alt_route", primary=True)
    if not done:
        st.caption("No line: the action is left out.")


@tells_problems
def _start(held: Held) -> None:
    source, keep = source_now(held), st.session_state.branch_keep
    given, seed, log = source.parts if source else ((), 0, ())
    if source is None or not 0 <= keep <= len(log):
        raise EditProblem("choose a log, and the moment in it")
    car_text, done = source.car_text, lines_of("branch_instead")
    follows = st.session_state.get("branch_rest_follows", True)

    def task(workshop: Workshop, progress: Progress, stop: Stop) -> Branch:
        return branch(
            car_text,
            log,
            keep,
            done,
            given=given,
            seed=seed,
            then_the_rest=follows,
            progress=progress,
            stop=stop,
        )

    lab_work.start(WORK, task)


# -- what came of it -----------------------------------------------------------------------------------------


def _shown(source: LeftBehind) -> None:
    found: Branch | None = lab_work.found(WORK, "actions")
    if found is None:
        return
    with st.container(key="branch_found"):
        st.markdown(f"From {found.at_s:.1f} s on. **{found.words}**")
        every = st.toggle("also what is the same", key="branch_every", persist_state="session")
        rows = _codes_together(found.rows if every else found.differences)
        if rows:
            sheet.show(side_by_side(HEAD, rows), "branch_table")
        st.caption(DISCLAIMER)
    with st.expander("Action by action"):
        both = zip_longest(
            *([f"{one.action}: {step_words(one)}" for one in side] for side in (found.was, found.instead)),
            fillvalue="",
        )
        lines = [(f"{place}.", *sides) for place, sides in enumerate(both, len(found.shared) + 1)]
        sheet.show(side_by_side(HEAD, lines), "branch_steps")
    with st.container(horizontal=True):
        take = partial(_take, source, found)
        button("Take the other future into the bay", "branch_take", take, icon="car_repair")
        download("Report to print", found.as_html, "instead.html", "branch_report")


def _codes_together(rows: Sequence[BranchRow]) -> list[tuple[str, str, str]]:
    """Rows for the table; a code with the same outcome in several modules is one row."""
    groups: dict[tuple[str, str, str], list[str]] = {}
    for row in rows:
        module, _, code = row.what.partition(" ")
        name, holder = (code, module) if row.kind == "code" else (row.what, "")
        groups.setdefault((name, row.was, row.instead), []).append(holder)
    return [
        (f"{name} in {', '.join(holders)}" if any(holders) else name, was, instead)
        for (name, was, instead), holders in groups.items()
    ]


def _take(source: LeftBehind, found: Branch) -> None:
    given, seed, _ = source.parts
    work.ask(bench_jobs.take_log, source.car_name, source.car_text, given, seed, list(found.log))
    st.session_state.to_the_bay = True
