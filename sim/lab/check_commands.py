"""Checks of the lab itself from the command line: the search against brute force, what its advice saves."""

from __future__ import annotations

from dataclasses import dataclass

import click

from sim.catalogue import vehicle_text
from sim.command_line import car_argument, command, print_json, print_table, progress, seed_option
from sim.lab.command_options import Runs, faults_to_try, kind_option, runs_options
from sim.lab.fault_table import run_table
from sim.lab.selfcheck import self_check
from sim.lab.technician import Comparison, compare, searched


@dataclass(frozen=True, slots=True)
class CheckOfSearch:
    """One hidden set: whether the search keeps it, how many pairs were run, and which of them differ."""

    seed: int
    hidden: tuple[str, ...]
    kept: bool
    compared: int
    wrong: tuple[tuple[str, ...], ...]


@command(
    "check-search",
    examples=[
        "check-search teaching-car",
        'check-search shuttle-minibus --times 5 --kind "shorted bus lines"',
    ],
    result=tuple[CheckOfSearch, ...],
)
@car_argument
@kind_option
@click.option("--edits", type=click.IntRange(2), default=60, show_default=True, help="Edits to choose from.")
@click.option("--pairs", type=click.IntRange(1), default=60, show_default=True, help="Pairs to run.")
@click.option("--times", type=click.IntRange(1), default=1, show_default=True, help="How many hidden faults.")
@click.option(
    "--theories", type=click.IntRange(0), default=0, show_default=True, help="So many theories are added."
)
@seed_option
@runs_options
def check_search(
    car: str,
    kinds: tuple[str, ...],
    edits: int,
    pairs: int,
    times: int,
    theories: int,
    seed: int,
    runs: Runs,
    as_json: bool,
) -> int:
    """Compare the search for causes with runs of its own.

    Pairs of edits are drawn by chance and each is run. Exit code 1 where search and runs differ.
    """
    vehicle, rows = vehicle_text(car), []
    listed = faults_to_try(vehicle, kinds)
    with runs.workshop() as workshop:
        for number in range(seed, seed + times):
            with progress("runs") as tell:
                found = self_check(
                    vehicle, edits=edits, listed=listed, pairs=pairs, theories=theories, seed=number,
                    workshop=workshop, progress=tell,
                )  # fmt: skip
            kept = found.found.holds(found.hidden)
            rows.append(CheckOfSearch(number, found.hidden, kept, found.compared, found.wrong))
            if not as_json:
                print(f"seed {number}: {found.words}", flush=True)
    if as_json:
        print_json(rows)
    return 0 if all(one.kept and not one.wrong for one in rows) else 1


@dataclass(frozen=True, slots=True)
class OrderRow:
    """Figures of one order of checks over the same hidden faults."""

    order: str
    median_minutes: float
    mean_minutes: float
    median_survivors: float
    exact_share: float
    error: float
    utility: float


@dataclass(frozen=True, slots=True)
class CheckOfAdvice:
    """How soon hidden faults are found in each order of checks, and what the search made of the evidence."""

    faults: int
    orders: tuple[OrderRow, ...]
    searched: int
    lost: tuple[tuple[str, ...], ...]
    other: tuple[tuple[str, ...], ...]


@command(
    "check-advice",
    examples=["check-advice shuttle-minibus", "check-advice teaching-car --faults 50 --searched 50"],
    result=CheckOfAdvice,
)
@car_argument
@kind_option
@click.option("--edits", type=click.IntRange(2), default=24, show_default=True, help="Edits to choose from.")
@click.option("--faults", type=click.IntRange(1), default=200, show_default=True, help="Hidden faults.")
@click.option(
    "--draws",
    type=click.IntRange(1),
    default=2,
    show_default=True,
    help="So many times other edits are drawn.",
)
@click.option(
    "--searched",
    "through",
    type=click.IntRange(0),
    default=10,
    show_default=True,
    help="Hidden faults whose evidence the search gets.",
)
@seed_option
@runs_options
def check_advice(
    car: str,
    kinds: tuple[str, ...],
    edits: int,
    faults: int,
    draws: int,
    through: int,
    seed: int,
    runs: Runs,
    as_json: bool,
) -> int:
    """Measure what the next best check saves.

    Minutes to isolation by next best check, fixed order and random order. Exit code 1 where the search for
    possible causes loses a hidden fault, or keeps others than the table of runs.
    """
    vehicle = vehicle_text(car)
    listed = faults_to_try(vehicle, kinds)
    with runs.workshop() as workshop:
        tables = []
        for number in range(seed, seed + max(1, draws)):
            with progress("runs") as tell:
                table = run_table(
                    vehicle, edits=edits, listed=listed, seed=number, workshop=workshop, progress=tell
                )
            tables.append(table)
        result = compare(tables, faults=faults, seed=seed)
        if not as_json:
            _print_orders(result)
        with progress("hunts") as tell:
            found = searched(result.hunts["next best"][:through], workshop=workshop, progress=tell)
    if as_json:
        print_json(CheckOfAdvice(faults, _orders(result), found.hunts, found.lost, found.other))
    else:
        print(found.lines())
    return 1 if found.lost or found.other else 0


def _orders(result: Comparison) -> tuple[OrderRow, ...]:
    return tuple(
        OrderRow(
            name, one.median_minutes, one.mean_minutes, one.median_survivors, one.exact_share, one.error,
            one.utility,
        )
        for name, one in result.by_policy.items()
    )  # fmt: skip


def _print_orders(result: Comparison) -> None:
    print(result.words)
    head = ("check order", "median min", "mean min", "survivors", "exact", "M_err", "M_utl")
    cells = [
        (
            one.order, f"{one.median_minutes:.1f}", f"{one.mean_minutes:.1f}", f"{one.median_survivors:.1f}",
            f"{one.exact_share:.0%}", f"{one.error:.2f}", f"{one.utility:.2f}",
        )
        for one in _orders(result)
    ]  # fmt: skip
    print_table(head, cells)
