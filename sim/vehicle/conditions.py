"""Conditions: structured data over a fixed list of facts, never evaluated code.

A condition is true, false or unknown. A fact that a module cannot know (a signal that is not arriving)
makes it unknown, and only *true* lets a rule act: this is what makes a master hold its last state.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from sim.vehicle.j1939 import Lamp

PowerMode = Literal["off", "accessory", "run", "crank"]
FobPlace = Literal["away", "in_range", "at_button"]
EngineState = Literal["stopped", "cranking", "running"]
AutoStop = Literal["stopped", "restarting"]
SignalValue = bool | int | str


def _listed(value: Any) -> Any:
    return value if isinstance(value, list | tuple) or value is None else (value,)


def _mode_word(value: Any) -> Any:
    # YAML 1.1 reads a bare `off` as false; a technician means the mode
    listed = _listed(value)
    return listed and tuple("off" if one is False else one for one in listed)


class Condition(BaseModel):
    """One condition: exactly one key (with `is` or `above` beside `signal`)."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)

    all_: tuple[Condition, ...] | None = Field(None, alias="all")
    any_: tuple[Condition, ...] | None = Field(None, alias="any")
    not_: Condition | None = Field(None, alias="not")
    input: str | None = None
    signal: str | None = None
    is_: Annotated[
        tuple[SignalValue, ...],
        BeforeValidator(_listed, json_schema_input_type=SignalValue | tuple[SignalValue, ...]),
    ] = Field((True,), alias="is")
    above: int | None = None
    missing: str | None = None
    lost: str | None = None
    code: Annotated[str | None, AfterValidator(lambda code: code and code.upper())] = None
    stored: Annotated[str | None, AfterValidator(lambda code: code and code.upper())] = None
    mode: Annotated[
        tuple[PowerMode, ...] | None,
        BeforeValidator(_mode_word, json_schema_input_type=PowerMode | tuple[PowerMode, ...] | None),
    ] = None
    line: str | None = None
    fob: Annotated[
        tuple[FobPlace, ...] | None,
        BeforeValidator(_listed, json_schema_input_type=FobPlace | tuple[FobPlace, ...] | None),
    ] = None
    engine: Annotated[
        tuple[EngineState, ...] | None,
        BeforeValidator(_listed, json_schema_input_type=EngineState | tuple[EngineState, ...] | None),
    ] = None
    immobilizer: Literal["released"] | None = None
    supply_above_v: float | None = Field(None, ge=0, le=60)
    dm1_lamp: Lamp | None = None  # a controller on a bus of SAE J1939 asks for this lamp
    met: str | None = None  # a message of this module has come since the software started
    start_stop: Annotated[
        tuple[AutoStop, ...] | None,
        BeforeValidator(_listed, json_schema_input_type=AutoStop | tuple[AutoStop, ...] | None),
    ] = None

    @model_validator(mode="after")
    def _one_key(self) -> Condition:
        if len(self.kinds()) != 1:
            raise ValueError(f"a condition has exactly one of {', '.join(KEYS)}")
        if self.signal is None and "is_" in self.model_fields_set:
            raise ValueError("'is' goes with 'signal' only")
        if self.above is not None and (self.signal is None or "is_" in self.model_fields_set):
            raise ValueError("'above' goes with 'signal' only, and not with 'is'")
        return self

    def kinds(self) -> list[str]:
        """The keys that are set (one, in a valid condition)."""
        return [key for key, name in KEYS.items() if getattr(self, name) is not None]

    def leaves(self) -> Iterator[Condition]:
        """Every fact that the condition reads, in written order."""
        parts = self.all_ or self.any_ or ((self.not_,) if self.not_ else ())
        if self.kinds()[0] not in ("all", "any", "not"):
            yield self
        for part in parts:
            yield from part.leaves()

    def signals(self) -> list[str]:
        """Names of the signals that must be heard to know the condition."""
        return [name for leaf in self.leaves() if (name := leaf.signal or leaf.missing)]


# what a condition can be about, with its field
KEYS = {
    field.alias or name: name
    for name, field in Condition.model_fields.items()
    if name not in ("is_", "above")
}
ALWAYS = Condition.model_validate({"all": []})
