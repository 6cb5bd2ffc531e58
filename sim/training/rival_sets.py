"""Edits that could be wrong instead of an exercise's own: the nearest, and those that a glance settles."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Sequence
from contextlib import suppress
from functools import cache, lru_cache, partial

import networkx as nx

from sim.bench.observations import parse_observation
from sim.catalogue import vehicle_text
from sim.instruments.inspection import inspection_of
from sim.lab.structure import Structure
from sim.training.exercise import Exercise
from sim.training.rivals import BY_CHANCE, Edits, Solved, SolvedStep, by_chance, helped
from sim.vehicle.car import Car
from sim.vehicle.edits import EDIT_VERBS, apply_all, catalogue, further_faults, is_theory, parse_edit, verb_of
from sim.vehicle.elements import Contact, Driver, HandSwitch, LoadPart, RelayContact, Wire
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import car_from_text
from sim.vehicle.terminal_graph import conductor, terminal_graph

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


def nearest(exercise: Exercise, sets: Sequence[Edits], most: int | None = None) -> list[Edits]:
    """At most so many of these sets of edits (default: all): those at parts next to the hidden edits."""
    car, hidden = exercise.real_car, exercise.arrives
    at_fault = _parts_in(hidden, car)
    touched = at_fault | _parts_in(exercise.solution, car)
    parts_of = cache(partial(_parts_of_text, car=car))

    def nearness(edits: Edits) -> tuple[int, int]:
        new = [text for text in edits if text not in hidden] or edits
        places = frozenset[str]().union(*(parts_of(text) for text in new))
        return len(places & at_fault), len(places & touched)

    near = {edits: nearness(edits) for edits in sets}
    # equals stay in order
    return sorted((edits for edits in sets if any(near[edits])), key=near.__getitem__, reverse=True)[:most]


def _parts_in(texts: Iterable[str], car: Car) -> frozenset[str]:
    return frozenset[str]().union(*(_parts_of_text(text, car) for text in texts))


def _parts_of_text(text: str, car: Car) -> frozenset[str]:
    return frozenset(place for word in text.split() for place in _parts_of_word(word, car))


def _parts_of_word(word: str, car: Car) -> Iterator[str]:
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
    """Whether this is a node or a part of a bus line: `SP.diag.DLC.H`, `GATEWAY:diag.terminator`."""
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


class Glance:
    """Tells by hand and eye alone which sets of edits mislead no one who works by a solution."""

    def __init__(self, log: Solved) -> None:
        self._log, exercise = log, log.read
        self._before = [text for text in exercise.before if verb_of(text) in EDIT_VERBS]
        self._looks = {
            line.action: parse_observation(line.action, exercise.real_car)
            for line in log.lines
            if line.verb == "look"
        }
        self._designed: dict[Edits, Car] = {(): exercise.whole_car}
        self._conducting = _conducting(exercise.real_car)
        self._fed: dict[str, frozenset[str]] = {}

    def settles(self, edits: Edits) -> bool:
        """Whether it is certain without a run that these edits mislead no one.

        They are told from the hidden ones before anything is repaired in vain, or nothing is repaired in vain
        at all. False where it depends on what else happens, such as a fuse that may have blown.
        """
        try:
            car = self._car(edits)
        except EditProblem:
            return True
        for line in self._log.lines:
            if line.action in self._looks and line.parts.get(line.action) not in self._looks_like(line, car):
                return True
            if line.verb in EDIT_VERBS:
                try:
                    after = parse_edit(line.action, car).apply(car)
                except EditProblem:
                    return not line.repairs
                if line.repairs and not helped(car.harness, after.harness):
                    return False
                car = after
        return True

    def _car(self, edits: Edits) -> Car:
        """The car with these edits as it comes in; a car that is built otherwise is built once."""
        theories = tuple(text for text in edits if is_theory(text))
        if theories not in self._designed:
            self._designed[theories] = apply_all(self._designed[()], theories)
        car = apply_all(self._designed[theories], [text for text in edits if text not in theories])
        for text in self._before:
            with suppress(EditProblem):
                car = parse_edit(text, car).apply(car)
        return car

    def _looks_like(self, line: SolvedStep, car: Car) -> set[str]:
        """All that a part could look like; a fuse may have blown where too much can flow."""
        what, state = self._looks[line.action], car.harness
        cars = [car]
        if what.points[0] in car.built.fuses and self._may_blow(what.points[0], car):
            cars.append(car.with_harness(blown=state.blown | {what.points[0]}))
        return {inspection_of(what, one).display for one in cars}

    def _may_blow(self, fuse: str, car: Car) -> bool:
        """Whether something is joined to what the fuse feeds, or a smaller one is fitted."""
        ends = {end for part in car.harness.joined_parts() for end in (part.a, part.b)}
        if fuse not in self._fed:
            self._fed[fuse] = frozenset(conductor(self._conducting, f"{fuse}.2"))
        return fuse in car.harness.fitted_a or not ends.isdisjoint(self._fed[fuse])


def _conducting(car: Car) -> nx.Graph[str]:
    """All terminals of a car, joined where current passes with every switch and relay closed."""
    passing = Wire | Contact | RelayContact | HandSwitch | Driver | LoadPart
    return terminal_graph(one for one in car.elements.values() if isinstance(one, passing))
