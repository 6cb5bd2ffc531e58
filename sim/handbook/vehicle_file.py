"""The vehicle file, field by field: keys, kinds and limits from the model, meanings from a table beside it.

Not modeled: limits that only a check of the whole file knows, such as a bus line with two members.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from sim.handbook.tables import rows
from sim.vehicle.description import Vehicle

Schema = Mapping[str, Any]
KINDS = {
    "string": "text", "number": "number", "integer": "whole number", "boolean": "true or false",
    "null": "nothing",
}  # fmt: skip
LIMITS = {"minimum": "from", "exclusiveMinimum": "above", "maximum": "to", "exclusiveMaximum": "below"}


@dataclass(frozen=True, slots=True)
class Field:
    """A key of the file: what it takes, its default in words (empty: it has to be there), what it means."""

    key: str
    takes: str
    default: str
    meaning: str


@dataclass(frozen=True, slots=True)
class FilePart:
    """A part of the file: its name in the model, what is said of it, its fields."""

    part: str
    about: str
    fields: tuple[Field, ...]


@cache
def sections() -> tuple[FilePart, ...]:
    """The whole file, then each of its parts in the order in which they are first met."""
    schema = Vehicle.model_json_schema()
    parts = {"Vehicle": schema, **schema["$defs"]}
    found: dict[str, None] = {}
    left = ["Vehicle"]
    while left:
        part = left.pop(0)
        if part not in found:
            found[part] = None
            left += [name for value in parts[part]["properties"].values() for name in _named(value)]
    return tuple(_section(part, parts[part]) for part in found)


def top_level() -> tuple[str, ...]:
    """The keys of the top level."""
    return tuple(Vehicle.model_fields)


@cache
def part_of(key: str) -> str:
    """The part that a key of the top level holds, such as `Fuse` for `fuses`; empty for a plain value."""
    return next(_named(Vehicle.model_json_schema()["properties"][key]), "")


def meanings() -> dict[str, str]:
    """What each field means, by `Part.key`; `*.key` is for a key of any part."""
    return dict(rows("fields.csv", 2))  # type: ignore[arg-type]  # rows of two cells


def _section(part: str, schema: Schema) -> FilePart:
    known = meanings()
    needed = schema.get("required", ())
    fields = tuple(
        Field(
            key,
            _takes(value),
            "" if key in needed else _default(value),
            known.get(f"{part}.{key}") or known.get(f"*.{key}", ""),
        )
        for key, value in schema["properties"].items()
    )
    return FilePart(part, schema.get("description", ""), fields)


def _named(value: Any) -> Iterator[str]:
    """The parts that a value leads to."""
    if isinstance(value, Mapping):
        if "$ref" in value:
            yield value["$ref"].rpartition("/")[2]
        for inner in value.values():
            yield from _named(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _named(inner)


def _takes(value: Schema) -> str:
    if "$ref" in value:
        return f"keys of [{value['$ref'].rpartition('/')[2]}]"
    if "anyOf" in value:
        kinds = [_takes(one) for one in value["anyOf"] if one.get("type") != "null"]
        return " or ".join(dict.fromkeys(kinds))
    if "enum" in value or "const" in value:
        return ", ".join(f"`{one}`" for one in value.get("enum", [value.get("const")]))
    if value.get("type") == "array":
        inner = value.get("items", {})
        return f"list, each {_takes(inner)}" if inner else "list"
    if value.get("type") == "object":
        inner = value.get("additionalProperties", {})
        return f"lines `NAME: ...`, each {_takes(inner)}"
    return f"{KINDS.get(value.get('type', ''), 'value')}{_limits(value)}"


def _limits(value: Schema) -> str:
    told = [f"{word} {value[name]:g}" for name, word in LIMITS.items() if name in value]
    return f" {' '.join(told)}" if told else ""


def _default(value: Schema) -> str:
    default = value.get("default")
    if default is None or default in ("", [], {}):
        return "none"
    if isinstance(default, bool):
        return str(default).lower()
    if isinstance(default, Mapping):
        return "the usual values"
    return f"{default:g}" if isinstance(default, float) else str(default)
