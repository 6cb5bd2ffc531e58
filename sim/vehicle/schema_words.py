"""What a checked model refuses, said in the words of a description."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from sim.vehicle.problems import UNKNOWN_KEY, Path, Problem, did_you_mean, nearest_in

LONGEST_SHOWN = 160  # of a wrong value

# what pydantic finds, said in the words of a description; {unit} is the unit that the key ends in
_SENTENCES = {
    "missing": "'{key}' is missing",
    "invalid_key": "a key is a text",
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


def sentences(error: ValidationError, model: type[BaseModel]) -> list[Problem]:
    """What is wrong with a document, unknown keys first.

    A value that may be of several kinds is wrong once; a key that is missing because it is misspelled is
    told by its misspelling.
    """
    told: dict[Path, Problem] = {}
    for one in sorted(error.errors(), key=lambda one: (one["type"] != "extra_forbidden", len(one["loc"]))):
        path = tuple(part for part in one["loc"] if _in_document(part))
        if not any(_is_told(one["type"], path, known) for known in told.values()):
            told[path] = Problem(_sentence(one, path, model), path)
    return list(told.values())


def _is_told(kind: str, path: Path, known: Problem) -> bool:
    shared = min(len(path), len(known.path))
    if path[:shared] == known.path[:shared]:
        return True
    beside = path[:-1] == known.path[:-1]
    return kind == "missing" and beside and nearest_in(known.what) == path[-1]


def _sentence(first: ErrorDetails, path: Path, model: type[BaseModel]) -> str:
    key = next((part for part in reversed(path) if isinstance(part, str)), "")
    if first["type"] == "extra_forbidden":
        return f"{UNKNOWN_KEY} '{key}'{did_you_mean(key, _keys_at(model, path[:-1]))}"
    suffix = _UNITS.get(key.rpartition("_")[2])
    unit = f" {suffix}" if suffix and "_" in key else ""
    sentence = _SENTENCES.get(first["type"])
    if first["loc"][-1] == "[key]" and first["type"] == "string_type":
        what = "a name is a text"
    elif sentence:
        what = sentence.format(key=key, unit=unit, **first.get("ctx", {}))
    else:
        what = first["msg"].removeprefix("Value error, ")
    return what + _shown(first.get("input"), key, unit)


def _shown(value: Any, key: str, unit: str) -> str:
    """The wrong value, as it would be written."""
    if isinstance(value, bool):
        return f" (here: {str(value).lower()})"
    if isinstance(value, int) and key in ("id", "address", "challenge_id", "answer_id", "release_id"):
        return f" (here: 0x{value:X})"
    if isinstance(value, int | float):
        return f" (here: {value}{unit})"
    return f" (here: '{' '.join(value.split())[:LONGEST_SHOWN]}')" if isinstance(value, str) else ""


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
