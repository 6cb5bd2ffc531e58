"""The lab: one place for everything that is asked of many cars at once, each page with its question."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import streamlit as st

from ui.panels.controls import button, named
from ui.state import lab_examples
from ui.state.work import after_work

COLUMNS = 3


@dataclass(frozen=True, slots=True)
class Card:
    """A page of the lab: its title, the question it answers, and what fills its form with an example."""

    title: str
    question: str
    example: Callable[[], None] | None = None


CARDS = {
    "what-if": Card("What if", "What would have happened with the fuse in?", lab_examples.what_if),
    "instead": Card(
        "Replay from here", "What if I had done something else at this point?", lab_examples.replay_from_here
    ),
    "suspects": Card(
        "Possible causes", "Which faults explain what I have seen so far?", lab_examples.possible_causes
    ),
    "pairs": Card(
        "Faults that hide each other", "Which two faults make a hard case?", lab_examples.faults_that_hide
    ),
    "case": Card("Case", "Which theory explains everything I saw?", lab_examples.case),
    "car": Card("Car file", "What does the wiring diagram of this car say?"),
    "describe": Card(
        "Describe a car", "How do I put a car of my own into the bay?", lab_examples.describe_a_car
    ),
}


def show() -> None:
    """The page."""
    held = after_work(st.empty())
    opens = st.session_state.pop("lab_opens", "")
    if opens and not held.problem:
        st.switch_page(st.session_state.entries[opens])
    st.title("Lab")
    st.markdown(
        "Here the same car is run many times, a little different each time. The result is what "
        "*this model* says: worth checking on the real car, not a finding."
    )
    cards = list(CARDS.items())
    for begin in range(0, len(cards), COLUMNS):
        for column, (path, card) in zip(st.columns(COLUMNS), cards[begin : begin + COLUMNS], strict=False):
            with column, st.container(border=True, height="stretch", key=f"card {path}"):
                _card(path, card)


def _card(path: str, card: Card) -> None:
    st.header(card.title, anchor=False)
    st.markdown(card.question)
    with st.container(horizontal=True):
        if card.example is not None:
            begin = partial(_begin_with_example, path)
            words = named("Open with an example", card.title)
            button(words, f"example {path}", begin, icon="play_arrow", primary=True)
        button(named("Open", card.title), f"open {path}", partial(_open, path))


def _open(path: str) -> None:
    st.session_state.lab_opens = path


def _begin_with_example(path: str) -> None:
    fill = CARDS[path].example
    assert fill is not None
    fill()
    _open(path)
