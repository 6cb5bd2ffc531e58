"""The handbook: a chapter at a time; `?chapter=glossary` in the address opens that one."""

from __future__ import annotations

import re

import streamlit as st

from sim.handbook.book import TITLES, chapter
from ui.drawing import sheet
from ui.drawing.handbook_pictures import NAMED, shown

CHAPTER = "chapter"


def show() -> None:
    """The page."""
    left, right = st.columns([1, 3], gap="large")
    with left:
        st.title("Handbook", anchor=False)
        asked = st.query_params.get(CHAPTER, "")
        if asked in TITLES and asked != st.session_state.get("chapter_asked"):
            st.session_state.chapter = st.session_state.chapter_asked = asked
        st.radio("chapter", list(TITLES), key=CHAPTER, format_func=TITLES.__getitem__, on_change=_turned)
        st.caption("As Markdown files: `busbay handbook --out FOLDER`")
    with right, st.container(key="handbook_text"):
        _with_pictures(_alone(chapter(st.session_state.chapter).text))


def _with_pictures(text: str) -> None:
    """A chapter, each picture where it is named."""
    read, *rest = NAMED.split(text)
    st.markdown(read)
    for words, name, more in zip(*[iter(rest)] * 3, strict=True):
        sheet.show(shown(name, words), f"picture {name}")
        st.markdown(more)


def _turned() -> None:
    """The address leads to the chapter that was chosen."""
    st.session_state.chapter_asked = st.session_state.chapter
    st.query_params[CHAPTER] = st.session_state.chapter


def _alone(text: str) -> str:
    """Names of other chapters in place of links to their files: the list beside the text opens them."""
    return re.sub(r"\[([^\]]+)\]\([\w-]+\.md\)", r"*\1*", text)
