"""A day that begins later is the same day, event by event: nothing depends on when the clock began.

`BUSBAY_SHIFTED_DAYS` sets how many random days each car lives; the suite lives 2, 200 is the long run.
"""

from __future__ import annotations

import os
import random

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.live import Fidelity, LiveCar
from sim.network.clock import to_ns
from sim.vehicle.car import Car
from sim.vehicle.edits import catalogue
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import read_car

DAYS = int(os.environ.get("BUSBAY_SHIFTED_DAYS", "2"))
SHIFT_NS = 7_300_000_000
CARS = ("six-modules", "teaching-car", "small-estate", "shuttle-minibus", "regional-truck", "city-hatchback")
HANDS = (
    "wait 3 s", "wait 20 s", "wait 0.4 s", "press start", "press start with brake", "key run", "key crank",
    "key off", "scan", "clear", "fob away", "fob in range", "unplug BAT.NEG", "plug BAT.NEG",
)  # fmt: skip


class LaterCar(LiveCar):
    """A live car whose clock begins 7.3 s later."""

    def __init__(self, car: Car, seed: int = 0, fidelity: Fidelity = "frame") -> None:
        super().__init__(car, seed, fidelity, SHIFT_NS)


class LaterBench(Bench):
    """A bench whose day begins 7.3 s later."""

    live_car = LaterCar


def day(name: str, number: int, car: Car) -> tuple[list[str], list[str]]:
    """Given faults and actions of one random day."""
    dice = random.Random(f"{name} {number} shifted")
    faults = catalogue(car)
    given = list(dict.fromkeys(dice.choice(faults) for _ in range(dice.randrange(3))))
    return given, [dice.choice([*HANDS, *dice.sample(faults, 3)]) for _ in range(7)]


def lived(bench: Bench, log: list[str], start_ns: int) -> list[tuple[int, str, str, str, tuple[int, ...]]]:
    """Every event of the day: nanoseconds since it began, kind, subject, text, causes."""
    for text in log:
        try:
            bench.do(text)
        except EditProblem as problem:
            bench.live.world.record("problem", "person", str(problem))
    return [
        (to_ns(event.time_s) - start_ns, event.kind, event.subject, event.text, event.causes)
        for event in bench.trace.events
    ]


@pytest.mark.parametrize("number", range(DAYS))
@pytest.mark.parametrize("name", CARS)
@pytest.mark.parametrize("fidelity", ["frame", "stream"])
def test_a_day_that_begins_later_is_the_same_day(name: str, number: int, fidelity: Fidelity) -> None:
    """The same events in the same order, to the nanosecond, 7.3 s later."""
    car = read_car(scenarios_folder() / "vehicles" / f"{name}.yaml")
    given, log = day(name, number, car)
    now = lived(Bench(car, given, number, fidelity), log, 0)
    assert now == lived(LaterBench(car, given, number, fidelity), log, SHIFT_NS)
    assert len(now) >= 10
