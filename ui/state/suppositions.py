"""What the page What if supposes of the car in the bay, how each is used, and what is done each time."""

from __future__ import annotations

import streamlit as st

from sim.lab.drive import plain_morning
from sim.lab.grid import Choice
from sim.lab.suppositions import parts, puts_right
from sim.vehicle.fault_words import fault_set_words
from ui.state import lab_work
from ui.state.choices import lines_of
from ui.state.held import Held

LEFT_OUT = "left out"
USES = ("with and without", "always", LEFT_OUT)
MOST_VARIED = 8  # 256 runs; more is for the command line
WORK = "what_if_work"
BAY, MORNING, OWN = "what was done in the bay", "a plain morning", "my own list"


def from_case(held: Held, suppositions: list[str], repairs: list[str], actions: list[str]) -> None:
    """Put a question on the page: what to suppose, repairs of that, and what is done."""
    store(held, suppositions)
    for text in suppositions[MOST_VARIED:]:
        st.session_state[f"use {text}"] = LEFT_OUT
    st.session_state.suppose_repairs = [held.car_text, repairs]
    st.session_state.suppose_log = OWN
    st.session_state.what_if_own = "\n".join(actions)


def suppositions(held: Held) -> list[str]:
    """What is supposed; begins with what the bench was given."""
    kept = st.session_state.get("suppositions")
    if not kept or kept[0] != held.car_text:
        st.session_state.suppositions = kept = [held.car_text, list(held.bench.given)]
        lab_work.forget(WORK)
    return list(kept[1])


def store(held: Held, texts: list[str]) -> None:
    """Suppose this from now on; what was found no longer belongs to it."""
    st.session_state.suppositions = [held.car_text, texts]
    lab_work.forget(WORK)


def supposed_words(held: Held, text: str) -> str:
    """A supposition as a technician says it."""
    return fault_set_words(parts(text), held.car)


def choices(held: Held, texts: list[str]) -> list[Choice]:
    """Suppositions to vary, named in words; of those that differ in a figure only, by their sentences."""
    words = [supposed_words(held, text) for text in texts]
    names = zip(texts, words, strict=True)
    return [Choice(text if words.count(said) > 1 else said, tuple(parts(text))) for text, said in names]


def used(held: Held, use: str) -> list[str]:
    """What is supposed and used in this way."""
    return [text for text in suppositions(held) if st.session_state.get(f"use {text}", USES[0]) == use]


def actions_now(held: Held) -> list[str]:
    """What is done in every combination, as it is chosen now."""
    chosen = st.session_state.suppose_log
    if chosen == OWN:
        return lines_of("what_if_own")
    if chosen == MORNING:
        return plain_morning(held.car)
    supposed = suppositions(held)
    return [text for text in held.bench.log if text not in supposed and not puts_right(text, supposed)]
