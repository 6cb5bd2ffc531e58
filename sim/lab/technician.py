"""A scripted technician: how soon hidden faults are found when each next check is chosen in this or that way.

    table = run_table(vehicle_text("shuttle-minibus"), edits=30, workshop=workshop)
    result = compare(table, faults=200, seed=1)
    print(result.lines())

Some edits of the car's catalogue are drawn; all single and double faults of them stand in a table: what the
first look and every passive check (looking, measuring) show. Then faults are hidden by chance, and the checks
are chosen from the suspects left after the first look:

    next best   the most information per shop minute; few suspects: one step ahead (`sim.lab.sequential`)
    fixed       always in the same order, fuses and relays first; a check that can tell nothing is left out
    random      any check that can tell something

Results are in DXC-style figures (`sim.lab.metrics`).

Not modelled: checks that mislead, repairs as checks, faults of three or more parts.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

from sim.lab.metrics import Diagnosis, Figures, figures
from sim.lab.next_check import Check, outcomes_alike, possible_checks, shown_by
from sim.lab.run import Account, Trial, sentences
from sim.lab.selfcheck import first_look
from sim.lab.sequential import Problem as Sequencing
from sim.lab.sequential import Test, greedy, rollout
from sim.lab.suspects import Suspect, odds
from sim.lab.workshop import Progress, Stop, Workshop, never, quiet
from sim.vehicle.edits import catalogue
from sim.vehicle.problems import Problem
from sim.vehicle.reading import car_from_text

FEW_STATES = 12  # with so few suspects left the next best check is thought one step ahead
Policy = Callable[[Sequencing, frozenset[int], random.Random], Test | None]


@dataclass(frozen=True)
class Table:
    """What every set of edits shows: `problem` has the sets as states, the checks as tests; `look` is the
    outcome of the first look, before any check.
    """

    sets: tuple[tuple[str, ...], ...]
    look: tuple[int, ...]
    problem: Sequencing
    edits: int


@dataclass(frozen=True, slots=True)
class Comparison:
    """Figures of each policy over the same hidden faults."""

    faults: int
    by_policy: dict[str, Figures]
    survivors_at_first: float

    def lines(self) -> str:
        """The table as text."""
        head = "check order   minutes  survivors   kept  exact  M_err  M_utl"
        rows = [
            f"{name:12} {one.median_minutes:8.1f} {one.median_survivors:10.1f} {one.kept_share:6.0%} "
            f"{one.exact_share:6.0%} {one.error:6.2f} {one.utility:6.2f}"
            for name, one in self.by_policy.items()
        ]
        first = (
            f"{self.faults} hidden faults; after the first look {self.survivors_at_first:g} suspects (median)"
        )
        return "\n".join([first, head, *rows])


def run_table(
    vehicle: str,
    *,
    edits: int = 30,
    seed: int = 0,
    workshop: Workshop,
    progress: Progress = quiet,
    stop: Stop = never,
) -> Table:
    """Run every set of up to two of some edits, drawn by chance, through the first look and all checks."""
    car = car_from_text(vehicle)
    listed = catalogue(car)
    some = sorted(random.Random(seed).sample(listed, min(edits, len(listed))), key=listed.index)
    checks = [one for one in possible_checks(car, [Suspect((e,), (), 0.0) for e in some]) if one.passive]
    if not checks:
        raise Problem("none of these faults can be looked for or measured")
    look = first_look(car)
    sets = [one for size in (1, 2) for one in combinations(some, size)]
    actions = (*look, *(action for check in checks for action in check.actions))
    trials = [Trial(vehicle, sentences(one, car), actions) for one in sets]
    accounts = workshop.run(trials, progress=progress, stop=stop)
    real = [k for k, account in enumerate(accounts) if account.sights]
    first = outcomes_alike([shown_by(accounts[k].sights[: len(look)], False) for k in real])
    tests = tuple(_tests(checks, [accounts[k] for k in real], len(look)))
    problem = Sequencing(tuple(odds(sets[k], car) for k in real), tests)
    return Table(tuple(sets[k] for k in real), first, problem, len(some))


def compare(table: Table, *, faults: int = 200, seed: int = 0) -> Comparison:
    """Hide so many faults by chance and let each policy find them."""
    dice = random.Random(seed)
    by_size = [[k for k, one in enumerate(table.sets) if len(one) == size] for size in (1, 2)]
    hidden = [dice.choice(dice.choice(by_size)) for _ in range(faults)]
    start = [frozenset(k for k, one in enumerate(table.look) if one == table.look[h]) for h in hidden]
    cases = list(zip(hidden, start, strict=True))
    found = {
        name: figures([_isolated(table, one, left, policy, dice) for one, left in cases], table.edits)
        for name, policy in POLICIES.items()
    }
    counts = sorted(len(one) for one in start)
    return Comparison(faults, found, counts[len(counts) // 2])


def _tests(checks: Sequence[Check], accounts: Sequence[Account], first: int) -> Iterator[Test]:
    at = first
    for place, check in enumerate(checks):
        end = at + len(check.actions)
        shown = [shown_by(account.sights[at:end], True) for account in accounts]
        yield Test(f"{place:04d} {check.title}", check.minutes, outcomes_alike(shown))
        at = end


def _isolated(
    table: Table, hidden: int, left: frozenset[int], choose: Policy, dice: random.Random
) -> Diagnosis:
    """Check after check, until none can tell the suspects left apart."""
    minutes = 0.0
    while (test := choose(table.problem, left, dice)) is not None:
        minutes += test.cost
        left = frozenset(k for k in left if test.outcomes[k] == test.outcomes[hidden])
    weights = {frozenset(table.sets[k]): table.problem.weights[k] for k in sorted(left)}
    return Diagnosis(frozenset(table.sets[hidden]), weights, minutes)


def _next_best(problem: Sequencing, left: frozenset[int], dice: random.Random) -> Test | None:
    return (rollout if len(left) <= FEW_STATES else greedy)(problem, left)


def _fixed(problem: Sequencing, left: frozenset[int], dice: random.Random) -> Test | None:
    return min(problem.useful(left), key=lambda test: test.name, default=None)


def _random(problem: Sequencing, left: frozenset[int], dice: random.Random) -> Test | None:
    useful = problem.useful(left)
    return dice.choice(useful) if useful else None


POLICIES: dict[str, Policy] = {"next best": _next_best, "fixed": _fixed, "random": _random}
