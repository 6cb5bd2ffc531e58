"""What lists offer and fields of several lines hold.

A browser tells the server the words of what was chosen. Words that change while something is chosen, or that
two choices share, would let the choice be lost or taken for another.
"""

from __future__ import annotations

from collections.abc import Mapping

import streamlit as st

from sim.training.library import Entry

LEVELS = ("", "I", "II", "III", "IV", "V")
HOW = ("practice", "exam")
HOW_WORDS = {
    "practice": "practice: steps can be taken back",
    "exam": "exam: every step stays",
}


def distinct(words: Mapping[int, str]) -> dict[int, str]:
    """The words of each choice by its number; of those that read alike, all but the oldest get a figure.

    The oldest is the one with the smallest number, so what joins later changes no words that are there.
    """
    found: dict[int, str] = {}
    for number in sorted(words):
        text, place = words[number], 1
        while text in found.values():
            place += 1
            text = f"{words[number]} ({place})"
        found[number] = text
    return {number: found[number] for number in words}


def entry_words(entry: Entry) -> str:
    """An exercise in one line."""
    one = entry.exercise
    own = " · own" if entry.own else ""
    return f"{entry.name} · {one.exercise} · {LEVELS[one.level]} · {one.topic} · {one.minutes:g} min{own}"


def lines_of(key: str) -> list[str]:
    """The actions in the field with this key, without empty lines."""
    return [line.strip() for line in st.session_state.get(key, "").splitlines() if line.strip()]
