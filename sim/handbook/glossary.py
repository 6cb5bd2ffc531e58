"""Words of the trade, each with a meaning in one sentence and where it is defined.

meaning("DTC")        # for a tooltip
terms_of("bay")       # those first met on that page
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from sim.handbook.tables import rows

COMMON_PRACTICE = "common practice"


@dataclass(frozen=True, slots=True)
class GlossaryTerm:
    """A word, its meaning, its source (a standard or common practice), and the pages that use it first.

    pages: paths of pages in the address.
    """

    word: str
    meaning: str
    source: str
    pages: tuple[str, ...]


@cache
def standards() -> dict[str, str]:
    """The titles of all standards that a term may name."""
    return dict(rows("standards.csv", 2))  # type: ignore[arg-type]  # rows of two cells


@cache
def terms() -> tuple[GlossaryTerm, ...]:
    """All terms, by the alphabet."""
    found = (
        GlossaryTerm(word, told, source, tuple(on.split())) for word, told, source, on in rows("terms.csv", 4)
    )
    return tuple(sorted(found, key=lambda term: term.word.casefold()))


def meaning(word: str) -> str:
    """What a word means, with its source; raises KeyError for one that is not in the glossary."""
    term = {term.word: term for term in terms()}[word]
    return f"**{term.word}**: {term.meaning} ({term.source})"


def terms_of(page: str) -> tuple[GlossaryTerm, ...]:
    """The terms that a page is the first to use."""
    return tuple(term for term in terms() if page in term.pages)
