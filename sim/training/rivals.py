"""What else it could be: other sets of edits, put to the test by an exercise's scripted solution.

    log = solved(exercise)
    glance = Glance(log)
    [edits for edits in other_faults(exercise) if not glance.settles(edits) and misleads(log, edits)]

A set of edits misleads where a car with it would have answered every check as the exercise's car did, and
one of the repairs would have been made on it in vain.

Chance is no evidence: of a contact that opens now and then only what hand and eye find is compared.

Not modelled: faults that show nothing at all; pairs that have nothing to do with the hidden edits.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import networkx as nx

from sim.bench.observations import parse_observation
from sim.catalogue import vehicle_text
from sim.instruments.inspection import inspection_of
from sim.lab.compare import look_alike
from sim.lab.run import ImpossibleCar, Trial, bench_of
from sim.lab.structure import Structure
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet
from sim.training.attempt import Attempt
from sim.training.effects import same_effect
from sim.training.exercise import Exercise
from sim.training.forecast import parts_of
from sim.vehicle.car import Car
from sim.vehicle.edits import EDIT_VERBS, apply_all, catalogue, further_faults, is_theory, parse_edit
from sim.vehicle.edits_modules import CHARGED_PCT
from sim.vehicle.elements import Contact, Driver, HandSwitch, LoadPart, RelayContact, Wire
from sim.vehicle.harness_state import HarnessState
from sim.vehicle.problems import EditProblem, Unsettled
from sim.vehicle.reading import car_from_text
from sim.vehicle.terminal_graph import conductor

Edits = tuple[str, ...]
Parts = dict[str, str | float]
# told apart: a check shows another thing; misled: a repair is made in vain; alike: no difference to the end
Answer = Literal["told apart", "misled", "alike"]
BY_CHANCE = "interrupt"
NOW_AND_THEN = "every 20 s for 0.5 s"
CLAMP_OHM = 0.05  # of a battery clamp that keeps the starter from turning; common practice


@dataclass(frozen=True, slots=True)
class SolvedStep:
    """One step of a solution, and what it showed on the exercise's car. `repairs`: it put something right."""

    action: str
    parts: Parts
    repairs: bool

    @property
    def verb(self) -> str:
        """The first word of the action."""
        return self.action.split()[0]


@dataclass(frozen=True, slots=True)
class Solved:
    """An exercise (as JSON) and what its solution showed, step by step."""

    exercise: str
    lines: tuple[SolvedStep, ...]

    @property
    def read(self) -> Exercise:
        """The exercise."""
        return _exercise(self.exercise)

    @property
    def opening(self) -> tuple[SolvedStep, ...]:
        """The first steps up to a scan, which exercises of one car often share; none where they repair."""
        scan = next((k + 1 for k, line in enumerate(self.lines) if line.verb == "scan"), 0)
        first = self.lines[:scan]
        return () if any(line.repairs for line in first) else first


def solved(exercise: Exercise) -> Solved:
    """Play the solution and keep what it shows; raises `EditProblem` where a step makes no sense."""
    attempt = at_work(exercise)
    for action in exercise.solution:
        attempt.do(action)
    return log_of(attempt)


def log_of(attempt: Attempt) -> Solved:
    """What an attempt has shown so far."""
    lines = tuple(SolvedStep(step.action, parts_of(step.sight), step.repairs) for step in attempt.steps)
    return Solved(attempt.exercise.model_dump_json(), lines)


def agree_at_first(
    log: Solved, sets: Sequence[Edits], workshop: Workshop, progress: Progress = quiet, stop: Stop = never
) -> list[Edits]:
    """Those sets of edits with which the opening would have shown the same; one run serves many exercises."""
    exercise, opening = log.read, log.opening
    actions = (*exercise.before, *(line.action for line in opening))
    asked = [edits for edits in sets if opening and not _by_chance((*edits, *exercise.arrives))]
    vehicle = vehicle_text(exercise.car)
    trials = [Trial(vehicle, edits, actions, exercise.seed) for edits in asked]
    accounts = workshop.run(trials, progress=progress, stop=stop)
    skip = len(exercise.before)
    gone = {
        edits
        for edits, account in zip(asked, accounts, strict=True)
        if not account.sights
        or not all(
            look_alike(line.parts, parts_of(sight))
            for line, sight in zip(opening, account.sights[skip:], strict=True)
        )
    }
    return [edits for edits in sets if edits not in gone]


def answer(log: Solved, edits: Edits) -> Answer:
    """How a car with these edits answers somebody who works by this solution."""
    exercise = log.read
    try:
        attempt = at_work(exercise.broken_by(edits))
    except (EditProblem, Unsettled, ImpossibleCar):
        return "told apart"
    by_chance = _by_chance(edits)
    for line in log.lines:
        before = attempt.bench.car.harness
        try:
            step = attempt.do(line.action)
        except EditProblem:
            return "misled" if line.repairs else "told apart"
        if line.repairs and (step.vain or not _helped(before, attempt.bench.car.harness)):
            return "misled"
        compared = line.verb == "look" or bool(step.vain) or not by_chance
        if compared and not look_alike(line.parts, parts_of(step.sight)):
            return "told apart"
    return "alike"


def misleads(log: Solved, edits: Edits) -> bool:
    """Would something be repaired in vain on a car with these edits, which are not the hidden ones?"""
    exercise = log.read
    if same_effect(edits, exercise.arrives, exercise.real_car):
        return False
    return answer(log, edits) == "misled"


def _by_chance(edits: Edits) -> bool:
    return any(edit.startswith(BY_CHANCE) for edit in edits)


class Glance:
    """What hand and eye alone find out: no run is needed to know it."""

    def __init__(self, log: Solved) -> None:
        self._log, exercise = log, log.read
        self._before = [text for text in exercise.before if text.split()[0] in EDIT_VERBS]
        self._looks = {
            line.action: parse_observation(line.action, exercise.real_car)
            for line in log.lines
            if line.verb == "look"
        }
        self._designed: dict[Edits, Car] = {(): exercise.whole_car}
        self._conducting = _conducting(exercise.real_car)
        self._fed: dict[str, frozenset[str]] = {}

    def settles(self, edits: Edits) -> bool:
        """Is it certain without a run that these edits mislead nobody?

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
                if line.repairs and not _helped(car.harness, after.harness):
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
        """Is something joined to what the fuse feeds, or a smaller one fitted?"""
        ends = {end for part in car.harness.joined_parts() for end in (part.a, part.b)}
        if fuse not in self._fed:
            self._fed[fuse] = frozenset(conductor(self._conducting, f"{fuse}.2"))
        return fuse in car.harness.fitted_a or not ends.isdisjoint(self._fed[fuse])


def _conducting(car: Car) -> nx.Graph[str]:
    """All terminals of a car, joined where current passes with every switch and relay closed."""
    graph: nx.Graph[str] = nx.Graph()
    graph.add_nodes_from(car.terminals)
    passing = Wire | Contact | RelayContact | HandSwitch | Driver | LoadPart
    graph.add_edges_from((one.a, one.b) for one in car.elements.values() if isinstance(one, passing))
    return graph


def _helped(before: HarnessState, after: HarnessState) -> bool:
    """Did a repair put anything right? A battery that was full is none the better for charging."""
    if after.battery_pct != before.battery_pct:
        return before.battery_pct is not None and before.battery_pct < CHARGED_PCT
    return after != before


def at_work(exercise: Exercise) -> Attempt:
    """An attempt at the depth that the checks of the solution need, which is faster than every frame.

    Raises `EditProblem`, `ImpossibleCar` or `Unsettled` where such a car cannot come in.
    """
    actions = (*exercise.before, *exercise.solution)
    bench = bench_of(Trial(vehicle_text(exercise.car), exercise.arrives, actions, exercise.seed))
    bench.do_all(exercise.before)
    return Attempt(exercise, bench)


@lru_cache(maxsize=16)
def _exercise(text: str) -> Exercise:
    return Exercise.model_validate_json(text)


# -- what it could be --------------------------------------------------------------------------------------


def other_faults(exercise: Exercise) -> tuple[Edits, ...]:
    """Nothing at all, every single fault, and the hidden edits with one of them left out or exchanged."""
    hidden = tuple(parse_edit(text, exercise.real_car).text for text in exercise.arrives)
    single = single_faults(exercise.car)
    if _by_chance(hidden):
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
    """Is this a node or a part of a bus line: `SP.diag.DLC.H`, `GW:diag.terminator`?"""
    return node.replace(":", ".").split(".")[1:2] == [bus]


@lru_cache(maxsize=8)
def single_faults(name: str) -> tuple[str, ...]:
    """Every single fault of a shipped car worth a thought: its catalogue, and what that leaves out."""
    car = car_from_text(vehicle_text(name))
    return (*catalogue(car), *further_faults(car), *_more_faults(car))


def _more_faults(car: Car) -> Iterator[str]:
    """What repairs and retrofits leave in a loom, a relay, a switch, a clamp, and what nobody can see."""
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
