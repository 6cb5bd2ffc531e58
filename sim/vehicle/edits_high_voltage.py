"""Edits of a high-voltage system: contacts, insulation, the precharge resistor; and who may repair them.

What is orange is repaired by `refer PART` alone: a licensed high-voltage technician locks the system out,
proves that there is no voltage, does the work and hands the car back.

Not modeled: what that technician finds besides, the steps of the lock-out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from sim.vehicle.answer_parts import PartSort
from sim.vehicle.car import Car
from sim.vehicle.description_high_voltage import CONTACTORS, RAILS
from sim.vehicle.edit import Answer, Change, Edit, EditKind, Offer, fields_repaired_by, noted, without
from sim.vehicle.edit_words import figure, one_name
from sim.vehicle.elements import part_of
from sim.vehicle.high_voltage_parts import PRECHARGE_RESISTOR, orange_connectors, orange_parts
from sim.vehicle.problems import EditProblem, unknown

# water or a chafed cable: below 100 ohm per volt of a 355 V pack; common practice
LEAK_OHM, LEAK_LIMITS_OHM = 20_000.0, (1.0, 10_000_000.0)
RESISTORS = (PRECHARGE_RESISTOR,)
# of what a state says by the names of pins, wires and connectors
AT_CONNECTORS = ("unplugged", "opened", "added_ohm", "loosened", "swapped", "intermittent", "away")


def _of(names: Iterable[str]) -> Callable[[Car], list[str]]:
    """These parts, in a car that has a high-voltage system."""
    return lambda car: list(names) if car.built.high_voltage else []


def _named(words: list[str], verb: str, what: str, known: list[str]) -> str:
    name = one_name(words, verb)
    if not known:
        raise EditProblem(f"'{verb}': this car has no high-voltage system")
    if name not in known:
        raise EditProblem(unknown(what, name, known))
    return name


def _parse(verb: str, what: str, field: str, names: Iterable[str]) -> Callable[[list[str], Car], Edit]:
    parts = _of(tuple(names))

    def parse(words: list[str], car: Car) -> Edit:
        name = _named(words, verb, what, parts(car))
        text = f"{verb} {name}"
        change = noted(field, name, refused=f"'{text}' has been done already")
        return Edit(text, verb, "fault", change, f"refer {name}", (name,))

    return parse


def _leak(words: list[str], car: Car) -> Edit:
    name = _named(words[:1], "leak", "high-voltage rail", _of(RAILS)(car))
    ohm = figure(words[1:], "ohm", f"leak {name}", LEAK_OHM, LEAK_LIMITS_OHM)
    change = noted("leaking", name, ohm.value)
    return Edit(f"leak {name} {ohm} ohm", "leak", "fault", change, f"refer {name}", (name,), ohm.said)


def _refer(words: list[str], car: Car) -> Edit:
    name = _named(words, "refer", "orange part", sorted(orange_parts(car)))
    return Edit(f"refer {name}", "refer", "repair", _repaired(name), None, (name,))


def _repaired(name: str) -> Change:
    """All that is wrong with an orange part put right; a pin with another part's wire stays as it is."""

    def change(car: Car) -> Car:
        own = {name}
        for field in AT_CONNECTORS:
            own |= {one for one in getattr(car.harness, field) if part_of(one) == name}
        leads = {
            key for key, lead in car.harness.leads.items()
            if any(part_of(end) == name for end in lead.targets)
        }  # fmt: skip
        fields = (*AT_CONNECTORS, *fields_repaired_by("refer"))
        after = car.with_harness(**without(car.harness, fields, own))
        after = after.with_harness(**without(after.harness, ("leads",), leads))
        if after.harness == car.harness:
            raise EditProblem(f"nothing is wrong with {name}: it comes back as it was")
        return after

    return change


def _every(verb: str, names: Iterable[str], rest: str = "") -> Callable[[Car], Iterator[str]]:
    def every(car: Car) -> Iterator[str]:
        yield from (f"{verb} {name}{rest}" for name in _of(names)(car))

    return every


def _kind(verb: str, field: str, leaves: str, sort: PartSort, names: tuple[str, ...], wrong: str) -> EditKind:
    answer = Answer(sort, wrong, f"{verb} {{part}}")
    return EditKind(
        verb,
        "fault",
        _parse(verb, sort, field, names),
        {field: leaves},
        "refer",
        targets=_of(names),
        candidates={"high voltage": _every(verb, names)},
        answers=(answer,),
        offers=(Offer(sort, f"It {wrong}", f"{verb} {{part}}"),),
    )


KINDS = (
    _kind("jam", "jammed", "contactor {part} does not close", "contactor", CONTACTORS, "does not close"),
    _kind("weld", "welded", "contactor {part} does not open", "contactor", CONTACTORS, "does not open"),
    _kind("burn", "burned", "the precharge resistor is open", "precharge", RESISTORS, "open"),
    EditKind(
        "leak",
        "fault",
        _leak,
        {"leaking": "{part} leaks to the body, {now:g} ohm"},
        "refer",
        targets=_of(RAILS),
        candidates={"high voltage": _every("leak", RAILS, f" {LEAK_OHM:g} ohm")},
        answers=(Answer("rail", "leaks to the body", "leak {part} ? ohm"),),
        offers=(Offer("rail", "Let it leak", "leak {part} {ohm} ohm"),),
    ),
    EditKind("refer", "repair", _refer, targets=orange_connectors),
)
