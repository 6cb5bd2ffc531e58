"""What could be seen of a car: a sight after each action, and the account of a whole run.

Not modeled: what a person overlooks. A sight holds everything that could be seen at that moment.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from pydantic import TypeAdapter, ValidationError


class ThingKind(StrEnum):
    """What kind of thing a sight shows."""

    SEAT = "seat"
    LAMP = "lamp"
    TESTER = "tester"
    MODULE = "module"
    CODE = "code"
    OTHER = "other"


class Thing(NamedTuple):
    """Something that a sight shows: what it is, and its value. `module`: that of a code."""

    kind: ThingKind
    what: str
    value: str | float
    module: str = ""


def value_words(value: str | float | None, absent: str = "nothing") -> str:
    """The value of a thing in words: numbers with four digits, `absent` for None."""
    return absent if value is None else f"{value:.4g}" if isinstance(value, float) else value


@dataclass(frozen=True, slots=True)
class Sight:
    """What could be seen when an action was over.

    `refused`: why the action could not be done; the car is as before. `lit`, `dark`: telltales by name.
    `cranked`, `started`: the starter turned, the engine fired, during this action. After a scan `power` says
    whether the tester had supply, `answering` and `silent` name modules, `codes` are (module, code, "present"
    or "stored"). `asked`: (module, "done", "refused" or "no answer") after clearing or unlocking. `display`
    and `reading` (V, ohm or A; None where it floats) after a measurement, `notes`: what a trainer says of it,
    `doubtful`: whether the number is one to rely on for nothing (a live circuit, a pulsed signal). `rough`:
    the engine shakes while it runs.
    """

    action: str
    time_s: float
    engine: str
    ignition: str
    cluster: str
    lit: tuple[str, ...] = ()
    dark: tuple[str, ...] = ()
    cranked: bool = False
    started: bool = False
    refused: str = ""
    power: bool | None = None
    answering: tuple[str, ...] = ()
    silent: tuple[str, ...] = ()
    codes: tuple[tuple[str, str, str], ...] = ()
    asked: tuple[tuple[str, str], ...] = ()
    display: str = ""
    reading: float | None = None
    notes: tuple[str, ...] = ()
    doubtful: bool = False
    rough: bool = False

    def seat(self) -> dict[str, str]:
        """What the driver's seat showed, thing by thing."""
        return {one.what: str(one.value) for one in self.seat_things()}

    def found(self) -> dict[str, str | float]:
        """What the action itself brought to light, thing by thing: nothing for most actions."""
        return {one.what: one.value for one in self.found_things()}

    def seat_things(self) -> Iterator[Thing]:
        """What the driver's seat showed, with kinds."""
        for what, word in (
            ("engine", f"{self.engine} rough" if self.rough else self.engine),
            ("ignition", self.ignition),
            ("cluster", self.cluster),
        ):
            yield Thing(ThingKind.SEAT, what, word)
        for names, word in ((self.lit, "lit"), (self.dark, "dark")):
            yield from (Thing(ThingKind.LAMP, f"lamp {name}", word) for name in names)

    def found_things(self) -> Iterator[Thing]:
        """What the action itself brought to light, with kinds."""
        if self.refused:
            yield Thing(ThingKind.OTHER, self.action, f"cannot be done: {self.refused}")
        elif self.display:
            yield Thing(ThingKind.OTHER, self.action, self.display if self.reading is None else self.reading)
        else:
            yield from (Thing(ThingKind.OTHER, f"{self.action}: {name}", word) for name, word in self.asked)
            if self.power is not None:
                yield from self._scanned()

    def _scanned(self) -> Iterator[Thing]:
        yield Thing(ThingKind.TESTER, "tester", "has power" if self.power else "no power")
        for names, word in ((self.answering, "answers"), (self.silent, "silent")):
            yield from (Thing(ThingKind.MODULE, name, word) for name in names)
        for module, code, state in self.codes:
            yield Thing(ThingKind.CODE, f"{module} {code}", state, module)


@dataclass(frozen=True, slots=True)
class Account:
    """All sights of a run, one per action; or none, and `impossible` says why such a car cannot be."""

    sights: tuple[Sight, ...] = ()
    impossible: str = ""

    def as_json(self) -> str:
        """The account as text."""
        return _ACCOUNTS.dump_json((self.sights, self.impossible)).decode()

    @classmethod
    def from_json(cls, text: str) -> Account:
        """The account that `as_json` wrote; raises `ValueError` for any other text."""
        try:
            return cls(*_ACCOUNTS.validate_json(text))
        except ValidationError as error:
            raise ValueError("this is no account of a run") from error


_ACCOUNTS = TypeAdapter(tuple[tuple[Sight, ...], str])
