"""What hand and eye alone find out about rivals: no run is needed to know it."""

from __future__ import annotations

from contextlib import suppress

import networkx as nx

from sim.bench.observations import parse_observation
from sim.instruments.inspection import inspection_of
from sim.training.rivals import helped
from sim.training.solved import Edits, Solved, SolvedStep
from sim.vehicle.car import Car
from sim.vehicle.edits import EDIT_VERBS, apply_all, is_theory, parse_edit, verb_of
from sim.vehicle.elements import Contact, Driver, HandSwitch, LoadPart, RelayContact, Wire
from sim.vehicle.problems import EditProblem
from sim.vehicle.terminal_graph import conductor, terminal_graph


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
