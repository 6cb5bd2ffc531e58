"""How numbers of things read in a sentence."""

from __future__ import annotations


def counted(number: int, thing: str) -> str:
    """`0 codes`, `1 code`, `2 codes`: for things whose plural ends in a plain s."""
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"
