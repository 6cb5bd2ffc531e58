"""What all parts of a description share: frozen, no unknown keys, and values that are checked when read."""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationInfo,
    WithJsonSchema,
    field_validator,
)

from sim.vehicle.identifiers import HIGHEST_11_BIT, HIGHEST_29_BIT, is_long_diagnosis


def _written_as(pattern: str, what: str) -> AfterValidator:
    def check(text: str) -> str:
        if not re.fullmatch(pattern, text):
            raise ValueError(what)
        return text

    return AfterValidator(check)


# the few marks that wiring diagrams use, and no dot: it parts a module from its pin
NAME = r"[A-Za-z][A-Za-z0-9_+\-]{0,39}"
Name = Annotated[
    str,
    _written_as(NAME, "a name is a letter, then up to 39 letters, digits, _, + or -"),
    WithJsonSchema({"type": "string", "pattern": f"^{NAME}$"}),
]
CanId = Annotated[int, Field(ge=0, le=0x7FF)]
MessageId = Annotated[int, Field(ge=0), AfterValidator(lambda can_id: _below_diagnosis(can_id))]
# of a message: 11 bits below the identifiers of diagnosis, or 29 bits
AnyMessageId = Annotated[int, Field(ge=0), AfterValidator(lambda can_id: _of_a_message(can_id))]
Bitrate = Literal[125_000, 250_000, 500_000, 1_000_000]
LinBitrate = Literal[2_400, 9_600, 19_200]  # usual rates up to the 20 kbit/s of ISO 17987 (from memory)
# A wire of no length or no resistance has no place in a network that is solved by numbers.
Meters = Annotated[float, Field(ge=0.01, le=40)]
SquareMm = Annotated[float, Field(ge=0.05, le=120)]
Ohms = Annotated[float, Field(ge=0.0001, le=10_000_000)]
DTC = r"[PCBU][0-3][0-9A-F]{3}(-[0-9A-F]{2})?"
CodeText = Annotated[str, Field(min_length=1, max_length=120)]  # what a code means, on one line
DtcText = Annotated[
    str,
    _written_as(DTC, "a trouble code is written U0100 or U0100-87"),
    WithJsonSchema({"type": "string", "pattern": f"^{DTC}$"}),
]
MOST_MODULES = 90  # as many request identifiers as are left between 710 and 7CF


def listed(value: Any) -> Any:
    return [value] if isinstance(value, str | dict) else value


# one, or several in a list
Listed = Annotated[tuple[str, ...], BeforeValidator(listed, json_schema_input_type=str | tuple[str, ...])]


def _below_diagnosis(can_id: int) -> int:
    if can_id >= 0x700:
        raise ValueError("a message's identifier is at most 0x6FF: those above carry diagnosis")
    return can_id


def _of_a_message(can_id: int) -> int:
    if can_id <= HIGHEST_11_BIT:
        return _below_diagnosis(can_id)
    if can_id > HIGHEST_29_BIT:
        raise ValueError("a message's identifier has 29 bits at most, 0x1FFFFFFF")
    if is_long_diagnosis(can_id):
        raise ValueError("identifiers 0x18DA0000 to 0x18DBFFFF carry diagnosis (ISO 15765-4)")
    return can_id


class Part(BaseModel):
    """Ground of every part of a description: frozen, no unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True, allow_inf_nan=False)

    @field_validator("*", mode="before")
    @classmethod
    def _no_yes_for_a_number(cls, value: Any, info: ValidationInfo) -> Any:
        annotation = cls.model_fields[info.field_name or ""].annotation
        if isinstance(value, bool) and annotation in (float, int, float | None, int | None):
            raise ValueError(f"'{info.field_name}' is a number")
        return value
