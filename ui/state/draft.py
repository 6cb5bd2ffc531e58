"""The exercise that an author is writing: its fields, kept on disk after every change, and what they make.

A draft is texts by the names of fields; `why 2` is a field of the second fault.
"""

from __future__ import annotations

from collections.abc import Mapping

import streamlit as st

from sim.lab.workshop import Progress, Stop, Workshop
from sim.training.authoring import exercise_file, faults_in, of_fault
from sim.training.exercise import TOOLS, Exercise, exercise_from_text
from sim.training.proof import Proven, prove, rivals
from sim.vehicle.problems import Problem
from ui.state import classroom, lab_work, one_back

EMPTY = {
    "level": "1", "minutes": "30", "tools": "\n".join(TOOLS), "proof": "scan", "arrives": "", "before": "",
    "solution": "", "car": "", "faults": "1", "seed": "0",
}  # fmt: skip
LABELS = {
    "exercise": "title",
    "topic": "topic",
    "minutes": "minutes of labor",
    "customer": "customer (an invented name)",
    "words": "what the customer says",
    "history": "what is known of the car",
    "complaint": "the customer's words as steps of a case, in YAML (do, seen, note); played by the check",
    "answers": "what the customer answers, in YAML: a line such as 'since when: since the car wash'",
    "goal": "what it teaches",
    "safety": "safety notes (one in each line)",
    "hints": "hints, from gentle to plain (one in each line)",
    "arrives": "it arrives with (one edit in each line; none: nothing is wrong)",
    "before": "what happened before it came in (one action in each line)",
    "solution": "the solution (one action in each line)",
    "why": "why the car shows what it shows",
    "wrong_turns": "usual wrong turns (one in each line)",
    "ask": "what to ask (one in each line)",
    "expect": "what a good answer says (one in each line, as many as questions)",
    "transfer": "how this is done on a real vehicle (one in each line)",
    "file": "file name, such as quiet-gearbox",
}
NEEDED = ("exercise", "topic", "customer", "words", "goal", "why")
SEVERAL = ("tools", "proof")
WORK, DRAFT = "author_check", "author_draft"
ONE_FILE = "exercise.yaml"
MOST_RIVALS = 150  # cars run to see what else it could be: a few minutes on the largest car


def draft_now() -> dict[str, str]:
    """What has been written so far, up to now: this session's, or what was kept."""
    if "draft" not in st.session_state:
        st.session_state.draft = EMPTY | classroom.library().draft()
    draft: dict[str, str] = st.session_state.draft
    for name in draft:
        said = st.session_state.get(f"draft_{name}")
        if said is not None:
            draft[name] = "\n".join(said) if name in SEVERAL else said
    return draft


def keep(draft: Mapping[str, str]) -> None:
    """Keep the draft on disk, if it has changed."""
    if st.session_state.get("draft_kept") == draft:
        return
    try:
        classroom.library().keep_draft(dict(draft))
    except Problem as problem:
        st.warning(classroom.plain(str(problem)), icon=":material/save:")
    st.session_state.draft_kept = dict(draft)


def put(fields: Mapping[str, str]) -> None:
    """Put texts into the fields of the draft and of the page; the old ones can be put back."""
    draft = draft_now()
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


@classroom.instructor_only
def put_back(fields: Mapping[str, str]) -> None:
    """Put back what a button has replaced."""
    put(dict.fromkeys(draft_now(), "") | dict(fields))


def label_of(name: str) -> str:
    """The label of a field, with the number of the fault if it is not the first."""
    plain_name, _, number = name.partition(" ")
    return f"fault {number}: {LABELS[plain_name]}" if number else LABELS[plain_name]


def fault_now() -> int:
    """The fault that is chosen when a button is pressed."""
    return min(int(st.session_state.author_fault), faults_in(draft_now()))


def read(draft: dict[str, str], file: str) -> tuple[Exercise | None, str]:
    """The exercise that the fields make; otherwise None, with what is still to be written or put right."""
    needed = [*NEEDED, *(of_fault("why", number) for number in range(2, faults_in(draft) + 1))]
    missing = [label_of(name).partition(" (")[0] for name in needed if not draft.get(name, "").strip()]
    if missing:
        return None, f"Still to be written: {', '.join(missing)}."
    try:
        return exercise_from_text(file, ONE_FILE), ""
    except Problem as problem:
        return None, f"{_where(problem)}: {problem.what}"


def _where(problem: Problem) -> str:
    """The field, and its line, in which a problem of the file is."""
    path = [part for part in problem.path if part not in ("work_order", "guide")]
    fault = ""
    if path[:1] == ["others"]:
        fault, path = f"fault {int(path[1]) + 2}, ", path[2:]
    if not path:
        return "the file"
    line = f", line {path[1] + 1}" if len(path) > 1 and isinstance(path[1], int) else ""
    return f"{fault}{LABELS.get(str(path[0]), str(path[0])).partition(' (')[0]}{line}"


def checking() -> lab_work.Task:
    """Return the task of a check: prove every variant, and look for rival causes."""
    file = exercise_file(draft_now())
    exercise, words = read(draft_now(), file)
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
