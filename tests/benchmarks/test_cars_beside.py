"""Every shipped car in one run: what a frame costs on it, in processor time against the shuttle minibus."""

from time import process_time

from sim.bench.bench import BenchWithoutReasons
from sim.catalogue import find_car, shipped_cars
from sim.network.can import CanNetwork

REFERENCE = "shuttle-minibus"
ASLEEP = "six-modules"  # has neither key nor button, and sleeps when nothing is done
OLD = {"teaching-car", "small-estate", REFERENCE}
DRIVEN_S, REPEATS = 20, 3
# a LIN schedule, timers and relays cost time as well, which a car with few frames counts to each of them
MARGIN = 1.1
STARTS = {"teaching-car": "key run", "regional-truck": "key run"}


def _ns_per_frame(name: str) -> float:
    """Processor time for a frame, in ns, while all modules of a car talk; best of some stretches."""
    bench = BenchWithoutReasons(find_car(name))
    bench.do_all(["wait 2 s", STARTS.get(name, "press start with brake"), "wait 5 s"])
    network = bench.live.network
    assert isinstance(network, CanNetwork)
    before, times_s = network.frames_total, []
    for _ in range(REPEATS):
        began = process_time()
        bench.do(f"wait {DRIVEN_S} s")
        times_s.append(process_time() - began)
    return min(times_s) / ((network.frames_total - before) / REPEATS) * 1e9


def test_a_frame_costs_no_more_on_the_newer_cars_than_on_the_older(record_property) -> None:
    """The van, the truck and the hatchback stay below the most costly of the cars that were there before."""
    costs = {name: _ns_per_frame(name) for name in shipped_cars() if name != ASLEEP}
    ratios = {name: round(cost / costs[REFERENCE], 2) for name, cost in sorted(costs.items())}
    record_property("frame_against_minibus", ratios)
    print("", *(f"{name}: {ratio:.2f} of a frame on {REFERENCE}" for name, ratio in ratios.items()), sep="\n")
    oldest = max(ratio for name, ratio in ratios.items() if name in OLD)
    assert [] == [name for name, ratio in ratios.items() if name not in OLD and ratio > MARGIN * oldest]
