"""The yardstick of the benchmarks: timeouts of a bare SimPy, in the same moment on the same machine."""

from time import process_time

from simpy import Environment


def timeouts_per_second(count: int = 60_000) -> float:
    """Timeouts per second of processor time of one process that waits, again and again."""
    env = Environment()

    def wait():
        while True:
            yield env.timeout(1)

    env.process(wait())
    began = process_time()
    env.run(until=count)
    return count / (process_time() - began)
