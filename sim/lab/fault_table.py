"""A table of faults: what sets of one or two of some edits show to a first look and to every check.

The edits are drawn from the car's catalogue circuit by circuit: a module by chance and all between it and
battery and body, until there are enough. Edits drawn one by one have hardly anything to do with each other,
so that any order of checks does. Theories about the design of the same modules may be among them.
"""

from __future__ import annotations

import random
from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, combinations, pairwise, zip_longest

import networkx as nx
from pydantic import TypeAdapter

from sim.lab.check_outcomes import brought, outcomes_alike, told_by
from sim.lab.checks import Check, possible_checks
from sim.lab.compare import reliable
from sim.lab.drive import first_look
from sim.lab.endings import Ending, endings
from sim.lab.final_state import looked_key, run_and_look
from sim.lab.footprint import opened
from sim.lab.odds import odds
from sim.lab.run import Shown, Trial, content_key, sentences
from sim.lab.search_result import PossibleCause
from sim.lab.sequential import DiagnosticTest, Sequencing
from sim.lab.sight import Account, Sight
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet
from sim.vehicle.car import Car
from sim.vehicle.codes import lost_communication_code
from sim.vehicle.edit import Sightings
from sim.vehicle.edits import catalogue, is_theory, parse_edit, possible_theories
from sim.vehicle.elements import Contact, FuseLink, RelayContact, Resistor, Wire
from sim.vehicle.own_codes import own_codes
from sim.vehicle.problems import Problem
from sim.vehicle.reading import car_from_text

Row = tuple[
    Account, list[Shown], list[tuple[Sight, ...]]
]  # first look, what is read then, checks that change
Edits = tuple[str, ...]
_ROW = TypeAdapter(Row)
LEAST_MODULES = 2  # that theories are about: one waits for another
CONDUCTORS = (Wire, Contact, FuseLink, RelayContact)


@dataclass(frozen=True)
class FaultTable:
    """What some sets of `edits` show: `problem` has the sets as states, the `checks` as tests.

    `look`: the actions of the first look; `first`: its outcome for each set, before any check. `noticed`: the
    sets with which the car looks otherwise than it should at the first look.
    """

    vehicle: str
    edits: Edits
    look: Edits
    checks: tuple[Check, ...]
    sets: tuple[Edits, ...]
    first: tuple[int, ...]
    problem: Sequencing
    noticed: frozenset[int]


def run_table(
    vehicle: str,
    *,
    edits: int = 30,
    listed: Sequence[str] | None = None,
    theories: int = 0,
    pairs: int | None = None,
    every_kind: bool = False,
    seed: int = 0,
    workshop: Workshop,
    progress: Progress = quiet,
    stop: Stop = never,
) -> FaultTable:
    """Run sets of up to two of some edits, drawn by chance, through the first look and every check.

    `listed`: the edits to draw from; by default the car's catalogue. `theories`: so many about the design of
    the same modules, too. `pairs`: so many pairs by chance; by default all. `every_kind`: checks that change
    the car as well.
    """
    car, dice = car_from_text(vehicle), random.Random(seed)
    known = list(catalogue(car) if listed is None else listed)
    some, modules = _drawn(car, known, edits, dice)
    some += _theories(car, modules, some, theories, dice)
    checks = possible_checks(car, [PossibleCause((one,), (), 0.0) for one in some])
    checks = tuple(check for check in checks if check.passive or every_kind)
    if not checks:
        raise Problem("none of these faults can be looked for or measured")
    look, twos = first_look(car), list(combinations(some, 2))
    chosen = twos if pairs is None else dice.sample(twos, min(pairs, len(twos)))
    sets: list[Edits] = [(), *((one,) for one in some), *chosen]
    trials = [Trial(vehicle, sentences(one, car), look) for one in sets]
    rows = _rows(trials, checks, workshop, progress, stop)
    real = [k for k in range(len(sets)) if rows[k][0].sights]
    first = outcomes_alike([brought(rows[k][0].sights) for k in real])
    faulty = real[1:]  # the first is the car as it should be
    tests = tuple(_tests(checks, [rows[k] for k in faulty]))
    problem = Sequencing(_weights([sets[k] for k in faulty], car), tests)
    noticed = frozenset(k for k, one in enumerate(first[1:]) if one != first[0])
    kept = tuple(sets[k] for k in faulty)
    return FaultTable(vehicle, tuple(some), look, checks, kept, first[1:], problem, noticed)


def _rows(
    trials: Sequence[Trial], checks: Sequence[Check], workshop: Workshop, progress: Progress, stop: Stop
) -> list[Row]:
    texts = tuple(action for check in checks if check.passive for action in check.actions)
    lists = tuple(check.actions for check in checks if not check.passive)
    keys = {
        content_key("row", looked_key(trial, texts), [list(one) for one in lists]): k
        for k, trial in enumerate(trials)
    }
    items = {key: (trials[k], texts, lists) for key, k in keys.items()}
    seen: dict[int, Row] = {}
    for key, text in workshop.recalled(_row_text, items, stop=stop):
        seen[keys[key]] = _ROW.validate_json(text)
        progress(len(seen), len(items))
    return [seen[k] for k in range(len(trials))]


def _row_text(item: tuple[Trial, Edits, tuple[Ending, ...]]) -> str:
    trial, texts, lists = item
    account, readings = run_and_look(trial, texts)
    return _ROW.dump_json((account, readings, list(endings(trial, lists)))).decode()


def _drawn(car: Car, known: Sequence[str], count: int, dice: random.Random) -> tuple[list[str], list[str]]:
    """Edits of the circuits of modules that are drawn one after another, in the order of the list; and these
    modules.
    """
    opens = {edit: opened(edit, car) or frozenset(parse_edit(edit, car).targets[:1]) for edit in known}
    found: dict[str, None] = {}
    drawn: list[str] = []
    modules = list(car.built.modules)
    for module in dice.sample(modules, len(modules)):
        circuit = _circuit(module, car)
        found |= dict.fromkeys(edit for edit in known if opens[edit] & circuit)
        drawn += [module] if len(found) < count or len(drawn) < LEAST_MODULES else []
    return sorted(list(found)[:count], key=known.index), drawn


def _theories(
    car: Car, modules: Sequence[str], some: Sequence[str], count: int, dice: random.Random
) -> list[str]:
    """Theories about these modules, each sort in turn; those first that have to do with the edits."""
    missed = {lost_communication_code(car.built.modules[name].role or name) for name in modules}
    told = ((name, code) for name in car.built.modules for code in own_codes(car.built, name))
    named = frozenset([*modules, *(parse_edit(text, car).targets[0] for text in some)])
    others = frozenset(car.built.modules) - set(modules)
    seen = Sightings(frozenset(modules), others, named, tuple(one for one in told if one[1] in missed))
    sorts = [dice.sample(one, len(one)) for one in possible_theories(car, seen).values()]
    near = [sorted(one, key=lambda text: -len(named.intersection(text.split()))) for one in sorts]
    dealt = dict.fromkeys(one for one in chain.from_iterable(zip_longest(*near)) if one is not None)
    return list(dealt)[:count]


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


def _tests(checks: Sequence[Check], rows: Sequence[Row]) -> Iterator[DiagnosticTest]:
    passive = [check for check in checks if check.passive]
    told = iter(told_by(passive, [readings for _, readings, _ in rows]))
    changed = iter(range(len(checks)))
    for place, check in enumerate(checks):
        at = None if check.passive else next(changed)
        shown = next(told) if at is None else reliable([brought(ends[at]) for _, _, ends in rows])
        yield DiagnosticTest(f"{place:04d}", check.minutes, outcomes_alike(shown))


def _weights(sets: Sequence[Edits], car: Car) -> tuple[float, ...]:
    """One fault as often as two, and these as often as what has a theory in it; each by its odds."""
    sorts: list[Hashable] = ["theory" if any(map(is_theory, one)) else len(one) for one in sets]
    total = dict.fromkeys(sorts, 0.0)
    for sort, one in zip(sorts, sets, strict=True):
        total[sort] += odds(one, car)
    return tuple(odds(one, car) / total[sort] for sort, one in zip(sorts, sets, strict=True))
