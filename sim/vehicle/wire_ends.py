"""Where a wire of a description ends, and the stops of a bus line, read from the words of a vehicle file."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from sim.vehicle.description_base import NAME
from sim.vehicle.problems import Path, Problem


@dataclass(frozen=True, slots=True)
class WireEnd:
    """The end of a wire: a part, or a module's pin by its function, and the in-line connectors on its way."""

    part: str
    pin: str = ""
    via: tuple[str, ...] = ()

    @property
    def target(self) -> str:
        """`ECM.IGN`, or the part alone."""
        return f"{self.part}.{self.pin}" if self.pin else self.part

    @property
    def consumer(self) -> str:
        """What is fed here: `ECM` also for its permanent supply, which is written `ECM` or `ECM.B+`."""
        return self.part if self.pin == "B+" else self.target


@dataclass(frozen=True, slots=True)
class LineStop:
    """A stop of a bus line: a module, an in-line connector, the DLC or a resistor.

    words: how it joins the line, as it is written: `terminated`, `through` (in and out of its connector),
    or `terminator` for a resistor of its own.
    """

    name: str
    words: str = ""

    @property
    def is_terminated(self) -> bool:
        """Whether it has a terminator inside."""
        return "terminated" in self.words

    @property
    def is_through(self) -> bool:
        """Whether the line runs in and out through its connector."""
        return "through" in self.words

    @property
    def is_resistor(self) -> bool:
        """Whether it is a terminator of the harness."""
        return self.words == "terminator"


@lru_cache(maxsize=4096)  # the same few hundred ends, in every run
def wire_end(item: str) -> WireEnd:
    """The end that `DOOR-LEFT.IGN via X2 X3` means; raises `Problem`."""
    words = item.split()
    shaped = words and (len(words) == 1 or (len(words) > 2 and words[1] == "via"))
    if not shaped or not re.fullmatch(rf"{NAME}(\.{NAME})?", words[0]):
        raise Problem(f"'{item}' is not a wire end: write 'NAME', 'NAME.PIN' or 'NAME via X1'")
    part, _, pin = words[0].partition(".")
    return WireEnd(part, pin, tuple(words[2:]))


def wire_end_at(item: str, path: Path) -> WireEnd:
    """The same; a problem names its place in the description."""
    try:
        return wire_end(item)
    except Problem as problem:
        raise Problem(problem.what, path) from None


@lru_cache(maxsize=4096)
def line_stop(item: str) -> LineStop:
    """The stop that `ECM terminated` means."""
    name, _, words = " ".join(item.split()).partition(" ")
    return LineStop(name, words)
