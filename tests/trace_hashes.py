"""Hashes of everything that a run shows, to be compared before and after a change of structure.

python -m tests.trace_hashes --lists 1000 --out before.txt
python -m tests.trace_hashes --lists 1000 --against before.txt     # names each run that differs, exits 1

A run is a seeded random list of actions on a shipped car with random given edits, or the solution of an
exercise with one of its faults. All run at the fidelity that a bench takes by itself, every fourth at the
other one, too. Hashed are sentences, refusals, every event (time, kind, subject, text, causes), reports,
readings, states, codes with their status, and the seat; no name of a class or a module.

Not modeled: drawings of a scope, single frames, the shop's minutes and the score of an exercise.
"""

from __future__ import annotations

import argparse
import hashlib
import random
import sys
from collections.abc import Iterable, Iterator
from functools import cache
from multiprocessing import get_context
from pathlib import Path
from typing import Any

# All that is used of the program; where one of its names changes, it changes here and in the functions below.
from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.instruments.read import shown
from sim.instruments.seat import seat_of
from sim.training.exercise import Exercise, read_exercise
from sim.vehicle.car import Car
from sim.vehicle.edits import catalogue
from sim.vehicle.problems import Problem
from sim.vehicle.reading import read_car


def bench_of(car: Car, given: Iterable[str], seed: int, other_fidelity: bool) -> Bench:
    return Bench(car, given, seed, "stream") if other_fidelity else Bench(car, given, seed)


def told_by_report(bench: Bench) -> Iterator[object]:
    report = bench.last_report
    if report is None:
        return
    yield "report", report.time_s, report.power
    for entry in report.modules:
        yield entry.module, entry.answers, entry.note, [(code.code, int(code.status)) for code in entry.codes]


def told_by_modules(bench: Bench) -> Iterator[object]:
    for name, module in bench.live.modules.items():
        codes = [(entry.code, int(entry.status)) for entry in module.memory.dtcs]
        yield name, str(module.state), codes


def told_by_seat(bench: Bench) -> Iterator[object]:
    seat = seat_of(bench)
    yield seat.time_s, seat.cluster, seat.engine, seat.ignition, seat.fob
    yield from ((lamp.name, lamp.title, lamp.color, lamp.lit) for lamp in seat.lamps)


def told_by_instrument(bench: Bench) -> Iterator[object]:
    result = shown(bench)
    yield result.action, result.display, result.notes, result.cautions, result.harm


# From here on nothing depends on names in the program.

PROCESSES = 2
SHARE = 4  # every fourth run also at the other fidelity
HANDS = (
    "press start", "press start with brake", "key run", "key crank", "key off", "brake on", "brake off",
    "fob away", "fob in range", "fob at button", "charge 20 %", "clear",
)  # fmt: skip
OBSERVATIONS = ("measure", "load", "scope", "look")

Job = tuple[str, int, bool]  # car or exercise, number of the list or of the fault, at the other fidelity?


@cache
def shipped_car(name: str) -> tuple[Car, tuple[str, ...]]:
    car = read_car(scenarios_folder() / "vehicles" / f"{name}.yaml")
    return car, tuple(catalogue(car))


@cache
def shipped_exercise(name: str) -> Exercise:
    return read_exercise(scenarios_folder() / "exercises" / f"{name}.yaml")


def names_in(kind: str) -> list[str]:
    return sorted(path.stem for path in (scenarios_folder() / kind).glob("*.yaml"))


def random_list(name: str, number: int, faults: tuple[str, ...]) -> tuple[list[str], list[str]]:
    """Given edits and a short list of actions, most of them possible."""
    dice = random.Random(f"{name} {number}")
    given = list(dict.fromkeys(dice.choice(faults) for _ in range(dice.randrange(3))))
    pins = [fault.split()[1] for fault in faults if fault.startswith("open ") and fault.count(".") == 2]
    plugs = [fault.removeprefix("unplug ") for fault in faults if fault.startswith("unplug ")]
    actions = []
    for _ in range(dice.randint(3, 6)):
        one, other = dice.sample(pins, 2)
        function = dice.choice(["volts", "ohms", "continuity"])
        choices = [
            dice.choice(HANDS), f"wait {dice.choice([0.05, 0.4, 1.5, 3])} s", dice.choice(faults),
            f"measure {function} {one} to {other}", f"look {dice.choice(plugs)}", "scan",
        ]  # fmt: skip
        actions.append(dice.choices(choices, [5, 5, 4, 2, 1, 1])[0])
    return given, [*actions, "scan"]


def told(bench: Bench, actions: Iterable[str]) -> Iterator[object]:
    """All that a run shows, as plain values."""
    for action in actions:
        yield "do", action
        try:
            words = bench.do(action).words
            yield words
            if action.split(" ", 1)[0] in OBSERVATIONS:
                yield from told_by_instrument(bench)
            elif action == "scan":
                yield from told_by_report(bench)
        except Problem as problem:
            yield "refused", str(problem)
    yield list(bench.log)
    yield from told_by_report(bench)
    yield from told_by_modules(bench)
    yield from told_by_seat(bench)
    for event in bench.trace.events:
        yield event.time_s, str(event.kind), event.subject, event.text, list(event.causes)


def plain(value: Any) -> str:
    """The text of nested plain values; raises `TypeError` where a class of the program would get in."""
    if isinstance(value, tuple | list):
        return f"[{', '.join(map(plain, value))}]"
    if isinstance(value, str):
        return repr(str(value))
    if value is None or type(value) in (bool, int, float):
        return repr(value)
    raise TypeError(f"{value!r} is no plain value")


def digest(values: Iterable[object]) -> str:
    return hashlib.sha256("\n".join(map(plain, values)).encode()).hexdigest()


def run(job: Job) -> tuple[str, str]:
    """The name of a run and its hash."""
    name, number, other = job
    if name in names_in("vehicles"):
        car, faults = shipped_car(name)
        given, actions = random_list(name, number, faults)
        bench = bench_of(car, given, number, other)
    else:
        exercise = shipped_exercise(name).variant(number)
        bench = bench_of(exercise.whole_car, exercise.arrives, exercise.seed, other)
        actions = [*exercise.before, *exercise.solution]
    return f"{name}/{number}{'/other-fidelity' if other else ''}", digest(told(bench, actions))


def jobs(lists: int) -> Iterator[Job]:
    """The random lists in turn over the cars, then every exercise with each of its faults."""
    cars = names_in("vehicles")
    runs = [(cars[place % len(cars)], place // len(cars)) for place in range(lists)]
    for name in names_in("exercises"):
        runs += [(name, number) for number in range(1 + len(shipped_exercise(name).others))]
    for place, (name, number) in enumerate(runs):
        yield name, number, False
        if place // len(cars) % SHARE == 0:
            yield name, number, True


def differences(before: dict[str, str], now: dict[str, str]) -> list[str]:
    """A line for each run that differs, or that only one side has."""
    words = {name: "differs" for name in before.keys() & now.keys() if before[name] != now[name]}
    words |= dict.fromkeys(before.keys() - now.keys(), "is missing now")
    words |= dict.fromkeys(now.keys() - before.keys(), "was not there before")
    return [f"{name} {words[name]}" for name in sorted(words)]


def read_hashes(path: Path) -> dict[str, str]:
    lines = path.read_text(encoding="utf-8").splitlines()
    return {name: sha for name, _, sha in (line.partition(" ") for line in lines)}


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="Hashes of everything that seeded runs show.")
    parser.add_argument("--lists", type=int, default=1000)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--against", type=Path)
    given = parser.parse_args(arguments)
    if given.against and not given.against.is_file():
        parser.error(f"there is no file {given.against}")
    before = read_hashes(given.against) if given.against else None
    with get_context("spawn").Pool(PROCESSES) as pool:
        now = dict(pool.imap(run, jobs(given.lists), chunksize=4))
    lines = [f"{name} {sha}" for name, sha in now.items()]
    if given.out:
        given.out.write_text("\n".join(lines) + "\n", encoding="utf-8")
    if before is None:
        if not given.out:
            print("\n".join(lines))
        return 0
    found = differences(before, now)
    print("\n".join([*found, f"{len(now)} runs, {len(found)} differ"]))
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
