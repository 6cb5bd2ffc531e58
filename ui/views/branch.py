"""Instead: from any moment of a log, what would have come of doing something else."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import streamlit as st

from sim.bench.bench import parts_of
from sim.lab.branch import Branch, BranchRow, branch
from sim.lab.outcomes import step_words
from sim.lab.report import DISCLAIMER
from sim.lab.workshop import Progress, Stop, Workshop
from sim.vehicle.problems import EditProblem, Problem
from sim.vehicle.reading import car_from_text
from ui.drawing import sheet
from ui.drawing.tables import numbered, side_by_side
from ui.panels.action_lines import action_lines
from ui.panels.controls import button, download
from ui.state import bench_jobs, lab_work, work
from ui.state.branch_moment import IN_THE_BAY, WORK
from ui.state.held import Held
from ui.state.lines import lines_of
from ui.state.work import tells_problems, worked_off

UPLOADED = "a downloaded log"
HEAD = ("", "as it was done", "done instead")


@dataclass(frozen=True, slots=True)
class BranchSource:
    """A log to branch from, with its car."""

    car_name: str
    car_text: str
    given: tuple[str, ...]
    seed: int
    log: tuple[str, ...]


def show() -> None:
    """The page; a fragment of its own."""
    _page()


@st.fragment
def _page() -> None:
    held = worked_off(st.empty())
    st.title("Done instead")
    st.markdown("Go back to one moment of a log and do something else there. Both futures, side by side.")
    _choose_source(held)
    try:
        source = _source(held)
    except Problem as problem:
        st.error(str(problem), icon=":material/block:")
        return
    if source is None:
        return
    if not source.log:
        st.caption("Nothing was done in this log yet.")
        return
    left, right = st.columns(2, gap="large")
    with left:
        keep = _moment(source)
    with right:
        _instead(held, source, keep)
    _shown(source)


# -- from which log, and where -------------------------------------------------------------------------------


def _choose_source(held: Held) -> None:
    sources = [*_sources(held), UPLOADED]
    if st.session_state.get("branch_source") not in sources:
        st.session_state.branch_source = IN_THE_BAY
    chosen = st.selectbox(
        "the log", sources, key="branch_source", persist_state="session", on_change=_another_log
    )
    if chosen == UPLOADED:
        st.file_uploader("a log of busbay", type="json", key="branch_file", on_change=_another_log)


def _sources(held: Held) -> dict[str, BranchSource]:
    bench = held.bench
    sources = {
        IN_THE_BAY: BranchSource(held.car_name, held.car_text, bench.given, bench.seed, tuple(bench.log))
    }
    for old in held.left_behind:
        sources[f"left behind: {old.words}"] = _saved(old.car_name, old.car_text, old.saved)
    return sources


def _source(held: Held) -> BranchSource | None:
    """The log that is chosen, or none while no file is; raises `Problem` for a file that is no log."""
    chosen = st.session_state.branch_source
    return _uploaded() if chosen == UPLOADED else _sources(held).get(chosen)


def _another_log() -> None:
    st.session_state.branch_keep = -1
    lab_work.forget(WORK)


def _saved(car_name: str, car_text: str, saved: str) -> BranchSource:
    given, seed, log = parts_of(saved)
    return BranchSource(car_name, car_text, given, seed, log)


def _uploaded() -> BranchSource | None:
    file = st.session_state.get("branch_file")
    if file is None:
        return None
    name, car_text, saved = bench_jobs.opened_log(file.getvalue().decode("utf-8", "replace"))
    car_from_text(car_text, name)
    return _saved(name, car_text, saved)


def _moment(source: BranchSource) -> int:
    last = len(source.log)
    known = st.session_state.get("branch_keep")
    # a page that was drawn before the log changed sends the words of a moment that is no more
    if not isinstance(known, int) or not 0 <= known <= last:
        st.session_state.branch_keep = last - 1
    keep = int(
        st.selectbox(
            "the moment",
            list(range(last, -1, -1)),
            key="branch_keep",
            format_func=lambda kept: f"after {kept}. {source.log[kept - 1]}" if kept else "the start",
            persist_state="session",
            on_change=partial(lab_work.forget, WORK),
        )
    )
    rest = source.log[keep:]
    if rest:
        st.caption("what was done from there on")
        with st.container(key="branch_rest"):
            sheet.show(numbered(rest, keep + 1), "branch_rest_list")
    else:
        st.caption("Nothing was done from there on: that future only lets time pass.")
    return keep


def _instead(held: Held, source: BranchSource, keep: int) -> None:
    car = car_from_text(source.car_text, source.car_name)
    done = action_lines(f"instead of {keep + 1}., one action in each line", "branch_instead", car)
    the_rest = source.log[keep + 1 :]
    if the_rest:
        st.toggle(
            f"then the rest as it was: {len(the_rest)} action{'s' if len(the_rest) > 1 else ''}",
            value=True,
            key="branch_rest_follows",
            persist_state="session",
        )
    button("Play both", "branch_play", partial(_start, held), icon="alt_route", primary=True)
    if not done:
        st.caption("No line: the action is left out.")


@tells_problems
def _start(held: Held) -> None:
    source, keep = _source(held), st.session_state.branch_keep
    if source is None or not 0 <= keep <= len(source.log):
        raise EditProblem("choose a log, and the moment in it")
    done, follows = lines_of("branch_instead"), st.session_state.get("branch_rest_follows", True)

    def task(workshop: Workshop, progress: Progress, stop: Stop) -> Branch:
        return branch(
            source.car_text,
            source.log,
            keep,
            done,
            given=source.given,
            seed=source.seed,
            then_the_rest=follows,
            progress=progress,
            stop=stop,
        )

    lab_work.start(WORK, task)


# -- what came of it -----------------------------------------------------------------------------------------


def _shown(source: BranchSource) -> None:
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
        longer = max(len(found.was), len(found.instead))
        sides = [
            [f"{one.action}: {step_words(one)}" for one in sights] + [""] * (longer - len(sights))
            for sights in (found.was, found.instead)
        ]
        lines = [
            (f"{len(found.shared) + place}.", *both) for place, both in enumerate(zip(*sides, strict=True), 1)
        ]
        sheet.show(side_by_side(HEAD, lines), "branch_steps")
    with st.container(horizontal=True):
        button(
            "Take the other future into the bay",
            "branch_take",
            partial(_take, source, found),
            icon="car_repair",
        )
        download("Report to print", found.as_html, "instead.html", "branch_report")


def _codes_together(rows: Sequence[BranchRow]) -> list[tuple[str, str, str]]:
    """Rows for the table; one code that fares alike in many modules is one of them."""
    groups: dict[tuple[str, str, str], list[str]] = {}
    for row in rows:
        module, _, code = row.what.partition(" ")
        name, holder = (code, module) if row.kind == "code" else (row.what, "")
        groups.setdefault((name, row.was, row.instead), []).append(holder)
    return [
        (f"{name} in {', '.join(holders)}" if any(holders) else name, was, instead)
        for (name, was, instead), holders in groups.items()
    ]


def _take(source: BranchSource, found: Branch) -> None:
    work.ask(
        bench_jobs.take_log, source.car_name, source.car_text, source.given, source.seed, list(found.log)
    )
    st.session_state.to_the_bay = True
