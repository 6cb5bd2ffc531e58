"""Reading a file that a person wrote: YAML in, a checked description out, every problem with its line."""

from __future__ import annotations

import io
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap
from ruamel.yaml.composer import Composer
from ruamel.yaml.constructor import DuplicateKeyError, RoundTripConstructor
from ruamel.yaml.error import MarkedYAMLError
from ruamel.yaml.events import AliasEvent
from ruamel.yaml.parser import Parser
from ruamel.yaml.scanner import Scanner

from sim.vehicle.car import Car
from sim.vehicle.description import Vehicle
from sim.vehicle.every_problem import every_problem
from sim.vehicle.harness import build
from sim.vehicle.problems import FileProblem, Problem
from sim.vehicle.schema_words import sentences

Model = TypeVar("Model", bound=BaseModel)
Result = TypeVar("Result")

MAX_FILE_BYTES = 250_000  # a 41-module minibus takes 32 kB; a hostile upload takes no memory or time
MAX_DEPTH = 40  # the deepest condition of a shipped car is at 9


def read_car(path: str | Path) -> Car:
    """The car in a vehicle file; raises `FileProblem` with file, line and reason."""
    path = Path(path)
    return car_from_text(text_of(path), path.name)


@lru_cache(maxsize=32)
def car_from_text(text: str, name: str = "vehicle file") -> Car:
    """The car that a text describes; `name` is that of the file in error sentences."""
    return described(text, name, Vehicle, lambda vehicle, document: build(vehicle))


def text_of(path: Path) -> str:
    """The text of a file, no more of it than a description may have; raises `FileProblem`."""
    try:
        with path.open("rb") as file:
            raw = file.read(MAX_FILE_BYTES + 1)
    except OSError as error:
        raise FileProblem(f"cannot be read: {error.strerror}", path.name, 1) from None
    return decoded(raw, path.name)


def decoded(raw: bytes, name: str) -> str:
    """The text of a file's bytes; raises `FileProblem` with the line that is not UTF-8."""
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise FileProblem("is not UTF-8 text", name, line) from None


def described(text: str, name: str, model: type[Model], check: Callable[[Model, Any], Result]) -> Result:
    """What `check` makes of a checked model and its document; raises `FileProblem` with all that is wrong.

    check: raises `Problem` with the path to the first thing that is wrong, or a `FileProblem`.
    """
    document = document_of(text, name)
    try:
        return check(model.model_validate(document), document)
    except (ValidationError, Problem):
        pass

    def wrong() -> list[Problem]:
        try:
            check(model.model_validate(document), document)
        except ValidationError as error:
            return sentences(error, model)
        except Problem as problem:
            return [problem]
        return []

    raise every_problem(document, name, wrong)


class _Refused(Exception):
    """Something that YAML knows and a description has no use for; `line` counts from 1."""

    def __init__(self, what: str, line: int) -> None:
        super().__init__(what)
        self.line = line


class _PlainComposer(Composer):
    """Maps, lists and plain values only: no anchors (a few lines of them fill any memory), no tags."""

    level = 0

    def compose_node(self, parent: Any, index: Any) -> Any:
        event = self.parser.peek_event()
        line = event.start_mark.line + 1
        if isinstance(event, AliasEvent) or event.anchor is not None:
            raise _Refused("anchors (&name) and aliases (*name) are not read here: write the value out", line)
        if event.tag is not None:
            raise _Refused(f"tags ({event.tag}) are not read here: write a plain value", line)
        if self.level >= MAX_DEPTH:
            raise _Refused(f"is nested deeper than {MAX_DEPTH} levels", line)
        self.level += 1
        node = super().compose_node(parent, index)
        self.level -= 1
        return node


class _PlainConstructor(RoundTripConstructor):
    """Gives every value that cannot be read its line."""

    def construct_object(self, node: Any, deep: bool = False) -> Any:
        try:
            return super().construct_object(node, deep)
        except (MarkedYAMLError, _Refused):
            raise
        except Exception as error:  # dates, numbers and bytes fail with plain Python errors of any kind
            raise _Refused(
                f"cannot read this value: {_short(str(error))}", node.start_mark.line + 1
            ) from None


def document_of(text: str, name: str) -> Any:
    """The document in a text, with its line numbers; raises `FileProblem` where it is none."""
    if len(text.encode("utf-8", "replace")) > MAX_FILE_BYTES:
        raise FileProblem(f"is larger than {MAX_FILE_BYTES} bytes", name, 1)
    document = _loaded(text, name)
    if not isinstance(document, CommentedMap):
        raise FileProblem("is not a description: it has no 'key: value' lines at its top level", name, 1)
    return document


def _loaded(text: str, name: str) -> Any:
    yaml = YAML(typ="rt")
    yaml.allow_duplicate_keys = False
    yaml.Composer = _PlainComposer
    yaml.Constructor = _PlainConstructor
    yaml.Scanner, yaml.Parser = Scanner, Parser  # those that keep comments take a third longer
    try:
        return yaml.load(io.StringIO(text))
    except _Refused as refused:
        raise FileProblem(str(refused), name, refused.line) from None
    except DuplicateKeyError as error:
        what = _short(error.problem).split(" with value")[0]
        raise FileProblem(what, name, error.problem_mark.line + 1) from None
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        what = f"is not YAML: {_short(error.problem or 'cannot be read')}"
        if error.context and error.context_mark and error.context_mark.line != mark.line:
            what += f" ({_short(error.context)} that begins on line {error.context_mark.line + 1})"
        raise FileProblem(what, name, mark.line + 1 if mark else 1) from None
    except (
        Exception
    ) as error:  # directives and forbidden characters fail with plain Python errors of any kind
        raise FileProblem(f"is not YAML: {_short(str(error))}", name, 1) from None


def _short(text: str) -> str:
    return " ".join(text.split())[:160]
