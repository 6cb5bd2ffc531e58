"""A car of an exercise as it is first read."""

from sim.bench.bench import Bench
from sim.training.exercise import Exercise


def first_read_bench(exercise: Exercise) -> Bench:
    """The bench after the solution's first actions, up to its first scan."""
    bench = exercise.bench()
    bench.do_all(exercise.solution[: exercise.solution.index("scan") + 1])
    return bench
