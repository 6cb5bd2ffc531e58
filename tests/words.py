"""All words that a person can meet: `python -m tests.words` prints them, a line each, with file and line.

Texts of the program (string literals that are sentences or labels), its templates, its scenario files and
the README. Docstrings, comments and names are not words on screen. `tests/test_words.py` lists what must not
come back.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[1]
TEMPLATE_TAG = re.compile(r"\{[%#{].*?[%#}]\}")
PLAIN_TEXTS = ("scenarios/**/*.yaml", "sim/**/*.html", "ui/**/*.html", "sim/**/*.csv", "README.md")


@dataclass(frozen=True, slots=True)
class Said:
    """One text with the place where it is written."""

    file: str
    line: int
    text: str


@cache
def said() -> tuple[Said, ...]:
    """Every text that may reach a screen, in the order of files and lines."""
    return tuple(_said())


def _said() -> Iterator[Said]:
    for path in sorted([*ROOT.glob("sim/**/*.py"), *ROOT.glob("ui/**/*.py")]):
        yield from _in_code(path)
    for pattern in PLAIN_TEXTS:
        for path in sorted(ROOT.glob(pattern)):
            lines = path.read_text(encoding="utf-8").splitlines()
            name = str(path.relative_to(ROOT))
            texts = (TEMPLATE_TAG.sub("", line).strip() for line in lines)
            yield from (Said(name, place, text) for place, text in enumerate(texts, 1) if text)


def _in_code(path: Path) -> Iterator[Said]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    silent = set(_docstrings(tree))
    for node in ast.walk(tree):
        if not isinstance(node, ast.Constant) or id(node) in silent:
            continue
        if isinstance(node.value, str) and re.search(r"[A-Za-z]{2,} |^[A-Z][a-z]+$", node.value):
            yield Said(str(path.relative_to(ROOT)), node.lineno, node.value)


def _docstrings(tree: ast.Module) -> Iterator[int]:
    """Constants that are statements of their own: docstrings."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            yield id(node.value)


if __name__ == "__main__":
    for one in said():
        print(f"{one.file}:{one.line}: {one.text!r}")
