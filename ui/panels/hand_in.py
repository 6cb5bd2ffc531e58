"""Hand in: what was wrong, built by choosing part and fault; how it was found; and the end of the work."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import partial

import streamlit as st

from sim.training.answers import (
    NO_FAULT_WORDS,
    built,
    car_to_answer_for,
    cause_words,
    common_first,
    others_for,
    part_words,
    with_cause,
    wrongs_at,
)
from sim.training.hand_in import NO_FAULT
from sim.vehicle.answer_parts import PARTS, PartSort, sorts_of
from sim.vehicle.car import Car
from sim.vehicle.edit import Answer
from sim.vehicle.problems import EditProblem
from ui.panels.controls import button
from ui.state import at_work
from ui.state.at_work import AtWork, keep_evidence, name_causes
from ui.state.classroom import plain
from ui.state.work import ask

HIGH_VOLTAGE = "high voltage"
SORTS: Mapping[str, tuple[PartSort, ...]] = {
    "module": ("module",),
    "fuse or relay": ("fuse", "relay"),
    "connector": ("connector",),
    "pin or wire end": ("pin", "terminal"),
    "wire": ("wire",),
    "ground": ("ground",),
    "battery": ("battery", "clamp", "generator"),
    "sensor, switch, load": ("sensor", "switch", "load"),
    "bus": ("bus", "terminator"),
    HIGH_VOLTAGE: ("contactor", "precharge", "rail"),
}
MOST_AT_HAND = 6
OPENED = ("circuit", "face", "probe_red", "probe_black")  # on the diagrams, and where the leads are


def show(held: AtWork, proof: str) -> None:
    """The panel; `proof`: what is to be shown after the repair, in words."""
    st.markdown("**What was wrong?** Choose the part, here or on the map, then what is wrong with it.")
    _list(held)
    _builder(held)
    _evidence()
    st.caption(f"Repair first, then show: {proof}. The car is judged as it is now.")
    if not st.session_state.get("sure"):
        icon = "assignment_turned_in"
        button(
            "Hand in", "hand_in", partial(_be_sure, True), icon=icon, primary=True, disabled=not held.causes
        )
        return
    st.warning("Handing in ends the work on this car.", icon=":material/assignment_turned_in:")
    with st.container(horizontal=True):
        button("Yes, hand in", "hand_in_now", _hand_in_now, primary=True)
        button("Not yet", "not_yet", partial(_be_sure, False))


def _evidence() -> None:
    """How the student knows, kept with every change of it."""
    st.text_area(
        "How do you know?", key="evidence", max_chars=2000, height=90, persist_state="session",
        placeholder="what you measured or saw", on_change=_keep_evidence,
    )  # fmt: skip


def _keep_evidence() -> None:
    held: AtWork = st.session_state.work
    keep_evidence(held, st.session_state.evidence)


# -- the causes named so far -----------------------------------------------------------------------------


def _list(held: AtWork) -> None:
    car = _car(held)
    with st.container(key="causes"):
        if not held.causes:
            st.caption("No cause on your list yet. Name every one.")
        for cause in held.causes:
            words = plain(cause_words(cause, car))
            button(
                words,
                f"remove {cause}",
                partial(_remove, cause),
                icon="close",
                help="remove it from the list",
            )


def _remove(cause: str) -> None:
    held: AtWork = st.session_state.work
    name_causes(held, [one for one in held.causes if one != cause])


# -- one more --------------------------------------------------------------------------------------------


def _builder(held: AtWork) -> None:
    car = _car(held)
    with st.container(border=True, key="cause_form"):
        _at_hand(held, car)
        sorts = [sort for sort in SORTS if sort != HIGH_VOLTAGE or car.claimed.high_voltage]
        st.pills("kind of part", sorts, key="answer_sort")
        words = _parts_shown(car)
        st.selectbox(
            "which part?", list(words), key="answer_part", index=None,
            format_func=lambda one: words.get(one, one), placeholder="type a name, or choose from the list",
            filter_mode="contains",  # so that a name in full comes before longer ones that begin like it
        )  # fmt: skip
        part = st.session_state.get("answer_part")
        if part:
            _what_is_wrong(part, car)
        if problem := st.session_state.pop("answer_problem", ""):
            st.warning(plain(problem), icon=":material/info:")
        with st.container(horizontal=True):
            button("Add this cause", "add_cause", _add, icon="add", primary=not held.causes)
            if not held.causes:
                button("No fault found", "no_fault", _add_no_fault, help=NO_FAULT_WORDS)


def _parts_shown(car: Car) -> dict[str, str]:
    """The parts of the kind that is chosen, or all."""
    sorts = SORTS.get(st.session_state.get("answer_sort") or "")
    every = part_words(car)
    if sorts is None:
        return every
    kind = {name for sort in sorts for name in PARTS[sort](car)}
    return {name: words for name, words in every.items() if name in kind}


def _what_is_wrong(part: str, car: Car) -> None:
    answers = {one.words: one for one in wrongs_at(part, car)}
    common, rest = common_first(list(answers.values()))
    if _is_among(rest) or st.session_state.get("answer_more") == part:
        common, rest = [*common, *rest], []
    st.pills(f"what is wrong with {part}?", [one.words for one in common], key="answer_wrong")
    if rest:
        button(f"{len(rest)} more", "answer_more_of", _show_more, icon="more_horiz")
    answer = answers.get(st.session_state.get("answer_wrong") or "")
    if answer is None:
        return
    others = others_for(answer, part, car)
    if len(others) > 1:
        st.selectbox(
            f"{answer.asks}?", list(others), key="answer_other", index=None,
            format_func=lambda one: others.get(one, one), placeholder="type a name, or choose from the list",
            filter_mode="contains",  # so that a name in full comes before longer ones that begin like it
        )  # fmt: skip


def _is_among(answers: Sequence[Answer]) -> bool:
    return st.session_state.get("answer_wrong") in [one.words for one in answers]


def _show_more() -> None:
    """All that can be wrong with the part that is chosen now."""
    st.session_state.answer_more = st.session_state.get("answer_part")


def _at_hand(held: AtWork, car: Car) -> None:
    """Parts to be taken along: picked on the map or a drawing, measured, or worked on last."""
    found = list(dict.fromkeys(_touched(held, car)))[:MOST_AT_HAND]
    if found:
        with st.container(horizontal=True, vertical_alignment="center", gap="small", key="at_hand"):
            st.caption("from your work:", width="content")
            for name in found:
                button(name, f"take {name}", partial(take, name))


def _touched(held: AtWork, car: Car) -> Iterator[str]:
    known = part_words(car)
    picked = (st.session_state.get("part") or "").rpartition(" ")[2]  # `module ABS`
    if picked in known:
        yield picked
    yield from (name for key in OPENED if (name := st.session_state.get(key)) in known)
    for step in reversed(held.work.attempt.steps):
        yield from (word for word in step.action.split() if word in known)


def take(name: str) -> None:
    """Make a part the one that a cause is named of; for callbacks."""
    st.session_state.answer_sort = None
    st.session_state.answer_part = name


def _add() -> None:
    """Add what the lists show when the button is pressed."""
    held: AtWork = st.session_state.work
    car = _car(held)
    try:
        name_causes(held, with_cause(held.causes, _chosen(car), car))
    except EditProblem as problem:
        st.session_state.answer_problem = str(problem)
        return
    st.session_state.answer_part = st.session_state.answer_wrong = None


def _chosen(car: Car) -> str:
    state = st.session_state
    part = state.get("answer_part")
    if not part or not sorts_of(part, car):
        raise EditProblem("Choose a part first.")
    answer = next((one for one in wrongs_at(part, car) if one.words == state.get("answer_wrong")), None)
    if answer is None:
        raise EditProblem(f"Choose what is wrong with {part}.")
    return built(part, answer, _other(answer, part, car), car)


def _other(answer: Answer, part: str, car: Car) -> str:
    others = others_for(answer, part, car)
    if len(others) < 2:
        return next(iter(others), "")
    other = st.session_state.get("answer_other")
    if other not in others:
        raise EditProblem(f"One thing is missing: {answer.asks}?")
    return str(other)


def _add_no_fault() -> None:
    held: AtWork = st.session_state.work
    try:
        name_causes(held, with_cause(held.causes, NO_FAULT, _car(held)))
    except EditProblem as problem:
        st.session_state.answer_problem = str(problem)


def _car(held: AtWork) -> Car:
    return car_to_answer_for(held.work.attempt.exercise.whole_car, held.causes)


# -- the end ---------------------------------------------------------------------------------------------


def _be_sure(sure: bool) -> None:
    st.session_state.sure = sure


def _hand_in_now() -> None:
    held: AtWork = st.session_state.work
    st.session_state.sure = False
    ask(at_work.hand_in, held.causes, st.session_state.evidence)
