"""What is chosen from by its words: each choice reads otherwise than all others, and reads so for good.

A browser tells the server the words of what was chosen. Words that change while something is chosen, or that
two choices share, would let the choice be lost or taken for another.
"""

from __future__ import annotations

from collections.abc import Mapping


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
