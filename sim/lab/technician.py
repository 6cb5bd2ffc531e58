"""A scripted technician: how soon hidden faults are found when each next check is chosen in this or that way.

    tables = [run_table(vehicle_text("shuttle-minibus"), edits=30, seed=k, workshop=workshop) for k in (1, 2)]
    result = compare(tables, faults=200, seed=1)
    print(result.lines())
    print(searched(result.hunts["next best"][:20], workshop=workshop).lines())

Edits are drawn from the car's catalogue circuit by circuit: a module by chance and all between it and battery
and body, until there are enough. (Edits drawn one by one have hardly anything to do with each other, so that
any order of checks does.) All single and double faults of them stand in a table: what the first look and
every passive check (looking, measuring) show. Then faults are hidden by chance, one as often as two, each
by its odds (`sim.lab.odds.ODDS`), and the checks are chosen by somebody who knows these odds, from the
suspects left after the first look:

    next best   the most information per shop minute; few suspects: one step ahead (`sim.lab.sequential`)
    fixed       always in the same order, fuses and relays first; a check that can tell nothing is left out
    random      any check that can tell something

Results are in DXC-style figures (`sim.lab.metrics`). In a table the true set cannot be lost. So `searched`
does the same on the car itself: the first look and the checks that were made are done on a bench with the
hidden faults, what was seen goes through the search for suspects (`sim.lab.search`), and its survivors are
compared with those of the table. "Nothing wrong" counts for no suspect: somebody has brought the car in.

Not modelled: checks that mislead, repairs as checks, faults of three or more parts. A car has many more edits
than are drawn: figures of two orders compare with each other, not with a shop.
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

import networkx as nx

from sim.lab.case import CaseStep, Evidence
from sim.lab.final_state import Shown, looked_key, run_and_look
from sim.lab.footprint import opened
from sim.lab.metrics import Diagnosis, Figures, figures
from sim.lab.next_check import Check, brought, outcomes_alike, possible_checks, told_by
from sim.lab.observed import observed
from sim.lab.odds import odds
from sim.lab.run import Account, Trial, sentences
from sim.lab.search import find_causes
from sim.lab.search_result import PossibleCause
from sim.lab.selfcheck import first_look
from sim.lab.sequential import Sequencing, Test, greedy, rollout
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet
from sim.vehicle.car import Car
from sim.vehicle.edits import catalogue
from sim.vehicle.elements import Contact, FuseLink, RelayContact, Resistor, Wire
from sim.vehicle.problems import Problem
from sim.vehicle.reading import car_from_text

CONDUCTORS = (Wire, Contact, FuseLink, RelayContact)
FEW_STATES = 12  # with so few suspects left the next best check is thought one step ahead
Policy = Callable[[Sequencing, frozenset[int], random.Random], Test | None]


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


@dataclass(frozen=True, slots=True)
class Hunt:
    """One hidden set, looked for: the checks that were made, and the sets that are left, by their numbers."""

    table: FaultTable
    hidden: int
    made: tuple[int, ...]
    left: frozenset[int]

    @property
    def minutes(self) -> float:
        """Shop minutes of the checks."""
        return sum(self.table.checks[place].minutes for place in self.made)

    @property
    def survivors(self) -> frozenset[frozenset[str]]:
        """The sets that are left."""
        return frozenset(frozenset(self.table.sets[k]) for k in self.left)

    @property
    def diagnosis(self) -> Diagnosis:
        """The same, to be judged."""
        weights = {frozenset(self.table.sets[k]): self.table.problem.weights[k] for k in sorted(self.left)}
        return Diagnosis(frozenset(self.table.sets[self.hidden]), weights, self.minutes)

    def evidence(self) -> tuple[CaseStep, ...]:
        """What the first look and the checks show on a car with the hidden edits; of a check not the seat."""
        checks = [self.table.checks[place] for place in self.made]
        log = [*self.table.look, *(action for check in checks for action in check.actions)]
        steps = observed(self.table.vehicle, log, given=self.table.sets[self.hidden])
        first = len(self.table.look)
        return (*steps[:first], *(_noted(step) for step in steps[first:]))


@dataclass(frozen=True, slots=True)
class Comparison:
    """Figures of each order of checks over the same hidden faults, and each hunt."""

    hunts: dict[str, tuple[Hunt, ...]]
    by_policy: dict[str, Figures]
    survivors_at_first: float

    def lines(self) -> str:
        """The table as text."""
        head = "check order   minutes: median    mean  survivors  exact  M_err  M_utl"
        rows = [
            f"{name:12} {one.median_minutes:16.1f} {one.mean_minutes:7.1f} {one.median_survivors:10.1f} "
            f"{one.exact_share:6.0%} {one.error:6.2f} {one.utility:6.2f}"
            for name, one in self.by_policy.items()
        ]
        count = len(next(iter(self.hunts.values())))
        first = f"{count} hidden faults; after the first look {self.survivors_at_first:g} suspects (median)"
        return "\n".join([first, head, *rows])


@dataclass(frozen=True, slots=True)
class Searched:
    """Hunts whose evidence went through the search for suspects: those whose true set was lost, those whose
    survivors were others than the table's, and how many runs there were for how many sets.
    """

    hunts: int
    lost: tuple[tuple[str, ...], ...]
    other: tuple[tuple[str, ...], ...]
    runs: int
    candidates: int

    def lines(self) -> str:
        """The result as text."""
        kept, same = self.hunts - len(self.lost), self.hunts - len(self.other)
        words = [
            f"through the search for suspects: {kept} of {self.hunts} true sets are among the survivors, "
            f"{same} times these are the table's; {self.runs} runs for {self.candidates} sets"
        ]
        words += [f"LOST: {' + '.join(one)}" for one in self.lost]
        words += [f"other survivors: {' + '.join(one)}" for one in self.other]
        return "\n".join(words)


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
        account, readings = json.loads(text)
        seen[keys[key]] = Account.from_json(account), [(words, value) for words, value in readings]
        progress(len(seen), len(items))
    real = [k for k in range(len(sets)) if seen[k][0].sights]
    first = outcomes_alike([brought(seen[k][0].sights) for k in real])
    tests = tuple(_tests(checks, [seen[k][1] for k in real]))
    problem = Sequencing(_weights([sets[k] for k in real], car), tests)
    return FaultTable(vehicle, tuple(some), look, tuple(checks), tuple(sets[k] for k in real), first, problem)


def compare(tables: Sequence[FaultTable], *, faults: int = 200, seed: int = 0) -> Comparison:
    """Hide so many faults by chance, in each table in turn, and look for them in each order."""
    dice = random.Random(seed)
    turns = [tables[k % len(tables)] for k in range(faults)]
    hidden = [(one, dice.choices(range(len(one.sets)), one.problem.weights)[0]) for one in turns]
    hunts = {
        name: tuple(_hunted(table, one, policy, dice) for table, one in hidden)
        for name, policy in POLICIES.items()
    }
    found = {
        name: figures([hunt.diagnosis for hunt in some], max(len(table.edits) for table in tables))
        for name, some in hunts.items()
    }
    counts = sorted(len(_start(table, one)) for table, one in hidden)
    return Comparison(hunts, found, counts[len(counts) // 2])


def searched(
    hunts: Sequence[Hunt], *, workshop: Workshop, progress: Progress = quiet, stop: Stop = never
) -> Searched:
    """What the search for suspects says of the evidence of these hunts, each gathered on a car of its own."""
    lost, other, runs, candidates = [], [], 0, 0
    for place, hunt in enumerate(hunts):
        progress(place, len(hunts))
        table = hunt.table
        found = find_causes(table.vehicle, hunt.evidence(), edits=table.edits, workshop=workshop, stop=stop)
        sets = frozenset(frozenset(edits) for one in found.causes for edits in (one.edits, *one.alike))
        if not found.holds(table.sets[hunt.hidden]):
            lost.append(table.sets[hunt.hidden])
        if sets - {frozenset()} != hunt.survivors:
            other.append(table.sets[hunt.hidden])
        runs, candidates = runs + found.runs, candidates + found.candidates
    progress(len(hunts), len(hunts))
    return Searched(len(hunts), tuple(lost), tuple(other), runs, candidates)


def _drawn(car: Car, known: Sequence[str], count: int, dice: random.Random) -> list[str]:
    """Edits of the circuits of modules that are drawn one after another, in the order of the list."""
    opens = {edit: opened(edit, car) or frozenset(edit.split()[1:2]) for edit in known}
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
    account, readings = run_and_look(*item)
    return json.dumps([account.as_json(), readings])


def _tests(checks: Sequence[Check], readings: Sequence[Sequence[Shown]]) -> Iterator[Test]:
    for place, (check, seen) in enumerate(zip(checks, told_by(checks, readings), strict=True)):
        yield Test(f"{place:04d}", check.minutes, outcomes_alike(seen))


def _weights(sets: Sequence[tuple[str, ...]], car: Car) -> tuple[float, ...]:
    """One fault as often as two, each by its odds."""
    total = {size: sum(odds(one, car) for one in sets if len(one) == size) for size in (1, 2)}
    return tuple(odds(one, car) / total[len(one)] for one in sets)


def _start(table: FaultTable, hidden: int) -> frozenset[int]:
    return frozenset(k for k, one in enumerate(table.first) if one == table.first[hidden])


def _hunted(table: FaultTable, hidden: int, choose: Policy, dice: random.Random) -> Hunt:
    """Check after check, until none can tell the suspects left apart."""
    left, made = _start(table, hidden), []
    while (test := choose(table.problem, left, dice)) is not None:
        made.append(table.problem.tests.index(test))
        left = frozenset(k for k in left if test.outcomes[k] == test.outcomes[hidden])
    return Hunt(table, hidden, tuple(made), left)


def _noted(step: CaseStep) -> CaseStep:
    """Of a check only what it was made for."""
    seen = step.seen
    return CaseStep(do=step.do, seen=Evidence(reads=seen.reads, within=seen.within, shows=seen.shows))


def _next_best(problem: Sequencing, left: frozenset[int], dice: random.Random) -> Test | None:
    return (rollout if len(left) <= FEW_STATES else greedy)(problem, left)


def _fixed(problem: Sequencing, left: frozenset[int], dice: random.Random) -> Test | None:
    return min(problem.useful(left), key=lambda test: test.name, default=None)


def _random(problem: Sequencing, left: frozenset[int], dice: random.Random) -> Test | None:
    useful = problem.useful(left)
    return dice.choice(useful) if useful else None


POLICIES: dict[str, Policy] = {"next best": _next_best, "fixed": _fixed, "random": _random}
