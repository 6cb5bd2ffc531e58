"""The search for causes against brute force, at night: every kind of fault, with theories, on three cars.

    .venv/bin/python -m tests.benchmarks.search_agrees --seeds 5

For each seed a fault or two are hidden, searched for, and pairs drawn by chance are run by themselves. The
verbs of a car have their turn, so many each seed, so that all are drawn once there are enough seeds. Prints a
line for each and a sum; exit code 1 where a hidden set is lost or a run says otherwise than the search.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from collections.abc import Sequence

from sim.catalogue import vehicle_text
from sim.lab.command_options import faults_to_try
from sim.lab.selfcheck import self_check
from sim.lab.workshop import Workshop
from sim.vehicle.edits import further_kinds, verb_of

CARS = ("six-modules", "teaching-car", "parcel-van")
EDITS, PAIRS, THEORIES = 8, 8, 2


def main() -> int:
    """Check each car with each seed."""
    asked = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    asked.add_argument("--seeds", type=int, default=5)
    asked.add_argument("--first-seed", type=int, default=1)
    asked.add_argument("--cars", nargs="*", default=CARS)
    asked.add_argument("--edits", type=int, default=EDITS)
    asked.add_argument("--pairs", type=int, default=PAIRS)
    asked.add_argument("--workers", type=int, default=1)
    told = asked.parse_args()
    lost = wrong = run = 0
    verbs: set[str] = set()
    possible: set[str] = set()
    with Workshop(workers=told.workers) as workshop:
        for car in told.cars:
            vehicle = vehicle_text(car)
            listed = faults_to_try(vehicle, tuple(further_kinds()))
            possible |= {verb_of(text) for text in listed}
            for seed in range(told.first_seed, told.first_seed + told.seeds):
                start_s = time.process_time()
                drawn = in_turn(listed, told.edits, seed)
                found = self_check(
                    vehicle, edits=told.edits, listed=drawn, pairs=told.pairs, theories=THEORIES, seed=seed,
                    workshop=workshop,
                )  # fmt: skip
                print(f"{car} {seed}: {found.words} ({time.process_time() - start_s:.0f} s)", flush=True)
                lost += not found.found.holds(found.hidden)
                wrong += len(found.wrong)
                run += found.compared
                verbs |= {verb_of(text) for text in found.among}
    print(f"{run} pairs run, {wrong} differ; {lost} hidden sets lost")
    print(f"{len(verbs)} verbs: {' '.join(sorted(verbs))}")
    print(f"not drawn: {' '.join(sorted(possible - verbs)) or 'none'}")
    return 1 if lost or wrong else 0


def in_turn(listed: Sequence[str], count: int, turn: int) -> tuple[str, ...]:
    """The edits of so many verbs, each turn (from 1) of the next ones in an order by chance."""
    verbs = sorted({verb_of(text) for text in listed})
    random.Random(len(verbs)).shuffle(verbs)
    chosen = {verbs[(count * (turn - 1) + k) % len(verbs)] for k in range(count)}
    return tuple(text for text in listed if verb_of(text) in chosen)


if __name__ == "__main__":
    sys.exit(main())
