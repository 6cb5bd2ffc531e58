"""All that is wrong with a file, told at once.

A check stops at the first thing that is wrong. So that the next is found, too, the document is mended the
way its writer would: the nearest name takes the place of an unknown one, and what cannot be is taken out.

Not modeled: what a mended value brings along. Where nothing can be mended the search ends.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import Any, Final

from ruamel.yaml.comments import CommentedMap, CommentedSeq

from sim.vehicle.problems import UNKNOWN_KEY, FileProblem, Path, Problem, nearest_in

MOST_PROBLEMS: Final = 20  # who has more begins with these


def every_problem(document: Any, name: str, wrong: Callable[[], Sequence[Problem]]) -> FileProblem:
    """What is wrong with a document, in the order of its lines; the document is of no use afterwards.

    wrong: checks the document as it is now. It has found something already.
    """
    mending, found = _Mending(document), list[FileProblem]()
    while len(found) < MOST_PROBLEMS and (problems := wrong()):
        told = [
            one
            for problem in problems
            if not mending.follows(problem)
            for one in _of_file(problem, document, name)
        ]
        found += told[: MOST_PROBLEMS - len(found)]
        mended = [mending.mend(one) for one in problems]
        if not all(mended):
            break
    first, *others = sorted(found, key=lambda one: one.line)
    return FileProblem(first.what, name, first.line, first.path, others)


def _of_file(problem: Problem, document: Any, name: str) -> Sequence[FileProblem]:
    if isinstance(problem, FileProblem):
        return problem.all
    return [FileProblem(problem.what, name, line_of(document, problem.path), problem.path)]


class _Mending:
    """Changes a document where it is wrong."""

    def __init__(self, document: Any) -> None:
        self.document = document
        self.places: set[Path] = set()
        self.emptied: set[Path] = set()

    def follows(self, problem: Problem) -> bool:
        """Whether it is at a place that was mended before, or where something was taken out."""
        return problem.path in self.emptied or any(problem.path[: len(one)] == one for one in self.places)

    def mend(self, problem: Problem) -> bool:
        """Change what is wrong; whether that was possible."""
        path = problem.path
        if not path or path in self.places:
            return False
        self.places.add(path)
        parent, nearest = _inside(self.document, path[:-1]), nearest_in(problem.what)
        if isinstance(parent, CommentedMap) and path[-1] in parent:
            if nearest is not None and problem.what.startswith(UNKNOWN_KEY):
                _rename(parent, path[-1], nearest)
                self.places.add((*path[:-1], nearest))  # what is wrong there may be wrong by this guess
            elif nearest is not None and isinstance(parent[path[-1]], str):
                parent[path[-1]] = nearest
            else:
                return self._take_out(parent, path)
            return True
        index = path[-1]
        if isinstance(parent, CommentedSeq) and isinstance(index, int) and index < len(parent):
            return _put_right(parent, index, nearest)
        return False

    def _take_out(self, parent: CommentedMap, path: Path) -> bool:
        """Take a value from a part of the same kind instead, if there is one: it may not be left out.

        A part stays: whatever depends on it would be wrong, too.
        """
        key, beside = path[-1], _inside(self.document, path[:-2])
        if isinstance(parent[key], CommentedMap):
            return False
        alike = beside.items() if isinstance(beside, CommentedMap) else ()
        values = [
            part[key]
            for name, part in alike
            if isinstance(part, CommentedMap) and key in part and (*path[:-2], name, key) not in self.places
        ]
        if values:
            parent[key] = values[0]
        else:
            self.emptied.add(path[:-1])
            del parent[key]
        return True


def _rename(parent: CommentedMap, key: str | int, nearest: str) -> None:
    parent.setdefault(nearest, parent[key])
    parent.lc.data.setdefault(nearest, parent.lc.data[key])
    del parent[key]


def _put_right(parent: CommentedSeq, index: int, nearest: str | None) -> bool:
    """Give an item the name that was meant; without one the list would have other lines."""
    if nearest is None or not isinstance(parent[index], str):
        return False
    parent[index] = re.sub(r"^[^\s.:]+", nearest, parent[index])
    return True


def _inside(document: Any, path: Path) -> Any:
    here = document
    for part in path:
        try:
            here = here[part]
        except (KeyError, IndexError, TypeError):
            return None
    return here


def line_of(document: Any, path: tuple[str | int, ...]) -> int:
    """The line (from 1) of the deepest part of the path that is in the document."""
    line = 1
    here = document
    for part in path:
        try:
            if isinstance(here, CommentedMap) and part in here:
                line = here.lc.key(part)[0] + 1
                here = here[part]
            elif isinstance(here, CommentedSeq) and isinstance(part, int) and part < len(here):
                line = here.lc.item(part)[0] + 1
                here = here[part]
        except (KeyError, AttributeError, TypeError):
            break
    return line
