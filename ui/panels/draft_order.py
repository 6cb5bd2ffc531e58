"""Writing an exercise, steps 3 to 5: the work order, words for the instructor; check it, save it, give it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import get_args

import streamlit as st

from sim.handbook.links import EXERCISES
from sim.training.authoring import exercise_file, of_fault
from sim.training.exercise import TOOL_WORDS, Exercise, Proof
from sim.training.proof import Proven
from ui.panels.help import paragraph_link
from ui.state import classroom, lab_work
from ui.state.choices import HOW, HOW_WORDS, LEVELS, distinct
from ui.state.draft import MOST_RIVALS, WORK, checking, draft_now, label_of, read

PROOF_WORDS = {
    "scan": "codes cleared, and a scan without codes",
    "start": "the engine starts",
    "sleep": "the parked car falls asleep",
}


def text_field(draft: dict[str, str], name: str, lines: int = 0, most: int | None = None) -> None:
    """A field of one line, or of several; `most`: characters."""
    key, label = f"draft_{name}", label_of(name)
    st.session_state.setdefault(key, draft.get(name, ""))
    if lines:
        height_px = 34 + 24 * lines
        draft[name] = st.text_area(label, key=key, height=height_px, max_chars=most, persist_state="session")
    else:
        draft[name] = st.text_input(label, key=key, max_chars=most, persist_state="session")


def several(draft: dict[str, str], name: str, label: str, words: Mapping[str, str]) -> None:
    """Several of a list of choices; `words`: how each choice reads."""
    key = f"draft_{name}"
    st.session_state.setdefault(key, [one for one in draft.get(name, "").split("\n") if one in words])
    chosen = st.pills(
        label, list(words), key=key, selection_mode="multi", format_func=words.__getitem__,
        persist_state="session", wrap=True,
    )  # fmt: skip
    draft[name] = "\n".join(one for one in words if one in chosen)


def order(draft: dict[str, str]) -> None:
    """The third step: the work order."""
    st.header("3 · Write the work order", anchor=False)
    text_field(draft, "exercise", most=120)
    with st.container(horizontal=True):
        text_field(draft, "topic", most=60)
        st.session_state.setdefault("draft_level", draft["level"] or "1")
        draft["level"] = st.selectbox(
            "level", [str(one) for one in range(1, 6)], key="draft_level", persist_state="session",
            format_func=lambda one: LEVELS[int(one)],
        )  # fmt: skip
        text_field(draft, "minutes")
    text_field(draft, "customer", most=80)
    text_field(draft, "words", 4, most=1200)
    text_field(draft, "history", 2, most=1200)
    text_field(draft, "complaint", 4)
    text_field(draft, "answers", 4)
    text_field(draft, "goal", 2, most=600)
    several(draft, "tools", "tools allowed", {str(tool): words for tool, words in TOOL_WORDS.items()})
    several(draft, "proof", "proof of repair", {one: PROOF_WORDS[one] for one in get_args(Proof)})
    text_field(draft, "safety", 2)
    text_field(draft, "hints", 3)


def guide(draft: dict[str, str], fault: int) -> None:
    """The fourth step: what the instructor needs to know."""
    st.header("4 · For the instructor", anchor=False)
    text_field(draft, of_fault("why", fault), 3, most=2000)
    text_field(draft, "wrong_turns", 2)
    text_field(draft, "ask", 2)
    text_field(draft, "expect", 2)
    text_field(draft, "transfer", 2)


def check_and_save(draft: dict[str, str]) -> None:
    """The last step, with what is still to be written, and the file itself."""
    st.header("5 · Check, save, give", anchor=False)
    file = exercise_file(draft)
    exercise, words = read(draft, file)
    if words:
        with st.container(key="author_problem"):
            st.info(f"Not yet an exercise. {classroom.plain(words)}", icon=":material/edit_note:")
            paragraph_link(EXERCISES)
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
            st.markdown("What differs from a good car:")
            st.markdown("\n".join(f"- {classroom.plain(words)}" for words in one.symptoms) or "- nothing")
            _tell_rivals(others)


def _tell_rivals(others: tuple[str, ...]) -> None:
    if others:
        st.warning(
            "When the repair begins, this may be wrong as well, and the repair would not fix it: "
            f"{classroom.plain(', '.join(others))}. One more check before it would tell.",
            icon=":material/help:",
        )
    else:
        st.markdown(
            "When the repair begins, nothing else is left that the repair would not fix. Every fault was "
            f"checked by inspection and by hand, and at most {MOST_RIVALS} cars with faults near it ran. "
            "`busbay exercise FILE --rivals` runs all of them."
        )


@classroom.instructor_only
def _start_check() -> None:
    lab_work.start(WORK, checking())


def _save_and_give(draft: dict[str, str]) -> None:
    with st.container(horizontal=True, vertical_alignment="bottom"):
        text_field(draft, "file", most=60)
        st.button("Save", key="author_save", icon=":material/save:", on_click=_save)
    groups = {group.id: group for group in classroom.my_classes() if group.closed_s is None}
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
