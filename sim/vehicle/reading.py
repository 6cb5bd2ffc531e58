"""Reading a file that a person wrote: YAML in, a checked description out, every problem with its line."""

from __future__ import annotations

import io
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.composer import Composer
from ruamel.yaml.constructor import DuplicateKeyError, RoundTripConstructor
from ruamel.yaml.error import MarkedYAMLError
from ruamel.yaml.events import AliasEvent
from ruamel.yaml.parser import Parser
from ruamel.yaml.scanner import Scanner

from sim.vehicle.car import Car
from sim.vehicle.description import Vehicle
from sim.vehicle.harness import build
from sim.vehicle.problems import FileProblem, Problem, did_you_mean

Model = TypeVar("Model", bound=BaseModel)

MAX_FILE_BYTES = 250_000  # a 41-module minibus takes 32 kB; a hostile upload takes no memory or time
MAX_DEPTH = 40  # the deepest condition of a shipped car is at 9


def read_car(path: str | Path) -> Car:
    """The car in a vehicle file; raises `FileProblem` with file, line and reason."""
    path = Path(path)
    return car_from_text(text_of(path), path.name)


@lru_cache(maxsize=32)
def car_from_text(text: str, name: str = "vehicle file") -> Car:
    """The car that a text describes; `name` is that of the file in error sentences."""
    vehicle, document = parse(text, name, Vehicle)
    try:
        return build(vehicle)
    except Problem as problem:
        raise FileProblem(problem.what, name, line_of(document, problem.path), problem.path) from None


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


def parse(text: str, name: str, model: type[Model]) -> tuple[Model, Any]:
    """Text to a model and the document with its line numbers."""
    if len(text.encode("utf-8", "replace")) > MAX_FILE_BYTES:
        raise FileProblem(f"is larger than {MAX_FILE_BYTES} bytes", name, 1)
    document = _document(text, name)
    if not isinstance(document, CommentedMap):
        raise FileProblem("is not a description: it has no 'key: value' lines at its top level", name, 1)
    try:
        return model.model_validate(document), document
    except ValidationError as error:
        raise _sentence(error, name, document, model) from None


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


def _document(text: str, name: str) -> Any:
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


# what pydantic finds, said in the words of a description; {unit} is the unit that the key ends in
_SENTENCES = {
    "missing": "'{key}' is missing",
    "less_than_equal": "'{key}' is at most {le:g}{unit}",
    "less_than": "'{key}' is below {lt:g}{unit}",
    "greater_than_equal": "'{key}' is at least {ge:g}{unit}",
    "greater_than": "'{key}' is above {gt:g}{unit}",
    "finite_number": "'{key}' is a number",
    "float_type": "'{key}' is a number",
    "float_parsing": "'{key}' is a number, without its unit",
    "int_type": "'{key}' is a whole number",
    "int_parsing": "'{key}' is a whole number, without its unit",
    "int_from_float": "'{key}' is a whole number",
    "bool_type": "'{key}' is true or false",
    "bool_parsing": "'{key}' is true or false",
    "string_type": "'{key}' is a text",
    "string_too_short": "'{key}' has at least {min_length} character",
    "string_too_long": "'{key}' has at most {max_length} characters",
    "tuple_type": "'{key}' is a list, such as [A, B]",
    "dict_type": "'{key}' is a list of 'name: ...' lines",
    "model_type": "'{key}' is a list of 'key: value' lines",
    "literal_error": "'{key}' is one of {expected}",
    "too_short": "'{key}' has at least {min_length} entry",
    "too_long": "'{key}' has at most {max_length} entries",
}
_UNITS = {
    "a": "A",
    "v": "V",
    "ohm": "ohm",
    "ms": "ms",
    "s": "s",
    "m": "m",
    "mm2": "mm2",
    "pct": "%",
    "ah": "Ah",
    "bps": "bit/s",
    "kph": "km/h",
}


def _sentence(error: ValidationError, name: str, document: Any, model: type[BaseModel]) -> FileProblem:
    first = min(error.errors(), key=lambda one: (one["type"] != "extra_forbidden", len(one["loc"])))
    path = tuple(part for part in first["loc"] if _in_document(part))
    line = line_of(document, path)
    key = next((part for part in reversed(path) if isinstance(part, str)), "")
    if first["type"] == "extra_forbidden":
        what = f"unknown key '{key}'{did_you_mean(key, _keys_at(model, path[:-1]))}"
        return FileProblem(what, name, line, path)
    suffix = _UNITS.get(key.rpartition("_")[2])
    unit = f" {suffix}" if suffix and "_" in key else ""
    sentence = _SENTENCES.get(first["type"])
    if first["loc"][-1] == "[key]" and first["type"] == "string_type":
        what = "a name is a text"
    elif sentence:
        what = sentence.format(key=key, unit=unit, **first.get("ctx", {}))
    else:
        what = first["msg"].removeprefix("Value error, ")
    return FileProblem(what + _shown(first.get("input"), key, unit), name, line, path)


def _shown(value: Any, key: str, unit: str) -> str:
    """The wrong value, as it would be written."""
    if isinstance(value, bool):
        return f" (here: {str(value).lower()})"
    if isinstance(value, int) and key in ("id", "address", "challenge_id", "answer_id", "release_id"):
        return f" (here: 0x{value:X})"
    if isinstance(value, int | float):
        return f" (here: {value}{unit})"
    return f" (here: '{_short(value)}')" if isinstance(value, str) else ""


def _in_document(part: str | int) -> bool:
    # pydantic puts the names of union members and of keys into a location; they are not the writer's words
    return isinstance(part, int) or not ("[" in part or part in ("str", "int", "bool", "float"))


def _keys_at(model: type[BaseModel], path: tuple[str | int, ...]) -> list[str]:
    """The keys that a description knows at a path."""
    here: Any = model
    for part in path:
        fields = getattr(here, "model_fields", None)
        if fields is None:
            here = _model_in(here)
            fields = getattr(here, "model_fields", {})
            if not isinstance(part, int) and part not in _aliases(fields):
                continue
        if isinstance(part, int):
            continue
        known = _aliases(fields)
        if part in known:
            here = known[part].annotation
    here = here if hasattr(here, "model_fields") else _model_in(here)
    return list(_aliases(getattr(here, "model_fields", {})))


def _aliases(fields: dict[str, Any]) -> dict[str, Any]:
    return {(field.alias or name): field for name, field in fields.items()}


def _model_in(annotation: Any) -> Any:
    """The first model inside a container annotation such as dict[Name, Module]."""
    if hasattr(annotation, "model_fields"):
        return annotation
    for part in getattr(annotation, "__args__", ()):
        found = _model_in(part)
        if found is not None:
            return found
    return None
