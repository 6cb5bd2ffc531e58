"""Edits of terminals and wires: interrupted, corroded, shorted, swapped, with a terminator too many.

Which of these faults harnesses have, and the figures of those listed as candidates, are common practice.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from sim.vehicle.answer_parts import PartSort, other_pins, other_terminals, pairs_of, places_on
from sim.vehicle.car import Car
from sim.vehicle.edit import (
    EDIT_KINDS,
    SHORT_OHM,
    Answer,
    Edit,
    EditKind,
    Offer,
    fields_repaired_by,
    noted,
    without,
)
from sim.vehicle.edit_words import (
    channels_of_modules,
    conductor_named,
    figure,
    generator_of,
    legs_of,
    one_pair_of_each_bus,
    pin_at,
    pin_named,
    supply_pins,
    two_terminals,
)
from sim.vehicle.edits_intermittent import CONDUCTORS
from sim.vehicle.elements import TERMINATOR_OHM, Pin, ReferenceSupply, Resistor, ResistorKind
from sim.vehicle.harness_state import Lead
from sim.vehicle.problems import EditProblem, unknown

CORRODED_OHM = 8.0  # lets a sleeping module's current through, and hardly that of one that runs
LIFTED_V = 3.0
RAILS = ("BODY", "BAT+")


# -- one conductor -------------------------------------------------------------------------------------


def _open(words: list[str], car: Car) -> Edit:
    name = conductor_named(words, car, "open", generator_of(car))
    change = noted("opened", name, refused=f"{name} is open already")
    return Edit(f"open {name}", "open", "fault", change, f"repair {name}", (name,))


def _mend(words: list[str], car: Car) -> Edit:
    also = (name for kind in EDIT_KINDS.values() if kind.repair == "repair" for name in kind.targets(car))
    name = conductor_named(words, car, "repair", also)

    def change(car: Car) -> Car:
        state, fields = car.harness, fields_repaired_by("repair")
        if not any(name in getattr(state, field) for field in fields):
            raise EditProblem(f"{name} has nothing to repair")
        return car.with_harness(**without(state, (*fields, "away"), {name}))

    return Edit(f"repair {name}", "repair", "repair", change, None, (name,))


def _corrode(words: list[str], car: Car) -> Edit:
    name = conductor_named(words[:1], car, "corrode")
    ohm = figure(words[1:], "ohm", f"corrode {name}", CORRODED_OHM)
    change = noted("added_ohm", name, ohm.value)
    return Edit(f"corrode {name} {ohm} ohm", "corrode", "fault", change, f"repair {name}", (name,), ohm.said)


def _offset(words: list[str], car: Car) -> Edit:
    name = words[0] if words else ""
    if name not in car.built.grounds:
        raise EditProblem(unknown("ground point", name, car.built.grounds))
    volt = figure(words[1:], "V", f"offset {name}", LIFTED_V)
    change = noted("offset_v", name, volt.value)
    return Edit(f"offset {name} {volt} V", "offset", "fault", change, f"repair {name}", (name,), volt.said)


def _every_pin_and_ground(car: Car) -> Iterator[str]:
    plugs = (plug for plug in car.connectors.values() if plug.kind != "battery")
    pins = (pin for plug in plugs for pin in plug.pins if not _is_watched(pin, car))
    yield from (f"open {pin.id}" for pin in pins)
    yield from (f"open {name}" for name in car.built.grounds)


def _is_watched(pin: Pin, car: Car) -> bool:
    """Is it in the circuit of a small load or sensor? There are many, and hardly ever is one to be found."""
    return pin.function.rstrip("+-") in car.built.watched


def _every_watched_circuit(car: Car) -> Iterator[str]:
    """Each open at its part, and shorted to ground there."""
    for part in car.built.watched:
        yield f"open {part}.1"
        yield _short(f"{part}.1", "BODY")


def _every_corroded_ground_and_supply(car: Car) -> Iterator[str]:
    yield from (f"corrode {ground} {CORRODED_OHM:g} ohm" for ground in car.built.grounds)
    yield from (f"corrode {pin.id} {CORRODED_OHM:g} ohm" for pin in supply_pins(car))


def _every_generator(car: Car) -> Iterator[str]:
    yield from (f"open {name}" for name in generator_of(car))


def _every_lifted_ground(car: Car) -> Iterator[str]:
    """Not the engine's: the current of its own starter and generator decides its potential (`corrode`)."""
    engine = {load.end.target for load in car.built.loads.values() if load.kind == "starter"}
    yield from (f"offset {ground} {LIFTED_V:g} V" for ground in car.built.grounds if ground not in engine)


# -- a resistance between two terminals ----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Joint:
    """A resistance put between two terminals by `verb`, and taken off by `undo` before the same words."""

    verb: Literal["short", "terminate"]
    undo: Literal["remove ", "un"]
    kind: ResistorKind
    usual_ohm: float

    def put_in(self, words: list[str], car: Car) -> Edit:
        a, b, rest = two_terminals(words, self.verb, car)
        ohm = figure(rest or [f"{self.usual_ohm:g}"], "ohm", self.verb, self.usual_ohm)
        name = f"{self.verb} {a} to {b}"
        lead = Lead(self.verb, (a, b), (Resistor(name, a, b, ohm.value, self.kind),))
        change = noted("leads", name, lead)
        return Edit(f"{name} {ohm} ohm", self.verb, "fault", change, f"{self.undo}{name}", (a, b), ohm.said)

    def take_off(self, words: list[str], car: Car) -> Edit:
        a, b, rest = two_terminals(words, f"{self.undo}{self.verb}", car)
        name = f"{self.verb} {a} to {b}"
        text = f"{self.undo}{name}"
        if rest:
            raise EditProblem(f"'{' '.join(rest)}' is too much after '{text}'")

        def change(car: Car) -> Car:
            if name not in car.harness.leads:
                raise EditProblem(f"there is no '{name}' to remove")
            return car.with_harness(**without(car.harness, ("leads",), {name}))

        return Edit(text, text.partition(" ")[0], "repair", change, None, (a, b))


_SHORT = _Joint("short", "remove ", "short", SHORT_OHM)
_TERMINATOR = _Joint("terminate", "un", "terminator", TERMINATOR_OHM)


def _remove(words: list[str], car: Car) -> Edit:
    """`remove short ECM.C1.3 to BODY`."""
    if words[:1] != ["short"]:
        raise EditProblem("write 'remove short TERMINAL to TERMINAL'")
    return _SHORT.take_off(words[1:], car)


def _short(one: str, other: str) -> str:
    return f"short {one} to {other} {SHORT_OHM:g} ohm"


def _every_shorted_supply(car: Car) -> Iterator[str]:
    yield from (_short(pin.id, "BODY") for pin in supply_pins(car))


def _every_shorted_line(car: Car) -> Iterator[str]:
    for high, low in one_pair_of_each_bus(car):
        yield _short(high.id, low.id)
        yield from (_short(leg.id, rail) for leg in (high, low) for rail in RAILS)
    bus_at = {leg: one.bus for one in channels_of_modules(car) for leg in (one.h, one.l)}
    for plug in car.connectors.values():  # water in a connector joins neighbors
        for one, other in pairwise(plug.pins):
            if {one.inner, other.inner} <= bus_at.keys() and bus_at[one.inner] != bus_at[other.inner]:
                yield _short(one.id, other.id)
    for cluster in car.built.lin:
        wire = next(pin_at(port.node, car) for port in car.lin.values() if port.bus == cluster)
        yield from (_short(wire.id, rail) for rail in RAILS)


def _every_shorted_sensor(car: Car) -> Iterator[str]:
    at_pins = {pin.inner for pin in car.pins.values()}
    supplies = (one for one in car.elements.values() if isinstance(one, ReferenceSupply))
    references = [one for one in supplies if one.a in at_pins]
    yield from (_short(pin_at(one.a, car).id, rail) for one in references for rail in RAILS)
    for sensor in car.built.sensors:
        pins = car.connectors[sensor].pins
        for supply, signal, ground in (pins[k : k + 3] for k in range(0, len(pins), 3)):
            yield from (_short(signal.id, other.id) for other in (supply, ground))


def _every_terminator(car: Car) -> Iterator[str]:
    """One missing, one too many."""
    own = (one for one in car.elements.values() if isinstance(one, Resistor) and one.kind == "terminator")
    yield from (f"open {one.id}" for one in own)
    for high, low in one_pair_of_each_bus(car):
        yield f"terminate {high.id} to {low.id} {TERMINATOR_OHM:g} ohm"


# -- two wires in each other's cavity ------------------------------------------------------------------


def _swap(words: list[str], car: Car) -> Edit:
    one, other = _two_pins(words, "swap", car)

    def change(car: Car) -> Car:
        moved = sorted({one, other} & car.harness.swapped.keys())
        if moved:
            raise EditProblem(f"another wire sits in {moved[0]} already")
        return car.with_harness(swapped={**car.harness.swapped, one: other, other: one})

    undo = f"unswap {one} with {other}"
    return Edit(f"swap {one} with {other}", "swap", "fault", change, undo, (one, other))


def _unswap(words: list[str], car: Car) -> Edit:
    one, other = _two_pins(words, "unswap", car)

    def change(car: Car) -> Car:
        if car.harness.swapped.get(one) != other:
            raise EditProblem(f"{one} and {other} are not swapped")
        return car.with_harness(**without(car.harness, ("swapped",), {one, other}))

    undo = f"swap {one} with {other}"
    return Edit(f"unswap {one} with {other}", "unswap", "repair", change, undo, (one, other))


def _two_pins(words: list[str], verb: str, car: Car) -> tuple[str, str]:
    if len(words) != 3 or words[1] != "with":
        raise EditProblem(f"write '{verb} PIN with PIN'")
    one, other = (pin_named(word, car) for word in (words[0], words[2]))
    if one == other or car.pins[one].connector != car.pins[other].connector:
        raise EditProblem(f"'{verb}' takes two pins of one connector (here: {one} and {other})")
    return one, other


def _every_swapped_pair(car: Car) -> Iterator[str]:
    for one in channels_of_modules(car):
        high, low = legs_of(one, car)
        if high.connector == low.connector:
            yield f"swap {high.id} with {low.id}"


def _at(sorts: Iterable[PartSort], words: str, sentence: str) -> tuple[Answer, ...]:
    """The same answer for parts of several sorts."""
    return tuple(Answer(sort, words, sentence) for sort in sorts)


KINDS = (
    EditKind(
        "open",
        "fault",
        _open,
        {"opened": "{part} open"},
        "repair",
        takes_part_away=True,
        targets=generator_of,
        catalogue=_every_pin_and_ground,
        candidates={"dead generator": _every_generator, "circuits of small loads": _every_watched_circuit},
        answers=(
            *_at(CONDUCTORS, "open circuit", "open {part}"),
            Answer("terminator", "open or missing", "open {part}"),
            Answer("generator", "no output", "open {part}"),
        ),
        offers=(Offer("joint", "Interrupt", "open {part}"), Offer("ground", "Lift it", "open {part}")),
    ),
    EditKind(
        "corrode",
        "fault",
        _corrode,
        {"added_ohm": "{part} with {now:g} ohm added"},
        "repair",
        answers=_at(CONDUCTORS, "corroded, high resistance", "corrode {part} ? ohm"),
        candidates={"corroded grounds and supplies": _every_corroded_ground_and_supply},
        offers=(Offer("joint", "Add this resistance", "corrode {part} {ohm:g} ohm"),),
    ),
    EditKind(
        "offset",
        "fault",
        _offset,
        {"offset_v": "{part} {now:g} V above the body"},
        "repair",
        answers=(Answer("ground", "not at body potential", "offset {part} ? V"),),
        candidates={"lifted grounds": _every_lifted_ground},
        offers=(Offer("ground", "Raise it by this voltage", "offset {part} {volt:g} V"),),
    ),
    EditKind("repair", "repair", _mend),
    EditKind(
        "short",
        "fault",
        _SHORT.put_in,
        {"leads": "{part}"},
        "remove",
        "remove {part}",
        candidates={
            "shorted supplies": _every_shorted_supply,
            "shorted bus lines": _every_shorted_line,
            "shorted sensors": _every_shorted_sensor,
        },
        answers=(
            Answer("relay", "contacts stuck together", "short {part}.30 to {part}.87"),
            Answer("switch", "stuck closed", "short {part}.1 to {part}.2"),
            Answer("load", "shorted inside", "short {part}.1 to {part}.2"),
            Answer("sensor", "shorted inside", "short {part}:1 to {part}:3"),
            Answer("terminal", "shorted to ground", "short {part} to BODY"),
            Answer("terminal", "shorted to battery positive", "short {part} to BAT+"),
            Answer(
                "terminal",
                "shorted to another wire",
                "short {part} to {other}",
                "which wire",
                other_terminals,
                "shorted to {other}",
            ),
            Answer(
                "bus",
                "CAN high shorted to CAN low",
                "short {other}",
                "where",
                places_on,
                "CAN high shorted to CAN low, {other}",
            ),
            Answer(
                "connector",
                "wires of a pair shorted together",
                "short {other}",
                "which pair",
                pairs_of,
                "{other} shorted together",
            ),
        ),
        offers=(
            Offer("terminals", "Short them", "short {part}"),
            Offer("sensor", "Short it inside", "short {part}:1 to {part}:3 0.5 ohm"),
        ),
    ),
    EditKind("remove", "repair", _remove),
    EditKind(
        "swap",
        "fault",
        _swap,
        {"swapped": "the wires of {part} and {now} are swapped"},
        "unswap",
        "unswap {part} with {now}",
        answers=(
            Answer(
                "pin",
                "swapped with another wire",
                "swap {part} with {other}",
                "which wire",
                other_pins,
                "swapped with {other}",
            ),
        ),
        candidates={"swapped bus wires": _every_swapped_pair},
        offers=(Offer("pins", "Swap them", "swap {part}"),),
    ),
    EditKind("unswap", "repair", _unswap),
    EditKind(
        "terminate",
        "fault",
        _TERMINATOR.put_in,
        {"leads": "{part}"},
        "unterminate",
        "un{part}",
        answers=(
            Answer(
                "bus",
                "an extra resistor across the pair",
                "terminate {other} ? ohm",
                "where",
                places_on,
                "an extra resistor across {other}",
            ),
            Answer(
                "connector",
                "an extra resistor across a pair",
                "terminate {other} ? ohm",
                "which pair",
                pairs_of,
                "an extra resistor across {other}",
            ),
        ),
        candidates={"terminators": _every_terminator},
        offers=(Offer("pair", "Put it in", "terminate {part} {ohm:g} ohm"),),
    ),
    EditKind("unterminate", "repair", _TERMINATOR.take_off),
)
