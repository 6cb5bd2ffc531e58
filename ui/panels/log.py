"""The log: everything that was done, back to any point of it, what was left behind, and saving to a file."""

from __future__ import annotations

from functools import partial

import streamlit as st

from sim.bench.action_words import words_of
from sim.vehicle.car import Car
from sim.vehicle.fault_words import fault_words
from ui.drawing import sheet
from ui.drawing.tables import numbered
from ui.panels import customer
from ui.state import bench_jobs, work
from ui.state.branch_source import from_the_bay
from ui.state.held import Held
from ui.state.limits import FILE_MB


def show(held: Held) -> None:
    """The log panel."""
    bench = held.bench
    if bench.given and not held.job:
        with st.expander(f"Faults from the start: {len(bench.given)}", key="given_box"):
            st.markdown("\n".join(f"- {fault_words(text, bench.base)}" for text in bench.given))
    if bench.log:
        with st.container(key="log"):
            sheet.show(numbered(words_of(text, bench.car) for text in bench.log), "log_lines")
        _rewind(bench.log, bench.given, bench.car)
    else:
        st.caption("Nothing done yet.")
    customer.note()
    _left_behind(held)
    _file(held)


def _rewind(log: list[str], given: tuple[str, ...], car: Car) -> None:
    with st.container(horizontal=True, vertical_alignment="bottom"):
        keep = st.selectbox(
            "back to after", list(range(len(log) - 1, -1, -1)), key="rewind_to",
            format_func=lambda kept: f"{kept}. {words_of(log[kept - 1], car)}" if kept else "the start",
        )  # fmt: skip
        st.button("Rewind", key="rewind", icon=":material/undo:", on_click=_back)
    if st.button(
        "Do something else from there", key="branch_here", icon=":material/alt_route:",
        help="both futures side by side",
    ):  # fmt: skip
        from_the_bay(keep)
        st.switch_page(st.session_state.entries["instead"])
    st.button(
        "Start again, as the car came",
        key="again",
        on_click=partial(work.ask, bench_jobs.start_again, given),
    )


def _back() -> None:
    work.ask(bench_jobs.rewind, st.session_state.rewind_to)


def _left_behind(held: Held) -> None:
    if not held.left_behind:
        return
    st.markdown("**Set aside** by rewinding or starting again; nothing is lost")
    with st.container(key="left_behind"):
        for place, old in enumerate(held.left_behind):
            st.button(
                f"Resume: {old.words}",
                key=f"take up {place}",
                on_click=partial(work.ask, bench_jobs.take_up, old),
            )


def _file(held: Held) -> None:
    st.markdown("**Keep it in a file**")
    st.download_button(
        "Download car and log",
        bench_jobs.log_to_download(held),
        "busbay-log.json",
        "application/json",
        key="download_log",
        icon=":material/download:",
        on_click="ignore",
    )
    file = st.file_uploader(
        "Restore from a downloaded log", type="json", key="restore_file", max_upload_size=FILE_MB
    )
    if file is not None:
        st.button("Restore it", key="restore", on_click=_restore)


def _restore() -> None:
    file = st.session_state.restore_file
    if file is not None:  # taken away again
        work.ask(bench_jobs.restore, file.getvalue().decode("utf-8", "replace"))
