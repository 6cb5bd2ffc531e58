"""The sets of edits that could be wrong instead of an exercise's own, and which of them are nearest to it."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Sequence
from functools import lru_cache

from sim.catalogue import vehicle_text
from sim.lab.structure import Structure
from sim.training.exercise import Exercise
from sim.training.rivals import BY_CHANCE, by_chance
from sim.training.solved import Edits
from sim.vehicle.car import Car
from sim.vehicle.edits import catalogue, further_faults, parse_edit
from sim.vehicle.elements import Wire
from sim.vehicle.reading import car_from_text

NOW_AND_THEN = "every 20 s for 0.5 s"
CLAMP_OHM = 0.05  # of a battery clamp that keeps the starter from turning; common practice


def other_faults(exercise: Exercise) -> tuple[Edits, ...]:
    """Nothing at all, every single fault, and the hidden edits with one of them left out or exchanged."""
    hidden = tuple(parse_edit(text, exercise.real_car).text for text in exercise.arrives)
    single = single_faults(exercise.car)
    if by_chance(hidden):
        single = (*single, *_now_and_then(exercise.whole_car))
    sets: dict[Edits, None] = {(): None, **{(text,): None for text in single}}
    if len(hidden) > 1:
        for place in range(len(hidden)):
            others = hidden[:place] + hidden[place + 1 :]
            sets |= {others: None, **{(*others, text): None for text in single if text not in others}}
    return tuple(edits for edits in sets if set(edits) != set(hidden))


def one_of_each(exercise: Exercise, sets: Sequence[Edits]) -> dict[Edits, list[Edits]]:
    """Sets of edits that make the same car, as far as the solution can tell, under one of them."""
    structure = Structure(exercise.whole_car, (*exercise.before, *exercise.solution))
    firsts: dict[Hashable, Edits] = {}
    found: dict[Edits, list[Edits]] = {}
    for edits in sets:
        key = structure.key(edits)
        if key is not None:
            found.setdefault(firsts.setdefault(key, edits), []).append(edits)
    return found


def nearest(exercise: Exercise, sets: Sequence[Edits], most: int) -> list[Edits]:
    """At most so many of these sets of edits: those that spoil what lies next to the hidden edits."""
    car, hidden = exercise.real_car, exercise.arrives
    at_fault = _all_places(hidden, car)
    touched = at_fault | _all_places(exercise.solution, car)

    def nearness(edits: Edits) -> tuple[int, int]:
        new = [text for text in edits if text not in hidden] or edits
        places = _all_places(new, car)
        return len(places & at_fault), len(places & touched)

    by_nearness = sorted(((nearness(edits), place) for place, edits in enumerate(sets)), key=_nearest_first)
    return [sets[place] for near, place in by_nearness if any(near)][:most]


def _nearest_first(one: tuple[tuple[int, int], int]) -> tuple[int, int, int]:
    (at_fault, touched), place = one
    return -at_fault, -touched, place


def _all_places(texts: Iterable[str], car: Car) -> set[str]:
    return {place for text in texts for word in text.split() for place in _places(word, car)}


def _places(word: str, car: Car) -> Iterator[str]:
    """The parts that a word of a sentence has to do with: connector, module, fuse, ground, bus."""
    for name in word.split("--"):
        head = name.partition(".")[0].partition(":")[0]
        if name in car.pins:
            yield car.pins[name].connector
            yield from (bus for bus in car.built.buses if car.pins[name].function.startswith(f"{bus}."))
        for bus, spec in car.built.buses.items():
            if _names(name, bus) or f"{name} terminator" in spec.line:
                yield bus
        if head in car.built.modules or head in car.built.fuses or head in car.built.relays:
            yield head
        if name in car.connectors or name in car.built.grounds or name in car.built.loads:
            yield name
        if name in car.built.fuses:
            yield from (end.part for end in car.built.fuses[name].ends)


def _names(node: str, bus: str) -> bool:
    """Whether this is a node or a part of a bus line: `SP.diag.DLC.H`, `GW:diag.terminator`."""
    return node.replace(":", ".").split(".")[1:2] == [bus]


@lru_cache(maxsize=8)
def single_faults(name: str) -> tuple[str, ...]:
    """Every single fault of a shipped car worth a thought: its catalogue, and what that leaves out."""
    car = car_from_text(vehicle_text(name))
    return (*catalogue(car), *further_faults(car), *_more_faults(car))


def _more_faults(car: Car) -> Iterator[str]:
    """What repairs and retrofits leave in a loom, a relay, a switch, a clamp, and what cannot be seen."""
    yield from (f"open {name}" for name, element in car.elements.items() if isinstance(element, Wire))
    yield from (f"short {relay}.30 to {relay}.87" for relay in car.built.relays)
    yield from (f"short {name}.1 to {name}.2" for name in car.built.switches)
    yield from (f"short {name}.1 to BODY" for name in car.built.loads)
    yield from (f"short {name}:1 to {name}:3" for name in car.built.sensors)
    yield from (f"corrode {clamp} {CLAMP_OHM:g} ohm" for clamp in ("BAT.NEG", "BAT.POS"))
    yield from (f"keep {module} awake" for module in car.built.modules)


def _now_and_then(car: Car) -> Iterator[str]:
    for text in catalogue(car):
        if text.startswith("open "):
            yield f"{BY_CHANCE} {text.removeprefix('open ')} {NOW_AND_THEN}"
