"""How an exercise reads in a list, and how it can be given to a class."""

from __future__ import annotations

from sim.training.library import Entry

LEVELS = ("", "I", "II", "III", "IV", "V")
HOW = ("practice", "exam")
HOW_WORDS = {
    "practice": "practice: steps can be taken back",
    "exam": "exam: every step stays",
}


def entry_words(entry: Entry) -> str:
    """An exercise in one line."""
    one = entry.exercise
    own = " · own" if entry.own else ""
    return f"{entry.name} · {one.exercise} · {LEVELS[one.level]} · {one.topic} · {one.minutes:g} min{own}"
