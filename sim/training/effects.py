"""What an edit does to a car, part by part, so that two sentences can be compared by their effect.

`unplug ABS` and `unplug ABS.C1` are one thing, a fuse that is out and a fuse that is blown both leave the
same gap. A fuse out and its only wire open are not the same, though both leave the module dark: they are
*near*.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from sim.vehicle.car import Car
from sim.vehicle.edits import parse_edit
from sim.vehicle.elements import Element, Resistor, Wire
from sim.vehicle.harness_state import OPENINGS, Lead, alterations
from sim.vehicle.terminal_graph import conductor, terminal_graph
from sim.wiring.conduction import SwitchState
from sim.wiring.wiring import Wiring

# how far a named figure may be off: a meter on a live joint gives no more; our own choice
OHM_FACTOR = 3.0
CHARGE_POINTS = 20.0
OFFSET_V = 1.0


class Atom(NamedTuple):
    """What an edit does to parts of a car: `open` to F3, `short` to two pins, `feeds` to F7 and TRAILER."""

    what: str
    parts: tuple[str, ...]


# each atom with the figure that goes with it: 0 where the atom has none, None where it was not said
Effect = dict[Atom, float | None]


def same_effect(one: Sequence[str], other: Sequence[str], car: Car) -> bool:
    """Whether two sets of edits do the same to a car that is as built and whole."""
    return is_same(*(joined(effect_of(text, car) for text in texts) for texts in (one, other)))


def same_place(one: str, other: str, car: Car) -> bool:
    """Whether two edits join the same two stretches of wire, whatever their resistance."""
    return effect_of(one, car).keys() == effect_of(other, car).keys()


def effect_of(text: str, car: Car) -> Effect:
    """What an edit does to the parts of a car, with the figure that goes with it."""
    edit = parse_edit(text, car)
    if edit.theory:
        return {Atom(edit.theory.relation, (*edit.targets, *filter(None, [edit.theory.condition]))): 0.0}
    if edit.verb == "bypass":  # the lead goes into a connector that is off; that it is off is another edit
        own = (plug.id for plug in car.connectors.values() if plug.owner == edit.part)
        car = car.with_harness(unplugged=car.harness.unplugged | frozenset(own))
    after = edit.apply(car)
    atoms: Effect = {
        Atom("open", (name,)): 0.0
        for name, element in car.elements.items()
        if car.is_whole(element) and not after.is_whole(element)
    }
    for one in alterations(car.harness, after.harness):
        if isinstance(one.now, Lead):
            for part in one.now.parts:
                atoms.update(_joins(part, car))
        elif isinstance(one.now, str):
            atoms[Atom(one.field, tuple(sorted((one.part, one.now))))] = 0.0
        elif one.now is not None and one.field not in OPENINGS:
            atoms[Atom(one.field, (one.part,))] = float(one.now) if isinstance(one.now, float | int) else 0.0
    return dict.fromkeys(atoms, None) if edit.figure is None else atoms


def _joins(part: Element, car: Car) -> Effect:
    """A part between two places of the harness: a terminator by its resistance, anything else a short."""
    # a terminal is called by the first name of its stretch of wire, up to the next pair of contacts: where
    # along a wire two strands touch makes no difference that can be measured
    wired = terminal_graph(_wires(car))
    ends = tuple(sorted(min(conductor(wired, end)) for end in (part.a, part.b)))
    if isinstance(part, Resistor) and part.kind == "terminator":
        return {Atom("terminator", ends): part.ohm}
    return {Atom("short", ends): 0.0}


def _wires(car: Car) -> Iterator[Element]:
    """Wires and joints: the harness without its contacts."""
    for element in car.elements.values():
        joint = isinstance(element, Resistor) and element.kind in ("joint", "trace")
        if isinstance(element, Wire) or joint:
            yield element


def joined(effects: Iterable[Effect]) -> Effect:
    """Several effects as one."""
    return {atom: value for effect in effects for atom, value in effect.items()}


def is_same(one: Effect, other: Effect) -> bool:
    """Whether two effects are equal, their figures within what a meter can tell apart."""
    return one.keys() == other.keys() and all(_alike(atom, one[atom], other[atom]) for atom in one)


def _alike(atom: Atom, one: float | None, other: float | None) -> bool:
    if one is None or other is None:
        return True
    match atom.what:
        case "added_ohm" | "terminator":
            return max(one, other) <= OHM_FACTOR * min(one, other)
        case "battery_pct":
            return abs(one - other) <= CHARGE_POINTS
        case "offset_v":
            return abs(one - other) <= OFFSET_V
    return one == other


def is_near(named: str, hidden: str, car: Car) -> bool:
    """Whether two edits are in one circuit: the same part, or the same modules dark and lines cut."""
    one, other = effect_of(named, car), effect_of(hidden, car)
    if {part for atom in one for part in atom.parts} & {part for atom in other for part in atom.parts}:
        return True
    shown = _shows(hidden, car)
    return shown != _shows("", car) and shown == _shows(named, car)


def _shows(edit: str, car: Car) -> tuple[frozenset[str], frozenset[tuple[str, str]]]:
    """The modules without supply and the links that work, with everything switched on."""
    after = parse_edit(edit, car).apply(car) if edit else car
    state = SwitchState(
        frozenset(car.built.modules), frozenset(), frozenset(), frozenset(car.built.relays), False
    )
    reading = Wiring(after).solve(state)
    dark = frozenset(
        name for name, spec in car.built.modules.items() if reading.supply_v(name) < spec.min_supply_v
    )
    lit = frozenset(
        channel
        for channel, part in car.transceivers.items()
        if part.module in car.built.modules and part.module not in dark
    )
    ports = frozenset(channel for channel, port in car.lin.items() if port.module not in dark)
    links = reading.connectivity(lit).links | reading.lin_links(ports)
    return dark, links
