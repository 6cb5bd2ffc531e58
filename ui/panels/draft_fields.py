"""The fields of an exercise that is being written: the work order, and what is for the instructor."""

from __future__ import annotations

from collections.abc import Mapping
from typing import get_args

import streamlit as st

from sim.training.authoring import of_fault
from sim.training.exercise import TOOLS, Proof
from ui.state.choices import LEVELS
from ui.state.draft import label_of

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
    st.subheader("3 · Write the work order", anchor=False)
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
    text_field(draft, "goal", 2, most=600)
    several(draft, "tools", "tools allowed", {tool: tool for tool in TOOLS})
    several(draft, "proof", "what a repair has to show", {one: PROOF_WORDS[one] for one in get_args(Proof)})
    text_field(draft, "safety", 2)
    text_field(draft, "hints", 3)


def guide(draft: dict[str, str], fault: int) -> None:
    """The fourth step: what the instructor needs to know."""
    st.subheader("4 · For the instructor", anchor=False)
    text_field(draft, of_fault("why", fault), 3, most=2000)
    text_field(draft, "wrong_turns", 2)
    text_field(draft, "ask", 2)
