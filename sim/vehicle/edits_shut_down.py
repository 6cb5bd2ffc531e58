"""The theory that a module goes or stays offline while a condition holds.

    theory TCM shuts down when code P0562 in ECM
    theory TCM shuts down when no message from ABS and line IGN dead
    theory TCM shuts down when code U0100 or mode crank
    theory TCM shuts down when stored code U0100 in ABS

A code counts while its test fails; a stored code from when it is confirmed until it is cleared. The module
that sets it tells the others in a message of its own, as a flag more; one that does not reach it tells
nothing, and then the module stays as it is. A code without a module is one in any module that can set it.

Not modeled: a condition over how often or how long something was so.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from sim.vehicle.car import Car
from sim.vehicle.codes import is_role, lost_communication_code
from sim.vehicle.conditions import Condition
from sim.vehicle.description import Vehicle
from sim.vehicle.description_software import Message, Module, Signal
from sim.vehicle.edit import Sightings
from sim.vehicle.own_codes import base_code, own_codes
from sim.vehicle.problems import EditProblem, did_you_mean, unknown

TOLD_EVERY_MS = 100.0  # the message of its own in which a module tells its codes; common practice
SHAPES = "'code P0562 in ECM', 'stored code P0562', 'no message from ECM', 'line IGN dead', 'mode crank', " \
    "'supply below 11 V'; several are joined by 'and' or 'or'"  # fmt: skip
NUMBER = r"\d+(?:\.\d+)?"


@dataclass(frozen=True, slots=True)
class CodeTold:
    """A code that a module tells the others: the flag that says whether its test fails now, or is stored."""

    module: str
    code: str
    stored: bool

    @property
    def flag(self) -> str:
        """The name of the signal."""
        return f"{self.code.replace('-', '_')}_{'stored_' if self.stored else ''}in_{self.module}"

    @property
    def condition(self) -> Condition:
        """When it is so, to the module itself."""
        return Condition(stored=self.code) if self.stored else Condition(code=self.code)


@dataclass(frozen=True, slots=True)
class Phrase:
    """One fact in normal form: its words, the condition, the modules it is about, and what they must tell."""

    words: str
    condition: Condition
    about: tuple[str, ...] = ()
    told: tuple[CodeTold, ...] = ()


def phrase_of(text: str, name: str, car: Car) -> Phrase:
    """What the words of a condition over module `name` mean; raises `EditProblem`."""
    return _joined(text, " or ", "any", lambda part: _joined(part, " and ", "all", _fact_for(name, car)))


def _joined(text: str, word: str, key: str, read: Callable[[str], Phrase]) -> Phrase:
    parts = [read(part.strip()) for part in text.split(word)]
    if len(parts) == 1:
        return parts[0]
    return Phrase(
        word.join(part.words for part in parts),
        Condition.model_validate({key: [part.condition for part in parts]}),
        tuple(dict.fromkeys(one for part in parts for one in part.about)),
        tuple(dict.fromkeys(one for part in parts for one in part.told)),
    )


def _fact_for(name: str, car: Car) -> Callable[[str], Phrase]:
    def read(text: str) -> Phrase:
        for pattern, make in _FACTS:
            if match := re.fullmatch(pattern, text):
                return make(match, name, car)
        raise EditProblem(f"'{text}' is no condition: write {SHAPES}")

    return read


def _code(match: re.Match[str], name: str, car: Car) -> Phrase:
    stored, code, owner = bool(match[1]), match[2].upper(), match[3]
    modules = car.built.modules
    if owner is not None and owner not in modules:
        raise EditProblem(unknown("module", owner, modules))
    known = {one: own_codes(car.built, one) for one in ([owner] if owner else modules)}
    owners = [one for one, codes in known.items() if base_code(code) in codes]
    if not owners:
        every = dict.fromkeys(one for codes in known.values() for one in codes)
        raise EditProblem(f"{owner or 'no module'} sets {'no' if owner else 'a'} code {code}"
                          f"{did_you_mean(code, every)}")  # fmt: skip
    told = tuple(CodeTold(one, code, stored) for one in owners if one != name)
    facts = [Condition(signal=one.flag) for one in told]
    facts += [CodeTold(name, code, stored).condition] * (name in owners)
    whole = facts[0] if len(facts) == 1 else Condition.model_validate({"any": facts})
    words = f"{'stored ' if stored else ''}code {code}{f' in {owner}' if owner else ''}"
    return Phrase(words, whole, tuple(one.module for one in told), told)


def _lost(match: re.Match[str], name: str, car: Car) -> Phrase:
    other = match[1]
    if other not in car.built.modules:
        raise EditProblem(unknown("module", other, car.built.modules))
    if other == name:
        raise EditProblem(f"{name} cannot miss its own messages")
    if not car.messages.of(other):
        raise EditProblem(f"{other} sends no message")
    return Phrase(f"no message from {other}", Condition(lost=other), (other,))


def _line(match: re.Match[str], name: str, car: Car) -> Phrase:
    line, dead = match[1], match[2] == "dead"
    fed = _lines_of(name, car)
    if line not in fed:
        raise EditProblem(f"no fuse feeds a line '{line}' of {name}{did_you_mean(line, fed)}")
    on = Condition(line=line)
    return Phrase(f"line {line} {match[2]}", Condition.model_validate({"not": on}) if dead else on)


def _lines_of(name: str, car: Car) -> list[str]:
    """The ignition lines that a module senses: its fed pins that do not carry its own current."""
    ends = [end for spec in car.built.fuses.values() for end in spec.ends]
    pins = [end.pin for end in ends if end.part == name and end.pin]
    return [pin for pin in pins if not pin.startswith("B+")]


def _mode(match: re.Match[str], name: str, car: Car) -> Phrase:
    if car.built.power_modes is None:
        raise EditProblem("this car has no power modes")
    return Phrase(f"mode {match[1]}", Condition.model_validate({"mode": match[1]}))


def _supply(match: re.Match[str], name: str, car: Car) -> Phrase:
    volt = float(match[1])
    low = Condition.model_validate({"not": {"supply_above_v": volt}})
    return Phrase(f"supply below {volt:g} V", low)


_FACTS: tuple[tuple[str, Callable[[re.Match[str], str, Car], Phrase]], ...] = (
    (r"(stored )?code ([PCBUpcbu][0-3][0-9A-Fa-f]{3}(?:-[0-9A-Fa-f]{2})?)(?: in (\S+))?", _code),
    (r"no message from (\S+)", _lost),
    (r"line (\S+) (dead|on)", _line),
    (r"mode (off|accessory|run|crank)", _mode),
    (rf"supply below ({NUMBER}) ?V", _supply),
)


def shutting_down(vehicle: Vehicle, name: str, phrase: Phrase) -> Vehicle:
    """The car in which a module is also offline while this holds."""
    for told in phrase.told:
        vehicle = _telling(vehicle, told)
    module = vehicle.modules[name]
    both = [one for one in (module.shuts_down_when, phrase.condition) if one is not None]
    when = both[0] if len(both) == 1 else Condition.model_validate({"any": both})
    return _changed(vehicle, name, module.model_copy(update={"shuts_down_when": when}))


def _telling(vehicle: Vehicle, told: CodeTold) -> Vehicle:
    """The car in which a module tells others of a code, in the first of its messages that has room."""
    module = vehicle.modules[told.module]
    if told.flag in module.signals:
        return vehicle
    sends = (
        dict(module.sends) if module.sends is not None else {"status": Message(signals=tuple(module.signals))}
    )
    slots = {slot.message for spec in vehicle.lin.values() for slot in spec.schedule}
    room = (key for key, one in sends.items()
            if len(one.signals) < one.length and f"{told.module}.{key}" not in slots)  # fmt: skip
    key = next(room, "codes")
    message = sends.get(key, Message(period_ms=TOLD_EVERY_MS))
    sends[key] = message.model_copy(update={"signals": (*message.signals, told.flag)})
    # first among the signals: the one written last is what an older software version lacks
    signals = {told.flag: Signal(when=told.condition), **module.signals}
    return _changed(vehicle, told.module, module.model_copy(update={"sends": sends, "signals": signals}))


def _changed(vehicle: Vehicle, name: str, module: Module) -> Vehicle:
    return vehicle.model_copy(update={"modules": {**vehicle.modules, name: module}})


# -- what may be chosen or supposed ------------------------------------------------------------------------


def conditions_for(car: Car, name: str) -> dict[str, str]:
    """The conditions that are offered for a module: what it could miss, its lines, then codes of others."""
    others = [one for one in car.built.modules if one != name]
    found = {f"no message from {one}": "" for one in others if car.messages.of(one)}
    found |= {f"line {line} dead": "" for line in _lines_of(name, car)}
    codes = [f"code {code} in {one}" for one in others for code in own_codes(car.built, one)]
    return found | dict.fromkeys(codes, "") | dict.fromkeys((f"stored {one}" for one in codes), "")


def possible_shut_downs(car: Car, seen: Sightings) -> Iterator[str]:
    """A module that was silent is so by a code that was seen, those of modules that it hears first."""
    sent = car.messages.sent
    for name in (one for one in car.built.modules if seen.may_be_silent(one)):
        heard = {sent[message].sender for message in car.messages.needs[name]}
        codes = [one for one in seen.codes if one[0] != name and not _is_about(one[1], name, car)]
        told = [
            f"code {code} in {owner}"
            for owner, code in sorted(codes, key=lambda one: one[0] not in heard)
            if owner in car.built.modules and code in own_codes(car.built, owner)
        ]
        yield from (f"theory {name} shuts down when {one}" for one in told)
        yield from (f"theory {name} shuts down when stored {one}" for one in told)
        yield from (f"theory {name} shuts down when line {line} dead" for line in _lines_of(name, car))


def _is_about(code: str, name: str, car: Car) -> bool:
    """Whether a code says only that this module is missing: it follows from the silence."""
    role = car.built.modules[name].role or name
    return is_role(role, role) and code == lost_communication_code(role)
