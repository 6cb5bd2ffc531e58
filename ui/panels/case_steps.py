"""The steps of a case told so far: one is picked to be changed, moved, taken out, or to get one before it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import partial
from typing import Any

import streamlit as st

from sim.bench.action_words import sentence_of
from sim.lab.case import Case, CaseStep, Evidence, Photo
from sim.lab.photos import photo_of
from sim.lab.telling import seen_in_short, seen_of, seen_words, untold
from sim.vehicle.car import Car
from sim.vehicle.problems import Problem
from ui.drawing import sheet
from ui.drawing.tables import numbered
from ui.panels.case_problem import tell_problem
from ui.state.case_now import at_the, case_now, change, keep_for_undo

PLACE = "step_place"  # where the fields go: at the end without it, else what it does and the step's number
EDIT, BEFORE = "edit", "before"
LAMP = re.compile(r"\blamp (\S+) (lit|dark)\b")
FIELDS: Mapping[str, Any] = {"step_do": "", "step_seen": [], "step_reads": None, "step_note": ""}


def listed(case: Case) -> None:
    """The steps, and what can be done with the one that is picked."""
    if st.session_state.get("case_is_new"):
        st.caption("Nothing entered yet: begin with what was done first.")
        return
    with st.container(key="case_steps"):
        sheet.show(numbered(_words(step, case.whole_car) for step in case.steps), "case_step_list")
    count = len(case.steps)
    if not 1 <= st.session_state.get("case_step", 0) <= count:
        st.session_state.case_step = count
    with st.container(horizontal=True, vertical_alignment="bottom"):
        at = st.selectbox("step", list(range(1, count + 1)), key="case_step", width=90)
        st.button("Change", key="case_edit", on_click=partial(_fill, EDIT))
        st.button("Insert before", key="case_insert", on_click=partial(_fill, BEFORE))
        st.button("Up", key="case_up", disabled=at == 1, on_click=partial(_move, -1))
        st.button("Down", key="case_down", disabled=at == count, on_click=partial(_move, 1))
        # another count, another button: the second press of a double click takes no other step
        st.button("Remove", key=f"case_drop {count}", on_click=_drop)
    tell_problem("steps")
    photos = case.steps[at - 1].photos
    if photos:
        for photo in photos:
            st.image(f"data:{photo.kind};base64,{photo.data}", caption=f"step {at}: {photo.name}", width=260)


def _words(step: CaseStep, car: Car) -> str:
    titles = {name: lamp.title for one in car.built.modules.values() for name, lamp in one.telltales.items()}
    seen = LAMP.sub(
        lambda found: f"{titles.get(found[1]) or found[1]} lamp {found[2]}",
        seen_in_short(step.seen, step.do[-1] if step.do else ""),
    )
    note = f" ({step.note})" if step.note else ""
    pictures = f" [{len(step.photos)} photo{'s' if len(step.photos) > 1 else ''}]" if step.photos else ""
    return sentence_of(step.do) + (f" → {seen}" if seen else "") + note + pictures


def place() -> tuple[str, int] | None:
    """What the fields are for: to change a step, or for one before it; None: for a step at the end."""
    found = st.session_state.get(PLACE)
    steps = len(case_now().steps)
    return (found[0], found[1]) if found and 1 <= found[1] <= steps else None


def heading() -> str:
    """What the fields are for."""
    at = place()
    if at is None:
        return "Done next"
    return f"Step {at[1]}, to be changed" if at[0] == EDIT else f"A step before step {at[1]}"


def save_words() -> str:
    """What the button below the fields does."""
    at = place()
    if at is None:
        return "Add this step"
    return f"Save step {at[1]}" if at[0] == EDIT else f"Insert before step {at[1]}"


def clear() -> None:
    """Empty the fields; what comes next goes to the end."""
    for key, value in FIELDS.items():
        st.session_state[key] = value
    st.session_state[PLACE] = None
    st.session_state.steps_told = st.session_state.get("steps_told", 0) + 1


def key_of(field: str) -> str:
    """The key of what is there for one step only: the next step has another.

    A field of files is emptied so, and the second press of a double click meets no button.
    """
    return f"{field} {st.session_state.get('steps_told', 0)}"


def taken_from_fields(done: list[str]) -> CaseStep:
    """The step that the fields tell; raises `Problem`, or `ValueError` where nothing was done."""
    kept, at = st.session_state, place()
    before = case_now().steps[at[1] - 1] if at and at[0] == EDIT else None
    seen = seen_of(kept.step_seen, kept.step_reads, kept.step_within)
    if before is not None:
        seen = untold(before.seen) | seen
    photos = (*(_left_photos(before) if before else ()), *_new_photos())
    told = {"do": done, "seen": seen, "note": kept.get("step_note", "").strip(), "photos": photos}
    return CaseStep.model_validate(told)


def photos_left() -> None:
    """The photos of the step that is changed, to take some of them out."""
    at = place()
    photos = case_now().steps[at[1] - 1].photos if at and at[0] == EDIT else ()
    if photos:
        st.multiselect(
            "photos that stay with this step", range(len(photos)), range(len(photos)),
            key=key_of("step_photos_left"), format_func=lambda k: f"{k + 1}. {photos[k].name}",
            select_all=False,
        )  # fmt: skip


def _left_photos(step: CaseStep) -> list[Photo]:
    left = st.session_state.get(key_of("step_photos_left"), range(len(step.photos)))
    return [photo for k, photo in enumerate(step.photos) if k in left]


def _new_photos() -> list[Photo]:
    return [
        photo_of(file.name, file.getvalue()) for file in st.session_state.get(key_of("step_photos")) or ()
    ]


def put(step: CaseStep, **more: str) -> bool:
    """Put a step where the fields are for, and more into the case; False if the result is no case."""
    steps = [] if st.session_state.get("case_is_new") else list(case_now().steps)
    match place() if steps else None:
        case ("edit", number):
            steps[number - 1] = step
        case (_, number):
            steps.insert(number - 1, step)
        case _:
            steps.append(step)
    if change(steps=tuple(steps), **more):
        st.session_state.case_is_new = False
        clear()
        return True
    return False


def _fill(what: str) -> None:
    """Let the fields be about the step that is picked."""
    number = int(st.session_state.case_step)
    clear()
    st.session_state[PLACE] = (what, number)
    if what == EDIT:
        step = case_now().steps[number - 1]
        st.session_state.step_do = "\n".join(step.do)
        st.session_state.step_seen = _sentences(step.seen)
        st.session_state.step_note = step.note
        if isinstance(step.seen.reads, float):
            st.session_state.step_reads, st.session_state.step_within = step.seen.reads, step.seen.within


def _sentences(seen: Evidence) -> list[str]:
    """What was seen, as the sentences that can be chosen; the others are kept as they are."""
    words = []
    for text in seen_words(seen):
        try:
            Evidence.model_validate(seen_of([text]))
        except (Problem, ValueError):
            continue
        words.append(text)
    return words


def _move(by: int) -> None:
    at_the("steps")
    steps, at = list(case_now().steps), int(st.session_state.case_step) - 1
    if 0 <= at + by < len(steps):
        steps[at], steps[at + by] = steps[at + by], steps[at]
        if change(steps=tuple(steps)):
            st.session_state.case_step = at + by + 1
            st.session_state[PLACE] = None


def _drop() -> None:
    at_the("steps")
    steps, at = list(case_now().steps), int(st.session_state.case_step) - 1
    if len(steps) > 1 and at < len(steps):
        del steps[at]
        change(steps=tuple(steps))
        st.session_state[PLACE] = None
    elif len(steps) == 1:
        keep_for_undo()
        st.session_state.case_is_new = True
