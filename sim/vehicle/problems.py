"""What can be wrong with something a person wrote, said in one sentence.

Exception tree::

    Problem                 one clear sentence, with its data
    ├── FileProblem         a vehicle, exercise or case file: file, line, path
    └── EditProblem         a sentence typed as an edit or action
    Unsettled               the car itself comes to no rest: a property of the description
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from typing import Any

Path = tuple[str | int, ...]  # to a place in a description: keys and positions in lists

LONGEST_SENTENCE = 540  # our own list of what is known may be long
LONGEST_WORD = 100  # a sentence may quote what was written, and anything may have been written
LONGEST_KEY = 60  # of the path to it
UNKNOWN_KEY = "unknown key"


class Problem(Exception):
    """One clear sentence about bad input.

    `path` is its place in the description (keys and list positions), `what` the sentence.
    """

    def __init__(self, what: str, path: Path = ()) -> None:
        words = re.sub(rf"\S{{{LONGEST_WORD + 1},}}", lambda word: _cut(word.group(), LONGEST_WORD), what)
        self.what = _cut(words, LONGEST_SENTENCE)
        super().__init__(self.what)
        self.path = path


class FileProblem(Problem):
    """A problem of one file, with its line (1 = first line); `others`: what else is wrong with the file."""

    def __init__(
        self, what: str, file: str, line: int, path: Path = (), others: Sequence[FileProblem] = ()
    ) -> None:
        super().__init__(what, path)
        self.file = file
        self.line = line
        self.others = tuple(others)

    @property
    def all(self) -> tuple[FileProblem, ...]:
        """It and the others."""
        return FileProblem(self.what, self.file, self.line, self.path), *self.others

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (self.what, self.file, self.line, self.path, self.others)

    def __str__(self) -> str:
        where = " > ".join(_cut(str(part), LONGEST_KEY) for part in self.path)
        own = f"{self.file}, line {self.line}{f', {where}' if where else ''}: {self.what}"
        return "\n".join([own, *map(str, self.others)])


class EditProblem(Problem):
    """A sentence that is no edit or action of this car."""


class Unsettled(Exception):
    """The car chatters without end at one instant: a relay or driver that switches itself off."""


def _cut(text: str, longest: int) -> str:
    return text if len(text) <= longest else f"{text[:longest]}..."


def did_you_mean(name: str, names: Iterable[str]) -> str:
    """The tail of an error sentence: the nearest valid name, or the list when it is short."""
    known = sorted({str(one) for one in names})
    near = [one for one in known if one.lower() == str(name).lower()]
    number, dot, end = str(name).partition(".")
    in_boxes = re.compile(rf"{re.escape(number)}-[\w+-]+{re.escape(dot + end)}")  # F5, F5.2 of two boxes
    alike = [one for one in known if in_boxes.fullmatch(one)]
    if alike and not near:
        return f"; say which: {', '.join(alike)}"
    near = near or difflib.get_close_matches(str(name), known, n=1, cutoff=0.5)
    if near:
        return f"; did you mean '{near[0]}'?"
    if 0 < len(known) <= 12:
        return f"; known: {', '.join(known)}"
    return ""


def nearest_in(sentence: str) -> str | None:
    """The name that a sentence with the tail of `did_you_mean` offers."""
    offered = re.search(r"; did you mean '([^']+)'\?", sentence)
    return offered[1] if offered else None


def unknown(kind: str, name: str, names: Iterable[str]) -> str:
    """`no fuse 'F99' in this car; did you mean 'F9'?`"""
    return f"no {kind} '{name}' in this car{did_you_mean(name, names)}"
