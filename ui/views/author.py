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
from sim.training.authoring import (
    MOST_FAULTS,
    OF_A_FAULT,
    exercise_file,
    faults_in,
    fields_of,
    of_fault,
    solution_from,
    taken_from,
    without_fault,
)
from sim.training.exercise import TOOLS, Exercise, Proof, exercise_from_text
from sim.training.proof import Proven, prove, rivals
from sim.training.records import Records
from sim.vehicle.problems import Problem
from ui.choices import distinct
from ui.panels import one_back
from ui.state import bench_jobs, classroom, lab_work, work
from ui.state.held import Held
from ui.state.session import shipped_cars
from ui.state.work import worked_off
from ui.views.classes import HOW, HOW_WORDS, LEVELS, entry_words

PROOF_WORDS = {
    "scan": "codes cleared, and a scan without codes",
    "start": "the engine starts",
    "sleep": "the parked car falls asleep",
}
EMPTY = {
    "level": "1", "minutes": "30", "tools": "\n".join(TOOLS), "proof": "scan", "arrives": "", "before": "",
    "solution": "", "car": "", "faults": "1", "seed": "0",
}  # fmt: skip
LABELS = {
    "exercise": "title",
    "topic": "topic",
    "minutes": "minutes of shop time",
    "customer": "customer (an invented name)",
    "words": "what the customer says",
    "history": "what is known of the car",
    "goal": "what it is there to teach",
    "safety": "safety notes (one in each line)",
    "hints": "hints, from gentle to plain (one in each line)",
    "arrives": "it arrives with (one edit in each line; none: nothing is wrong)",
    "before": "what happened before it came in (one action in each line)",
    "solution": "the solution (one action in each line)",
    "why": "why the car shows what it shows",
    "wrong_turns": "usual wrong turns (one in each line)",
    "ask": "what to ask (one in each line)",
    "file": "file name, such as quiet-gearbox",
}
NEEDED = ("exercise", "topic", "customer", "words", "goal", "why")
SEVERAL = ("tools", "proof")
WORK, DRAFT = "author_check", "author_draft"
ONE_FILE = "exercise.yaml"
MOST_RIVALS = 150  # cars run to see what else it could be: a few minutes on the largest car


def show() -> None:
    """The page."""
    held = worked_off(st.empty())
    classroom.what_was_ordered()
    draft = _draft()
    st.title("Write an exercise")
    _begin(draft)
    one_back.offer(DRAFT, _put_back)
    left, right = st.columns(2, gap="large")
    with left:
        fault = _which_fault(draft)
        _break(held, draft, fault)
        _solve(held, draft, fault)
        _more_or_fewer(draft, fault)
    with right:
        _order(draft)
        _guide(draft, fault)
    _keep(draft)
    _check_and_save(draft)


# -- the draft ----------------------------------------------------------------------------------------------


def _draft() -> dict[str, str]:
    """What has been written so far, up to now: this session's, or what was kept."""
    if "draft" not in st.session_state:
        st.session_state.draft = EMPTY | classroom.library().draft()
    draft: dict[str, str] = st.session_state.draft
    for name in draft:
        said = st.session_state.get(f"draft_{name}")
        if said is not None:
            draft[name] = "\n".join(said) if name in SEVERAL else said
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
    """Put something into the fields, and so into what stands on the page; what stood there can come back."""
    draft = _draft()
    one_back.replaced(DRAFT, dict(draft))
    for name, text in fields.items():
        draft[name] = text
        if name in SEVERAL:
            st.session_state[f"draft_{name}"] = [one for one in text.split("\n") if one]
        elif name == "car" and not text:
            st.session_state.pop("draft_car", None)
        elif name != "faults":
            st.session_state[f"draft_{name}"] = text
    lab_work.forget(WORK)


def _put_back(fields: Mapping[str, str]) -> None:
    classroom.order(lambda records: _set(dict.fromkeys(_draft(), "") | dict(fields)))


def _text(draft: dict[str, str], name: str, lines: int = 0, most: int | None = None) -> None:
    """A field of one line, or of several; `most`: characters."""
    key, label = f"draft_{name}", _label(name)
    st.session_state.setdefault(key, draft.get(name, ""))
    if lines:
        height_px = 34 + 24 * lines
        draft[name] = st.text_area(label, key=key, height=height_px, max_chars=most, persist_state="session")
    else:
        draft[name] = st.text_input(label, key=key, max_chars=most, persist_state="session")


def _label(name: str) -> str:
    """What stands over a field; that of a fault behind the first says which."""
    plain_name, _, number = name.partition(" ")
    return f"fault {number}: {LABELS[plain_name]}" if number else LABELS[plain_name]


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
        st.selectbox(
            "exercise", list(entries), key="author_from", format_func=lambda one: entry_words(entries[one])
        )
        with st.container(horizontal=True):
            st.button("Begin from it", key="author_take", on_click=_take)
            st.button("Begin from nothing", key="author_new", on_click=_nothing)


def _take() -> None:
    def what(records: Records) -> str:
        name = st.session_state.author_from
        entry = classroom.library().find(name)
        _set(EMPTY | fields_of(entry.exercise) | {"file": name if entry.own else f"{name}-mine"})
        return f"begun from {name}"

    classroom.order(what)


def _nothing() -> None:
    def what(records: Records) -> str:
        _set(dict.fromkeys(_draft(), "") | EMPTY)
        return "empty fields"

    classroom.order(what)


# -- the car ------------------------------------------------------------------------------------------------


def _which_fault(draft: dict[str, str]) -> int:
    """Which of the faults behind the same words the fields are about, 1 for the first."""
    count = faults_in(draft)
    if not 1 <= st.session_state.setdefault("author_fault", 1) <= count:
        st.session_state.author_fault = count
    if count == 1:
        return 1
    chosen = st.segmented_control(
        "the fields are about fault", list(range(1, count + 1)), key="author_fault", required=True,
        persist_state="session",
    )  # fmt: skip
    return chosen or 1


def _more_or_fewer(draft: dict[str, str], fault: int) -> None:
    count = faults_in(draft)
    with st.container(horizontal=True):
        st.button(
            "Another fault behind the same words", key="author_more", icon=":material/add:",
            disabled=count == MOST_FAULTS, on_click=_one_more,
            help="With several, neighbours in a class need not have the same car.",
        )  # fmt: skip
        if count > 1:
            st.button(
                f"Without fault {fault}", key="author_less", icon=":material/remove:",
                on_click=partial(_one_less, fault),
            )  # fmt: skip


def _one_more() -> None:
    def what(records: Records) -> None:
        count = faults_in(_draft()) + 1
        _set({"faults": f"{count}", **{of_fault(name, count): "" for name in OF_A_FAULT}})
        st.session_state.author_fault = count

    classroom.order(what)


def _one_less(fault: int) -> None:
    classroom.order(lambda records: _set(without_fault(_draft(), fault)))


def _break(held: Held, draft: dict[str, str], fault: int) -> None:
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
    _text(draft, of_fault("arrives", fault), 2)
    _text(draft, "before", 4)


def _fault_now() -> int:
    """The fault that is chosen when a button is pressed."""
    return min(int(st.session_state.author_fault), faults_in(_draft()))


def _take_car(held: Held) -> None:
    def what(records: Records) -> str:
        fault = _fault_now()
        if shipped_cars().get(held.car_name) != held.car_text:
            raise Problem(
                "exercises are made of the cars that come with busbay; put one of these into the bay"
            )
        taken, car = taken_from(held.bench), held.car_name.removesuffix(".yaml")
        own = {of_fault("arrives", fault): taken["arrives"], of_fault("solution", fault): ""}
        if fault == 1:
            _set(own | {"car": car, "before": taken["before"]})
        elif car == _draft()["car"]:
            _set(own)
        else:
            raise Problem(f"all faults of an exercise are faults of one car, here of '{_draft()['car']}'")
        return "taken as it stands in the bay"

    classroom.order(what)


def _solve(held: Held, draft: dict[str, str], fault: int) -> None:
    st.subheader("2 · Solve it", anchor=False)
    st.markdown("Put the broken car into the bay, find the fault with the tools, repair and prove it. Then:")
    with st.container(horizontal=True):
        st.button("Put it into the bay", key="author_put", on_click=_put)
        st.button(
            "Take what was done there", key="author_solution", type="primary",
            on_click=partial(_take_solution, held),
        )  # fmt: skip
    _text(draft, of_fault("solution", fault), 9)


def _put() -> None:
    def what(records: Records) -> None:
        draft, fault = _draft(), _fault_now()
        name = f"{draft['car']}.yaml"
        given = tuple(line.strip() for line in draft[of_fault("arrives", fault)].splitlines() if line.strip())
        before = [line.strip() for line in draft["before"].splitlines() if line.strip()]
        seed = int(draft.get("seed") or 0)
        work.ask(bench_jobs.take_log(name, shipped_cars()[name], given, seed, before))
        st.session_state.to_the_bay = True

    classroom.order(what)


def _take_solution(held: Held) -> None:
    def what(records: Records) -> str:
        draft, fault = _draft(), _fault_now()
        done = solution_from(held.bench, draft[of_fault("arrives", fault)], draft["before"])
        if not done:
            raise Problem("nothing has been done in the bay since the car came in")
        _set({of_fault("solution", fault): done})
        return "taken from the bay"

    classroom.order(what)


# -- the words ----------------------------------------------------------------------------------------------


def _order(draft: dict[str, str]) -> None:
    st.subheader("3 · Write the work order", anchor=False)
    _text(draft, "exercise", most=120)
    with st.container(horizontal=True):
        _text(draft, "topic", most=60)
        st.session_state.setdefault("draft_level", draft["level"] or "1")
        draft["level"] = st.selectbox(
            "level", [str(one) for one in range(1, 6)], key="draft_level", persist_state="session",
            format_func=lambda one: LEVELS[int(one)],
        )  # fmt: skip
        _text(draft, "minutes")
    _text(draft, "customer", most=80)
    _text(draft, "words", 4, most=1200)
    _text(draft, "history", 2, most=1200)
    _text(draft, "goal", 2, most=600)
    _several(draft, "tools", "tools allowed", {tool: tool for tool in TOOLS})
    _several(draft, "proof", "what a repair has to show", {one: PROOF_WORDS[one] for one in get_args(Proof)})
    _text(draft, "safety", 2)
    _text(draft, "hints", 3)


def _guide(draft: dict[str, str], fault: int) -> None:
    st.subheader("4 · For the instructor", anchor=False)
    _text(draft, of_fault("why", fault), 3, most=2000)
    _text(draft, "wrong_turns", 2)
    _text(draft, "ask", 2)


# -- check, save, give --------------------------------------------------------------------------------------


def _check_and_save(draft: dict[str, str]) -> None:
    st.subheader("5 · Check, save, give", anchor=False)
    file = exercise_file(draft)
    exercise, words = _read(draft, file)
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


def _read(draft: dict[str, str], file: str) -> tuple[Exercise | None, str]:
    """The exercise that the fields make; otherwise None, with what is still to be written or put right."""
    needed = [*NEEDED, *(of_fault("why", number) for number in range(2, faults_in(draft) + 1))]
    missing = [_label(name).partition(" (")[0] for name in needed if not draft.get(name, "").strip()]
    if missing:
        return None, f"Still to be written: {', '.join(missing)}."
    try:
        return exercise_from_text(file, ONE_FILE), ""
    except Problem as problem:
        return None, f"{_where(problem)}: {problem.what}"


def _where(problem: Problem) -> str:
    """In which field, and in which of its lines, a problem of the file stands."""
    path = [part for part in problem.path if part not in ("work_order", "guide")]
    fault = ""
    if path[:1] == ["others"]:
        fault, path = f"fault {int(path[1]) + 2}, ", path[2:]
    if not path:
        return "the file"
    line = f", line {path[1] + 1}" if len(path) > 1 and isinstance(path[1], int) else ""
    return f"{fault}{LABELS.get(str(path[0]), str(path[0])).partition(' (')[0]}{line}"


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


def _start_check() -> None:
    classroom.order(lambda records: lab_work.start(WORK, _checking()))


def _checking() -> lab_work.Task:
    file = exercise_file(_draft())
    exercise, words = _read(_draft(), file)
    if exercise is None:
        raise Problem(f"not yet an exercise. {words}")
    variants = [exercise.variant(number) for number in range(1 + len(exercise.others))]

    def task(shop: Workshop, tell: Progress, stop: Stop) -> tuple[str, list[Proven], list[tuple[str, ...]]]:
        proven = [prove(one) for one in variants]
        left = [
            rivals(one, shop, tell, stop, log=found.log, most=MOST_RIVALS)
            for one, found in zip(variants, proven, strict=True)
        ]
        return file, proven, left

    return task


def _save_and_give(draft: dict[str, str]) -> None:
    with st.container(horizontal=True, vertical_alignment="bottom"):
        _text(draft, "file", most=60)
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


def _save() -> None:
    def what(records: Records) -> str:
        draft = _draft()
        return f"saved as {classroom.library().save(draft['file'], exercise_file(draft)).name}"

    classroom.order(what)


def _give() -> None:
    def what(records: Records) -> str:
        state = st.session_state
        practice = state.author_how == "practice"
        given = records.assignments.give(state.author_class, exercise_file(_draft()), practice=practice)
        return f"{given.exercise} is given"

    classroom.order(what)
