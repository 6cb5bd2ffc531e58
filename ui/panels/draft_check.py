"""The last step of writing an exercise: check it, save it, give it to a class."""

from __future__ import annotations

import streamlit as st

from sim.training.authoring import exercise_file
from sim.training.exercise import Exercise
from sim.training.proof import Proven
from ui.panels.draft_fields import text_field
from ui.state import classroom, lab_work
from ui.state.choices import HOW, HOW_WORDS, distinct
from ui.state.draft import MOST_RIVALS, WORK, checking, draft_now, read


def check_and_save(draft: dict[str, str]) -> None:
    """The last step, with what is still to be written, and the file itself."""
    st.subheader("5 · Check, save, give", anchor=False)
    file = exercise_file(draft)
    exercise, words = read(draft, file)
    if words:
        with st.container(key="author_problem"):
            st.info(f"Not yet an exercise. {classroom.plain(words)}", icon=":material/edit_note:")
    _check(exercise, file)
    if exercise is not None:
        _save_and_give(draft)
    with st.expander("The file"):
        st.code(file, language="yaml", height=420)
        st.download_button(
            "Download", file, f"{draft.get('file') or 'exercise'}.yaml", "application/yaml",
            key="author_download", on_click="ignore",
        )  # fmt: skip


def _check(exercise: Exercise | None, file: str) -> None:
    st.button(
        "Check it", key="author_check_it", type="primary", icon=":material/fact_check:",
        disabled=exercise is None or not exercise.solution, on_click=_start_check,
        help="Plays the solution: does it find, repair and prove? Then looks for what else it could be.",
    )  # fmt: skip
    found: tuple[str, list[Proven], list[tuple[str, ...]]] | None = lab_work.found(WORK)
    if found is None:
        return
    of, proven, left = found
    if of != file:
        st.caption("Changed since the last check.")
        return
    for number, (one, others) in enumerate(zip(proven, left, strict=True), start=1):
        which = f"Fault {number}: found" if len(proven) > 1 else "Found"
        with st.container(key=f"proven_{number}"):
            st.success(f"{which}, repaired and proved in {one.minutes:.0f} min.", icon=":material/check:")
            st.markdown("What differs from a whole car:")
            st.markdown("\n".join(f"- {classroom.plain(words)}" for words in one.symptoms) or "- nothing")
            _tell_rivals(others)


def _tell_rivals(others: tuple[str, ...]) -> None:
    if others:
        st.warning(
            "When the repair begins, this may be wrong as well, and the repair would not mend it: "
            f"{classroom.plain(', '.join(others))}. One more check before it would tell.",
            icon=":material/help:",
        )
    else:
        st.markdown(
            "When the repair begins, nothing else is left that the repair would not mend: hand and eye were "
            f"asked about every fault, and at most {MOST_RIVALS} cars were run, with faults near this one. "
            "`busbay exercise FILE --rivals` runs all of them."
        )


@classroom.instructor_only
def _start_check() -> None:
    lab_work.start(WORK, checking())


def _save_and_give(draft: dict[str, str]) -> None:
    with st.container(horizontal=True, vertical_alignment="bottom"):
        text_field(draft, "file", most=60)
        st.button("Save", key="author_save", icon=":material/save:", on_click=_save)
    groups = {group.id: group for group in classroom.records().classes.listed() if group.closed_s is None}
    if not groups:
        st.caption("To give it to a class, open one on the page Classes.")
        return
    with st.container(horizontal=True, vertical_alignment="bottom"):
        names = distinct({one: group.name for one, group in groups.items()})
        st.selectbox("class", list(groups), key="author_class", format_func=names.__getitem__)
        st.segmented_control(
            "how", HOW, default="practice", key="author_how", required=True, format_func=HOW_WORDS.__getitem__
        )
        st.button("Give it", key="author_give", on_click=_give)


@classroom.instructor_only
def _save() -> str:
    draft = draft_now()
    return f"saved as {classroom.library().save(draft['file'], exercise_file(draft)).name}"


@classroom.instructor_only
def _give() -> str:
    state = st.session_state
    file, practice = exercise_file(draft_now()), state.author_how == "practice"
    given = classroom.records().assignments.give(state.author_class, file, practice=practice)
    return f"{given.exercise} is given"
