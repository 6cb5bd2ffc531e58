"""Comparing what was seen in a step with what a run shows.

Not modeled: reading errors beyond the tolerance.
"""

from __future__ import annotations

import re
from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import isclose
from typing import NamedTuple, TypeVar

from sim.lab.case import CaseStep, CodeSeen, Evidence
from sim.lab.run import FLOATING
from sim.lab.sight import Sight, ThingKind

READABLE = 0.02  # two readings closer than this share of the larger are taken as one; common practice
DECIMAL = re.compile(r"(?<![\w.])-?\d+\.\d+(?= [munkM]?[VAΩ]\b)")  # a reading in the words of lamp or scope
READABLE_LEAST = 0.02  # V, ohm, A
READ_IN = {
    "measure volts": "V", "measure minimum": "V", "measure maximum": "V", "load": "V", "measure ohms": "Ω",
    "measure amps": "A", "measure clamp": "A", "measure frequency": "Hz", "measure duty": "%",
}  # fmt: skip
DOUBTFUL = "a reading that cannot be relied on"  # in place of one that is shown with a warning

Key = TypeVar("Key", bound=Hashable)
HeldCode = tuple[str, str, str]  # module, code, "present" or "stored"


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
        off = (
            "" if self.by is None else f", off by {with_unit(f'{self.by:.3g}', self.what)} more than allowed"
        )
        return f"step {self.step}, {self.what}: seen {self.seen}, this story says {self.says}{off}"


def misses(step: CaseStep, sights: Sequence[Sight], number: int = 1) -> tuple[Miss, ...]:
    """Everything in which the sights of a step's actions differ from what was seen."""
    found = (one for one in compared(step.seen, sights) if one.contradicts)
    return tuple(Miss(number, one.what, one.seen, one.says, one.by) for one in found)


class Compared(NamedTuple):
    """One thing that was looked at: what it was, what was seen, what a run says, how far a reading is off.

    `name`: the module that answers or holds the code, or the lamp.
    """

    what: str
    seen: str
    says: str
    by: float | None = None
    kind: ThingKind = ThingKind.OTHER
    name: str = ""

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
            says = "lit" if name in last.lit else "dark"
            yield Compared(f"lamp {name}", word, says, kind=ThingKind.LAMP, name=name)
    yield from _compared_scan(seen, last)
    for word, names in (("done", seen.done), ("refused", seen.denied), ("no answer", seen.no_answer)):
        for name in names:
            yield Compared(f"{last.action}: {name}", word, dict(last.asked).get(name, "not asked"))
    if last.doubtful:  # it decides nothing, for or against
        return
    if seen.reads is not None:
        yield _compared_reading(seen, last)
    if seen.shows is not None:
        says = last.display or "nothing was inspected"
        yield Compared(last.action, seen.shows, seen.shows if seen.shows in says else says)


def _compared_scan(seen: Evidence, last: Sight) -> Iterator[Compared]:
    if seen.tester_power is not None:
        yield Compared("tester", _power(seen.tester_power), _power(bool(last.power)))
    for word, names in (("answers", seen.answers), ("silent", seen.silent)):
        for name in names:
            yield Compared(name, word, _answer(last, name), kind=ThingKind.MODULE, name=name)
    told: set[HeldCode] = set()
    for one in seen.codes:
        found = _held(last, one)
        told.update(found)
        says = next((held[2] for held in found if one.state in ("", held[2])), "")
        says = says or (found[0][2] if found else _none(last, one.module))
        wanted = one.state or (says if found else "held")
        yield Compared(f"{one.module} {one.code}", wanted, says, kind=ThingKind.CODE, name=one.module)
    for one in seen.no_codes:
        says = ", ".join(f"{code} {state}" for _, code, state in _held(last, one))
        what = f"{one.module} {one.code}".strip()
        yield Compared(what, "no code", says or _none(last, one.module), kind=ThingKind.CODE, name=one.module)
    if seen.no_other_codes:
        for module, code, state in sorted(set(last.codes) - told):
            yield Compared(f"{module} {code}", "no code", state, kind=ThingKind.CODE, name=module)


def _held(last: Sight, one: CodeSeen) -> list[HeldCode]:
    """The codes of a scan that are meant: those that begin like this, of this module."""
    return [held for held in sorted(last.codes) if held[0] == one.module and held[1].startswith(one.code)]


def reading_unit(action: str) -> str:
    """The unit of what a measurement reads; nothing for any other action."""
    return next((unit for start, unit in READ_IN.items() if action.startswith(start)), "")


def with_unit(figure: str, action: str) -> str:
    """A figure that an action reads, with its unit."""
    return f"{figure} {reading_unit(action)}".rstrip()


def _compared_reading(seen: Evidence, last: Sight) -> Compared:
    says = last.display or "nothing was measured"
    if seen.reads == "floating":
        return Compared(last.action, FLOATING, says)
    assert isinstance(seen.reads, float)
    assert seen.within is not None
    wanted = with_unit(f"{seen.reads:g} ± {seen.within:g}", last.action)
    if last.reading is None:
        return Compared(last.action, wanted, says)
    off = abs(last.reading - seen.reads)
    if off <= seen.within or isclose(off, seen.within):  # 12.5 - 12.2 is a little more than 0.3 in binary
        return Compared(last.action, wanted, wanted)
    return Compared(last.action, wanted, says, off - seen.within)


def reliable(shown: Sequence[dict[Key, str | float]]) -> list[dict[Key, str | float]]:
    """What each cause shows, without the things whose reading is doubtful under any of the causes."""
    doubtful = {what for seen in shown for what, value in seen.items() if value == DOUBTFUL}
    return [{what: value for what, value in seen.items() if what not in doubtful} for seen in shown]


def look_alike(one: Mapping[Key, str | float], other: Mapping[Key, str | float]) -> bool:
    """Would a person with a meter call these the same?"""
    return one.keys() == other.keys() and all(readings_alike(one[what], other[what]) for what in one)


def agree(one: dict[Key, str | float], other: dict[Key, str | float]) -> bool:
    """Whether two causes show the same in everything that is reliable under both."""
    return look_alike(*reliable((one, other)))


def readings_alike(a: str | float | None, b: str | float | None) -> bool:
    """Would a person with a meter call these two values the same?"""
    if isinstance(a, float) and isinstance(b, float):
        return abs(a - b) <= max(READABLE_LEAST, READABLE * max(abs(a), abs(b)))
    if isinstance(a, str) and isinstance(b, str) and a != b and DECIMAL.sub("#", a) == DECIMAL.sub("#", b):
        both = zip(DECIMAL.findall(a), DECIMAL.findall(b), strict=True)
        return all(readings_alike(float(one), float(other)) for one, other in both)
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
