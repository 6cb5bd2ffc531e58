"""The author's page: break a car in the bay, solve it there, write the work order, check, save, give.

What stands in the fields is kept on disk after every change, so that neither a click nor a refresh nor the
end of the server loses it.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import get_args

import streamlit as st

from sim.lab.workshop import Progress, Stop, Workshop
from sim.training.authoring import exercise_file, fields_of, solution_from, taken_from
from sim.training.exercise import TOOLS, Exercise, Proof, exercise_from_text
from sim.training.proof import Proven, prove, rivals
from sim.training.records import Records
from sim.vehicle.problems import Problem
from ui import classroom, lab_work, session
from ui.classes_page import HOW, HOW_WORDS, LEVELS, entry_words
from ui.session import Held, shipped_cars, worked_off

PROOF_WORDS = {
    "scan": "codes cleared, and a scan without codes",
    "start": "the engine starts",
    "sleep": "the parked car falls asleep",
}
EMPTY = {
    "level": "1", "minutes": "30", "tools": "\n".join(TOOLS), "proof": "scan", "arrives": "", "before": "",
    "solution": "", "car": "", "others": "",
}  # fmt: skip
SEVERAL = ("tools", "proof")
WORK = "author_check"
ONE_FILE = "exercise.yaml"


def show() -> None:
    """The page."""
    held = worked_off(st.empty())
    classroom.what_was_ordered()
    if held.problem:
        st.error(classroom.plain(held.problem), icon=":material/block:")
    draft = _draft()
    st.title("Write an exercise")
    _begin(draft)
    left, right = st.columns(2, gap="large")
    with left:
        _break(held, draft)
        _solve(held, draft)
    with right:
        _order(draft)
        _guide(draft)
    _keep(draft)
    _check_and_save(draft)


# -- the draft ----------------------------------------------------------------------------------------------


def _draft() -> dict[str, str]:
    """What has been written so far: this session's, or what was kept."""
    if "draft" not in st.session_state:
        st.session_state.draft = EMPTY | classroom.library().draft()
    draft: dict[str, str] = st.session_state.draft
    return draft


def _keep(draft: Mapping[str, str]) -> None:
    if st.session_state.get("draft_kept") == draft:
        return
    try:
        classroom.library().keep_draft(dict(draft))
    except Problem as problem:
        st.warning(classroom.plain(str(problem)), icon=":material/save:")
    st.session_state.draft_kept = dict(draft)


def _set(fields: Mapping[str, str]) -> None:
    """Put something into the fields, and so into what stands on the page."""
    for name, text in fields.items():
        _draft()[name] = text
        if name in SEVERAL:
            st.session_state[f"draft_{name}"] = [one for one in text.split("\n") if one]
        elif name == "car" and not text:
            st.session_state.pop("draft_car", None)
        elif name != "others":
            st.session_state[f"draft_{name}"] = text
    lab_work.forget(WORK)


def _text(draft: dict[str, str], name: str, label: str, lines: int = 0, **more: str) -> None:
    key = f"draft_{name}"
    begins = {} if key in st.session_state else {"value": draft.get(name, "")}
    if lines:
        height = 34 + 24 * lines
        draft[name] = st.text_area(label, key=key, height=height, persist_state="session", **begins, **more)
    else:
        draft[name] = st.text_input(label, key=key, persist_state="session", **begins, **more)


def _several(draft: dict[str, str], name: str, label: str, words: Mapping[str, str]) -> None:
    key = f"draft_{name}"
    st.session_state.setdefault(key, [one for one in draft.get(name, "").split("\n") if one in words])
    chosen = st.pills(
        label, list(words), key=key, selection_mode="multi", format_func=words.__getitem__,
        persist_state="session", wrap=True,
    )  # fmt: skip
    draft[name] = "\n".join(one for one in words if one in chosen)


# -- where it begins ----------------------------------------------------------------------------------------


def _begin(draft: dict[str, str]) -> None:
    with st.expander("Begin from an exercise that is there, or from nothing"):
        entries = {entry.name: entry for entry in classroom.library().entries()}
        name = st.selectbox(
            "exercise", list(entries), key="author_from", format_func=lambda one: entry_words(entries[one])
        )
        with st.container(horizontal=True):
            st.button("Begin from it", key="author_take", on_click=partial(_take, name))
            st.button("Begin from nothing", key="author_new", on_click=_nothing)
        st.caption("What stands in the fields now is replaced. Save it first if it is to stay.")


def _take(name: str) -> None:
    def what(records: Records) -> str:
        entry = classroom.library().find(name)
        _set(EMPTY | fields_of(entry.exercise) | {"file": name if entry.own else f"{name}-mine"})
        return f"begun from {name}"

    classroom.order(what)


def _nothing() -> None:
    classroom.order(lambda records: _set(dict.fromkeys(_draft(), "") | EMPTY) or "empty fields")


# -- the car ------------------------------------------------------------------------------------------------


def _break(held: Held, draft: dict[str, str]) -> None:
    st.subheader("1 · Break a car", anchor=False)
    st.markdown(
        f"In the bay stands **{held.car.title}**. Break it there, under *Part* or *Work*; drive it, so that "
        "codes are stored. Then:"
    )
    with st.container(horizontal=True):
        if st.button("To the bay", key="author_bay", icon=":material/car_repair:"):
            st.switch_page(st.session_state.entries["bay"])
        st.button(
            "Take it as it stands in the bay", key="author_arrives", type="primary",
            on_click=partial(_take_car, held),
        )  # fmt: skip
    cars = [name.removesuffix(".yaml") for name in shipped_cars()]
    key = "draft_car"
    st.session_state.setdefault(key, draft["car"] if draft["car"] in cars else cars[0])
    draft["car"] = st.selectbox("car", cars, key=key, persist_state="session")
    _text(draft, "arrives", "it arrives with (one edit in each line; none: nothing is wrong)", 2)
    _text(draft, "before", "what happened before it came in (one action in each line)", 4)
    if draft["others"]:
        st.caption("It has other faults behind the same words; they stay as they are.")


def _take_car(held: Held) -> None:
    def what(records: Records) -> str:
        if shipped_cars().get(held.car_name) != held.car_text:
            raise Problem(
                "exercises are made of the cars that come with busbay; put one of these into the bay"
            )
        _set(
            taken_from(held.bench)
            | {"car": held.car_name.removesuffix(".yaml"), "solution": "", "others": ""}
        )
        return "taken as it stands in the bay"

    classroom.order(what)


def _solve(held: Held, draft: dict[str, str]) -> None:
    st.subheader("2 · Solve it", anchor=False)
    st.markdown("Put the broken car into the bay, find the fault with the tools, repair and prove it. Then:")
    with st.container(horizontal=True):
        st.button("Put it into the bay", key="author_put", on_click=partial(_put, dict(draft)))
        st.button(
            "Take what was done there", key="author_solution", type="primary",
            on_click=partial(_take_solution, held, dict(draft)),
        )  # fmt: skip
    _text(draft, "solution", "the solution (one action in each line)", 9)


def _put(draft: dict[str, str]) -> None:
    def what(records: Records) -> None:
        name = f"{draft['car']}.yaml"
        given = tuple(line.strip() for line in draft["arrives"].splitlines() if line.strip())
        before = [line.strip() for line in draft["before"].splitlines() if line.strip()]
        session.ask(session.take_log(name, shipped_cars()[name], given, 0, before))
        st.session_state.to_the_bay = True

    classroom.order(what)


def _take_solution(held: Held, draft: dict[str, str]) -> None:
    def what(records: Records) -> str:
        done = solution_from(held.bench, draft["arrives"], draft["before"])
        if not done:
            raise Problem("nothing has been done in the bay since the car came in")
        _set({"solution": done})
        return "taken from the bay"

    classroom.order(what)


# -- the words ----------------------------------------------------------------------------------------------


def _order(draft: dict[str, str]) -> None:
    st.subheader("3 · Write the work order", anchor=False)
    _text(draft, "exercise", "title", max_chars=120)
    with st.container(horizontal=True):
        _text(draft, "topic", "topic", max_chars=60)
        st.session_state.setdefault("draft_level", draft["level"] or "1")
        draft["level"] = st.selectbox(
            "level", [str(one) for one in range(1, 6)], key="draft_level", persist_state="session",
            format_func=lambda one: LEVELS[int(one)],
        )  # fmt: skip
        _text(draft, "minutes", "minutes of shop time")
    _text(draft, "customer", "customer (an invented name)", max_chars=80)
    _text(draft, "words", "what the customer says", 4, max_chars=1200)
    _text(draft, "history", "what is known of the car", 2, max_chars=1200)
    _text(draft, "goal", "what it is there to teach", 2, max_chars=600)
    _several(draft, "tools", "tools allowed", {tool: tool for tool in TOOLS})
    _several(draft, "proof", "what a repair has to show", {one: PROOF_WORDS[one] for one in get_args(Proof)})
    _text(draft, "safety", "safety notes (one in each line)", 2)
    _text(draft, "hints", "hints, from gentle to plain (one in each line)", 3)


def _guide(draft: dict[str, str]) -> None:
    st.subheader("4 · For the instructor", anchor=False)
    _text(draft, "why", "why the car shows what it shows", 3, max_chars=2000)
    _text(draft, "wrong_turns", "usual wrong turns (one in each line)", 2)
    _text(draft, "ask", "what to ask (one in each line)", 2)


# -- check, save, give --------------------------------------------------------------------------------------


def _check_and_save(draft: dict[str, str]) -> None:
    st.subheader("5 · Check, save, give", anchor=False)
    file = exercise_file(draft)
    try:
        exercise = exercise_from_text(file, ONE_FILE)
    except Problem as problem:
        with st.container(key="author_problem"):
            st.info(f"Not yet an exercise: {classroom.plain(str(problem))}", icon=":material/edit_note:")
        exercise = None
    _check(exercise, file)
    if exercise is not None:
        _save_and_give(draft, file)
    with st.expander("The file"):
        st.code(file, language="yaml", height=420)
        st.download_button(
            "Download", file, f"{draft.get('file') or 'exercise'}.yaml", "application/yaml",
            key="author_download", on_click="ignore",
        )  # fmt: skip


def _check(exercise: Exercise | None, file: str) -> None:
    st.button(
        "Check it", key="author_check_it", type="primary", icon=":material/fact_check:",
        disabled=exercise is None or not exercise.solution, on_click=partial(_start_check, exercise, file),
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
        st.markdown("When the repair begins, nothing else is left that the repair would not mend.")


def _start_check(exercise: Exercise | None, file: str) -> None:
    def task(shop: Workshop, tell: Progress, stop: Stop) -> tuple[str, list[Proven], list[tuple[str, ...]]]:
        assert exercise is not None
        variants = [exercise.variant(number) for number in range(1 + len(exercise.others))]
        proven = [prove(one) for one in variants]
        return file, proven, [rivals(one, shop, tell, stop) for one in variants]

    classroom.order(lambda records: lab_work.start(WORK, task))


def _save_and_give(draft: dict[str, str], file: str) -> None:
    with st.container(horizontal=True, vertical_alignment="bottom"):
        _text(draft, "file", "file name, such as quiet-gearbox", max_chars=60)
        st.button(
            "Save", key="author_save", icon=":material/save:", disabled=not draft["file"],
            on_click=partial(_save, draft["file"], file),
        )  # fmt: skip
    groups = {group.id: group for group in classroom.records().classes() if group.closed_s is None}
    if not groups:
        st.caption("To give it to a class, open one on the page Classes.")
        return
    with st.container(horizontal=True, vertical_alignment="bottom"):
        group = st.selectbox(
            "class", list(groups), key="author_class", format_func=lambda one: groups[one].name
        )
        how = st.segmented_control(
            "how", HOW, default="practice", key="author_how", required=True, format_func=HOW_WORDS.__getitem__
        )
        st.button("Give it", key="author_give", on_click=partial(_give, group, file, how == "practice"))


def _save(name: str, file: str) -> None:
    classroom.order(lambda records: f"saved as {classroom.library().save(name, file).name}")


def _give(class_id: int, file: str, practice: bool) -> None:
    classroom.order(lambda records: f"{records.assign(class_id, file, practice=practice).exercise} is given")
