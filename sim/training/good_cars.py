"""Cars with nothing wrong, to compare an exercise's car with: driven into the bay once for all that ask."""

from __future__ import annotations

from functools import lru_cache, partial

from sim.bench.bench import Bench, BenchWithoutReasons
from sim.bench.live import Fidelity
from sim.bench.snapshot import StartedOnce
from sim.catalogue import vehicle_text
from sim.training.exercise import Exercise
from sim.vehicle.reading import car_from_text

MOST_KEPT = 8  # cars; exercises of one car often come in alike


def good_car_like(exercise: Exercise, fidelity: Fidelity) -> Bench:
    """Return a bench of its own: the exercise's car as it comes in if nothing is wrong with it."""
    return _driven_in_once(exercise.car, exercise.before, exercise.seed, fidelity).bench()


@lru_cache(maxsize=MOST_KEPT)
def _driven_in_once(car: str, before: tuple[str, ...], seed: int, fidelity: Fidelity) -> StartedOnce:
    return StartedOnce(partial(_driven_in, car, before, seed, fidelity))


def _driven_in(car: str, before: tuple[str, ...], seed: int, fidelity: Fidelity) -> Bench:
    bench = BenchWithoutReasons(car_from_text(vehicle_text(car)), (), seed, fidelity)
    bench.do_all(before)
    return bench
