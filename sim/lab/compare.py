"""Comparing what was seen in a step with what a run shows.

Not modelled: reading errors beyond the tolerance.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import isclose
from typing import NamedTuple, TypeVar

from sim.lab.case import CaseStep, Evidence
from sim.lab.run import FLOATING
from sim.lab.sight import Sight

READABLE = 0.02  # two readings closer than this share of the larger are taken as one; common practice
READABLE_LEAST = 0.02  # V, ohm, A

Key = TypeVar("Key", bound=Hashable)


@dataclass(frozen=True, slots=True)
class Miss:
    """Where a story goes wrong: the step (from 1), what was looked at, what was seen, what the story says.

    `by`: how far a reading is off, beyond the tolerance, in its unit.
    """

    step: int
    what: str
    seen: str
    says: str
    by: float | None = None

    def __str__(self) -> str:
        off = f", off by {self.by:.3g} more than allowed" if self.by is not None else ""
        return f"step {self.step}, {self.what}: seen {self.seen}, this story says {self.says}{off}"


def misses(step: CaseStep, sights: Sequence[Sight], number: int = 1) -> tuple[Miss, ...]:
    """Everything in which the sights of a step's actions differ from what was seen."""
    return tuple(Miss(number, *one) for one in compared(step.seen, sights) if one.contradicts)


class Compared(NamedTuple):
    """One thing that was looked at: what it was, what was seen, what a run says, how far a reading is off."""

    what: str
    seen: str
    says: str
    by: float | None = None

    @property
    def contradicts(self) -> bool:
        """Does the run say otherwise than what was seen?"""
        return self.seen != self.says or self.by is not None


def compared(seen: Evidence, sights: Sequence[Sight]) -> Iterator[Compared]:
    """Everything that was looked at in a step, against the sights of its actions."""
    last = sights[-1]
    if seen.cannot is not None:
        yield Compared(last.action, _can(not seen.cannot), _can(not last.refused))
    elif last.refused:
        yield Compared(last.action, "can be done", f"cannot be done: {last.refused}")
    shown = {"engine": last.engine, "ignition": last.ignition, "cluster": last.cluster}
    for what, told in {"engine": seen.engine, "ignition": seen.ignition, "cluster": seen.cluster}.items():
        if told is not None:
            yield Compared(what, told, shown[what])
    if seen.cranks is not None:
        yield Compared(
            "starter", turned_words(seen.cranks), turned_words(any(sight.cranked for sight in sights))
        )
    if seen.starts is not None:
        yield Compared(
            "engine", fired_words(seen.starts), fired_words(any(sight.started for sight in sights))
        )
    for word, names in (("lit", seen.lit), ("dark", seen.dark)):
        for name in names:
            yield Compared(f"lamp {name}", word, "lit" if name in last.lit else "dark")
    yield from _compared_scan(seen, last)
    for word, names in (("done", seen.done), ("refused", seen.denied), ("no answer", seen.no_answer)):
        for name in names:
            yield Compared(f"{last.action}: {name}", word, dict(last.asked).get(name, "not asked"))
    if seen.reads is not None:
        yield _compared_reading(seen, last)
    if seen.shows is not None:
        says = last.display or "nothing was looked at"
        yield Compared(last.action, seen.shows, seen.shows if seen.shows in says else says)


def _compared_scan(seen: Evidence, last: Sight) -> Iterator[Compared]:
    if seen.tester_power is not None:
        yield Compared("tester", _power(seen.tester_power), _power(bool(last.power)))
    for word, names in (("answers", seen.answers), ("silent", seen.silent)):
        for name in names:
            yield Compared(name, word, _answer(last, name))
    held = {(module, code): state for module, code, state in last.codes}
    told: set[tuple[str, str]] = set()
    for one in seen.codes:
        module, code, state = one.module, one.code, one.state
        found = [
            (key, one) for key, one in sorted(held.items()) if key[0] == module and key[1].startswith(code)
        ]
        told.update(key for key, _ in found)
        says = next(
            (one for _, one in found if state in ("", one)), found[0][1] if found else _none(last, module)
        )
        yield Compared(f"{module} {code}", state or says if found else state or "held", says)
    for one in seen.no_codes:
        module, code = one.module, one.code
        found = [
            (key, one) for key, one in sorted(held.items()) if key[0] == module and key[1].startswith(code)
        ]
        says = ", ".join(f"{key[1]} {one}" for key, one in found) or _none(last, module)
        yield Compared(f"{module} {code}".strip(), "no code", says)
    if seen.no_other_codes:
        for key in sorted(set(held) - told):
            yield Compared(" ".join(key), "no code", held[key])


def _compared_reading(seen: Evidence, last: Sight) -> Compared:
    says = last.display or "nothing was measured"
    if seen.reads == "floating":
        return Compared(last.action, FLOATING, says)
    assert isinstance(seen.reads, float)
    assert seen.within is not None
    wanted = f"{seen.reads:g} ± {seen.within:g}"
    if last.reading is None:
        return Compared(last.action, wanted, says)
    off = abs(last.reading - seen.reads)
    if off <= seen.within or isclose(off, seen.within):  # 12.5 - 12.2 is a little more than 0.3 in binary
        return Compared(last.action, wanted, wanted)
    return Compared(last.action, wanted, says, off - seen.within)


def look_alike(one: Mapping[Key, str | float], other: Mapping[Key, str | float]) -> bool:
    """Would a person with a meter call these the same?"""
    return one.keys() == other.keys() and all(readings_alike(one[what], other[what]) for what in one)


def readings_alike(a: str | float | None, b: str | float | None) -> bool:
    """Would a person with a meter call these two values the same?"""
    if isinstance(a, float) and isinstance(b, float):
        return abs(a - b) <= max(READABLE_LEAST, READABLE * max(abs(a), abs(b)))
    return a == b


def _answer(last: Sight, module: str) -> str:
    if last.power is None:
        return "not scanned"
    return "answers" if module in last.answering else "silent"


def _none(last: Sight, module: str) -> str:
    return "no code" if module in last.answering else _answer(last, module)


def turned_words(so: bool) -> str:
    """Whether the starter turned, in words."""
    return "turned" if so else "did not turn"


def fired_words(so: bool) -> str:
    """Whether the engine fired, in words."""
    return "started" if so else "did not start"


def _can(so: bool) -> str:
    return "can be done" if so else "cannot be done"


def _power(so: bool) -> str:
    return "has power" if so else "no power"
