"""All words that a person can meet: `python -m tests.words` prints them, a text each, with file and line.

Texts of the program (string literals that are sentences or labels, a formatted one as a whole), its
templates, the texts in its scenario files, the handbook and the README; `--folder FOLDER` prints those of
some folders.
Docstrings, comments, keys and names are not words on screen. `tests/test_words.py` lists what must not come
back.
"""

from __future__ import annotations

import argparse
import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from ruamel.yaml import YAML
from ruamel.yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

ROOT = Path(__file__).parents[1]
TEMPLATE_TAG = re.compile(r"\{[%#{].*?[%#}]\}")
WORDS = re.compile(r"[A-Za-z]{2,}[,:;.]? |^[A-Z][a-z]+$")
PLAIN_TEXTS = ("sim/**/*.html", "ui/**/*.html", "sim/**/*.csv", "sim/**/*.md", "README.md")


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
    for path in sorted(ROOT.glob("scenarios/**/*.yaml")):
        yield from _in_scenario(path)
    for pattern in PLAIN_TEXTS:
        for path in sorted(ROOT.glob(pattern)):
            lines = path.read_text(encoding="utf-8").splitlines()
            texts = (TEMPLATE_TAG.sub("", line).strip() for line in lines)
            yield from (Said(_name(path), place, text) for place, text in enumerate(texts, 1) if text)


def _name(path: Path) -> str:
    return str(path.relative_to(ROOT))


def _in_code(path: Path) -> Iterator[Said]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    passed_over = set(_docstrings(tree))
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            passed_over |= {id(part) for part in node.values}
        if id(node) in passed_over or not isinstance(node, ast.Constant | ast.JoinedStr):
            continue
        text = _text(node)
        if WORDS.search(text):
            yield Said(_name(path), node.lineno, text)


def _text(node: ast.Constant | ast.JoinedStr) -> str:
    """The text of a literal, with {...} for what is put into it; empty for a figure."""
    if isinstance(node, ast.JoinedStr):
        parts = (
            part.value if isinstance(part, ast.Constant) else f"{{{_inner(part)}}}" for part in node.values
        )
        return "".join(str(part) for part in parts)
    return node.value if isinstance(node.value, str) else ""


def _inner(part: ast.expr) -> str:
    """A plain name, so that the sentence can be read; the literals of anything longer are listed alone."""
    plain = isinstance(part, ast.FormattedValue) and isinstance(part.value, ast.Name | ast.Attribute)
    return ast.unparse(part.value) if plain else "..."


def _in_scenario(path: Path) -> Iterator[Said]:
    root = YAML().compose(path.read_text(encoding="utf-8"))
    for node in _scalars(root):
        if WORDS.search(node.value):
            yield Said(_name(path), node.start_mark.line + 1, " ".join(node.value.replace("\a", "").split()))


def _scalars(node: Node) -> Iterator[ScalarNode]:
    if isinstance(node, MappingNode):
        for _, value in node.value:
            yield from _scalars(value)
    elif isinstance(node, SequenceNode):
        for value in node.value:
            yield from _scalars(value)
    elif isinstance(node, ScalarNode):
        yield node


def _docstrings(tree: ast.Module) -> Iterator[int]:
    """Constants that are statements of their own: docstrings."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            yield id(node.value)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="Print all words that a person can meet.")
    parser.add_argument("--folder", action="append", default=[], help="only texts of this folder")
    folders = tuple(parser.parse_args().folder)
    for one in said():
        if not folders or one.file.startswith(folders):
            print(f"{one.file}:{one.line}: {one.text!r}")
