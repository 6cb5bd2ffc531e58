"""What the advice and the plans of the lab save: hidden faults, pairs and theories on three cars.

    .venv/bin/python -m tests.benchmarks.advice --faults 200

For each car a table of faults is run (`sim.lab.fault_table`), faults are hidden by their odds, and minutes to
isolation are compared (`sim.lab.technician`). `least` is the tree of least expected minutes by bounded AND/OR
search, `proven` how often no tree takes less. Then what was seen is gathered on a car of its own and searched
(`--searched` of the hidden sets): the true set must be among the survivors. A car's lines come when it is
done; with `--cache FOLDER` a second call goes on from the finished runs. At last as many faults are hidden in
all cars by turns. Exit code 1 where a true set is lost, or where neither of the two promises of
`sim.lab.technician` is kept over all cars: the median of a few dozen of one car moves by a check.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from sim.catalogue import vehicle_text
from sim.lab.fault_table import FaultTable, run_table
from sim.lab.run_cache import Cache
from sim.lab.technician import POLICIES, Comparison, compare, searched
from sim.lab.workshop import Workshop

CARS = ("six-modules", "teaching-car", "parcel-van")
PROMISED = ("next best", "plan")


def main() -> int:
    """Measure each car, then all of them together."""
    asked = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    asked.add_argument("--faults", type=int, default=200, help="hidden sets, over all cars")
    asked.add_argument("--searched", type=int, default=200, help="of these, whose evidence is searched")
    asked.add_argument("--cars", nargs="*", default=CARS)
    asked.add_argument("--edits", type=int, default=20)
    asked.add_argument("--theories", type=int, default=6)
    asked.add_argument("--pairs", type=int, default=100)
    asked.add_argument("--among", type=int, default=8, help="edits that a search is made among")
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--workers", type=int, default=1)
    asked.add_argument("--cache", type=Path, help="a folder for finished runs, to go on from")
    told = asked.parse_args()
    share = -(-told.faults // len(told.cars))
    kept, tables = True, []
    with Workshop(workers=told.workers, cache=Cache(told.cache) if told.cache else None) as workshop:
        for car in told.cars:
            vehicle = vehicle_text(car)
            table = run_table(
                vehicle, edits=told.edits, theories=told.theories, pairs=told.pairs, every_kind=True,
                seed=told.seed, workshop=workshop,
            )  # fmt: skip
            tables.append(table)
            result = compare([table], faults=share, seed=told.seed)
            print(f"{car}: {size_words(table)}; {result.words}; proven {result.proven:.0%}")
            print("\n".join(lines(result)), flush=True)
            some = result.hunts["next best"][: -(-told.searched // len(told.cars))]
            found = searched(some, among=told.among, workshop=workshop)
            print(f"{found.lines()}\n", flush=True)
            kept = kept and not found.lost and not found.other
    result = compare(tables, faults=told.faults, seed=told.seed)
    print(f"all cars: {result.words}; proven {result.proven:.0%}")
    print("\n".join(lines(result)))
    return 0 if kept and all(map(result.verdict, PROMISED)) else 1


def size_words(table: FaultTable) -> str:
    """How large a table is."""
    passive = sum(check.passive for check in table.checks)
    changing = len(table.checks) - passive
    return f"{len(table.sets)} sets, {passive} checks that change nothing and {changing} that do"


def lines(result: Comparison) -> list[str]:
    """A line for each order of checks."""
    head = f"{'order':12}{'median':>8}{'mean':>8}{'left':>6}  promise"
    rows = (
        f"{name:12}{one.median_minutes:8.1f}{one.mean_minutes:8.2f}{one.median_survivors:6g}  "
        f"{(result.verdict(name) or 'NOT KEPT') if name in PROMISED else ''}"
        for name, one in ((name, result.by_policy[name]) for name in POLICIES)
    )
    return [head, *rows]


if __name__ == "__main__":
    sys.exit(main())
