"""A table of faults: what every set of one or two of some edits shows to a first look and to every check.

The edits are drawn from the car's catalogue circuit by circuit: a module by chance and all between it and
battery and body, until there are enough. Edits drawn one by one have hardly anything to do with each other,
so that any order of checks does.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

import networkx as nx
from pydantic import TypeAdapter

from sim.lab.check_outcomes import brought, outcomes_alike, told_by
from sim.lab.checks import Check, possible_checks
from sim.lab.drive import first_look
from sim.lab.final_state import looked_key, run_and_look
from sim.lab.footprint import opened
from sim.lab.odds import odds
from sim.lab.run import Shown, Trial, sentences
from sim.lab.search_result import PossibleCause
from sim.lab.sequential import DiagnosticTest, Sequencing
from sim.lab.sight import Account
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet
from sim.vehicle.car import Car
from sim.vehicle.edits import catalogue, parse_edit
from sim.vehicle.elements import Contact, FuseLink, RelayContact, Resistor, Wire
from sim.vehicle.problems import Problem
from sim.vehicle.reading import car_from_text

_SEEN = TypeAdapter(tuple[Account, list[Shown]])
CONDUCTORS = (Wire, Contact, FuseLink, RelayContact)


@dataclass(frozen=True)
class FaultTable:
    """What every set of `edits` shows: `problem` has the sets as states, the `checks` as tests.

    `look`: the actions of the first look; `first`: its outcome for each set, before any check.
    """

    vehicle: str
    edits: tuple[str, ...]
    look: tuple[str, ...]
    checks: tuple[Check, ...]
    sets: tuple[tuple[str, ...], ...]
    first: tuple[int, ...]
    problem: Sequencing


def run_table(
    vehicle: str,
    *,
    edits: int = 30,
    listed: Sequence[str] | None = None,
    seed: int = 0,
    workshop: Workshop,
    progress: Progress = quiet,
    stop: Stop = never,
) -> FaultTable:
    """Run every set of up to two of some edits, drawn by chance, through the first look and every check.

    `listed`: the edits to draw from; by default the car's catalogue.
    """
    car = car_from_text(vehicle)
    known = list(catalogue(car) if listed is None else listed)
    some = _drawn(car, known, edits, random.Random(seed))
    checks = [
        one for one in possible_checks(car, [PossibleCause((e,), (), 0.0) for e in some]) if one.passive
    ]
    if not checks:
        raise Problem("none of these faults can be looked for or measured")
    look = first_look(car)
    sets = [one for size in (1, 2) for one in combinations(some, size)]
    texts = tuple(action for check in checks for action in check.actions)
    trials = [Trial(vehicle, sentences(one, car), look) for one in sets]
    keys = {f"row {looked_key(trial, texts)}": k for k, trial in enumerate(trials)}
    items = {key: (trials[k], texts) for key, k in keys.items()}
    seen: dict[int, tuple[Account, list[Shown]]] = {}
    for key, text in workshop.recalled(_seen_text, items, stop=stop):
        seen[keys[key]] = _SEEN.validate_json(text)
        progress(len(seen), len(items))
    real = [k for k in range(len(sets)) if seen[k][0].sights]
    first = outcomes_alike([brought(seen[k][0].sights) for k in real])
    tests = tuple(_tests(checks, [seen[k][1] for k in real]))
    problem = Sequencing(_weights([sets[k] for k in real], car), tests)
    return FaultTable(vehicle, tuple(some), look, tuple(checks), tuple(sets[k] for k in real), first, problem)


def _drawn(car: Car, known: Sequence[str], count: int, dice: random.Random) -> list[str]:
    """Edits of the circuits of modules that are drawn one after another, in the order of the list."""
    opens = {edit: opened(edit, car) or frozenset(parse_edit(edit, car).targets[:1]) for edit in known}
    found: dict[str, None] = {}
    modules = list(car.built.modules)
    for module in dice.sample(modules, len(modules)):
        circuit = _circuit(module, car)
        found |= dict.fromkeys(edit for edit in known if opens[edit] & circuit)
    return sorted(list(found)[:count], key=known.index)


def _circuit(module: str, car: Car) -> frozenset[str]:
    """The contacts of a module's pins, and all on the shortest ways from these to battery and body."""
    graph: nx.Graph[str] = nx.Graph()
    joints = [one for one in car.elements.values() if isinstance(one, Resistor) and one.kind == "joint"]
    parts = [one for one in car.elements.values() if isinstance(one, CONDUCTORS)]
    graph.add_edges_from((one.a, one.b, {"id": one.id}) for one in (*parts, *joints))
    found = {pin.id for pin in car.pins_of(module)}
    for pin in car.pins_of(module):
        for end in ("BAR", "BODY"):
            if pin.id in graph and nx.has_path(graph, pin.id, end):
                found |= {graph.edges[step]["id"] for step in pairwise(nx.shortest_path(graph, pin.id, end))}
    return frozenset(found)


def _seen_text(item: tuple[Trial, tuple[str, ...]]) -> str:
    return _SEEN.dump_json(run_and_look(*item)).decode()


def _tests(checks: Sequence[Check], readings: Sequence[Sequence[Shown]]) -> Iterator[DiagnosticTest]:
    for place, (check, seen) in enumerate(zip(checks, told_by(checks, readings), strict=True)):
        yield DiagnosticTest(f"{place:04d}", check.minutes, outcomes_alike(seen))


def _weights(sets: Sequence[tuple[str, ...]], car: Car) -> tuple[float, ...]:
    """One fault as often as two, each by its odds."""
    total = {size: sum(odds(one, car) for one in sets if len(one) == size) for size in (1, 2)}
    return tuple(odds(one, car) / total[len(one)] for one in sets)
