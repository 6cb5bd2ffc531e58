"""The way to the handbook from every page, and the words that a page is the first to use."""

from __future__ import annotations

import streamlit as st

from sim.handbook.glossary import meaning, terms_of
from sim.handbook.links import Paragraph, paragraph_for
from sim.vehicle.problems import Problem

HANDBOOK = "handbook"


def under_the_page(path: str) -> None:
    """Below a page: the handbook, and its words, folded."""
    if path == HANDBOOK:
        return
    with st.container(key="help"):
        link("Handbook", "start")
        if words := terms_of(path):
            with st.expander("Words on this page", icon=":material/dictionary:"):
                for term in words:
                    st.markdown(f"**{term.word}**: {term.meaning} *{term.source}*")


def paragraph_link(paragraph: Paragraph | None) -> None:
    """A link to the paragraph about a problem, if the handbook has one."""
    if paragraph is not None:
        link(paragraph.words, paragraph.chapter)


def term(*words: str) -> str:
    """What words of the trade mean, for the help of the label where they are first met."""
    return "\n\n".join(map(meaning, words))


def tell(problem: Problem | str, otherwise: Paragraph | None = None) -> None:
    """What is wrong with a file or a sentence, and the paragraph about it, else `otherwise`."""
    st.error(in_lines(str(problem)), icon=":material/block:")
    paragraph_link(paragraph_for(problem, otherwise) if isinstance(problem, Problem) else otherwise)


def in_lines(words: str) -> str:
    """Sentences of several lines, as Markdown keeps them apart."""
    return words.replace("\n", "  \n")


def link(words: str, chapter: str) -> None:
    """A link to a chapter; none on a page alone, in a test. The session puts its keys into the address."""
    if HANDBOOK in st.session_state.get("entries", {}):
        st.page_link(
            st.session_state.entries[HANDBOOK], label=words, icon=":material/menu_book:", width="content",
            query_params={"chapter": chapter},
        )  # fmt: skip
