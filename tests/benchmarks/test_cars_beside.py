"""Every shipped car in one run, in processor time against the shuttle minibus: a frame and a second.

What a frame costs is what a car saves that sends fewer: the same driving car, then with every period doubled.
Time divided by frames would measure something else on a car with few of them. Of the regional truck's 0.33 ms
for a second with 233 frames, 0.24 ms go to ten DM1 that software sends in it (SAE J1939-73: each controller
once a second); of the small estate's 0.77 ms a third to 180 frames on LIN. So what a car costs for a second
stands beside it, for each of its modules, and the old quotient is shown.
"""

from dataclasses import dataclass
from math import inf
from time import process_time

from sim.bench.bench import Bench, BenchWithoutReasons
from sim.catalogue import find_car, shipped_cars
from sim.network.can import CanNetwork

REFERENCE = "shuttle-minibus"
ASLEEP = "six-modules"  # has neither key nor button, and sleeps when nothing is done
OLD = {"teaching-car", "small-estate", REFERENCE}
FRAMES, REPEATS = 12_000, 7  # in a stretch, so that each car's takes some milliseconds
# For what the machine does beside. Of a second, also for its frames: a module of the hatchback sends 82 in it
# on the average, one of the small estate 49.
MARGINS = {"frame": 1.1, "module_second": 1.25}
STARTS = {"teaching-car": "key run", "regional-truck": "key run"}


@dataclass(frozen=True, slots=True)
class Cost:
    """In ns: of a frame, of a second for each module, and of a second for each frame in it."""

    frame: float
    module_second: float
    second_by_frames: float


def _cost(name: str) -> Cost:
    bench = BenchWithoutReasons(find_car(name))
    bench.do_all(["wait 2 s", STARTS.get(name, "press start with brake"), "wait 5 s"])
    often_ns, often = _of_a_second(bench)
    _double_periods(bench)
    seldom_ns, seldom = _of_a_second(bench)
    assert seldom < 0.75 * often
    modules = len(bench.live.modules)
    return Cost((often_ns - seldom_ns) / (often - seldom), often_ns / modules, often_ns / often)


def _double_periods(bench: Bench) -> None:
    """Every message on CAN that a module repeats, half as often; what gateways pass on follows."""
    network = bench.live.network
    for stream in bench.live.world.streams.values():
        if stream.live and stream.period_s is not None and not bench.live.lin.carries(stream):
            network.stop(stream)
            stream.period_s *= 2
            network.start(stream)
    bench.do("wait 1 s")


def _of_a_second(bench: Bench) -> tuple[float, float]:
    """Processor time of a simulated second in ns, best of some stretches, and its frames on CAN."""
    network = bench.live.network
    assert isinstance(network, CanNetwork)
    before = network.frames_total
    bench.do("wait 1 s")
    stretch_s = round(FRAMES / (network.frames_total - before))
    before, times_s = network.frames_total, []
    for _ in range(REPEATS):
        began = process_time()
        bench.do(f"wait {stretch_s} s")
        times_s.append(process_time() - began)
    return min(times_s) / stretch_s * 1e9, (network.frames_total - before) / REPEATS / stretch_s


def test_newer_cars_cost_no_more_than_older_ones_for_a_frame_and_for_a_second_of_a_module(
    record_property,
) -> None:
    """The van, the truck and the hatchback stay below the most costly of the cars that were there before."""
    costs = {name: _cost(name) for name in shipped_cars() if name != ASLEEP}
    for what in ("frame", "module_second", "second_by_frames"):
        ratios = {
            name: round(getattr(one, what) / getattr(costs[REFERENCE], what), 2)
            for name, one in costs.items()
        }
        record_property(f"{what}_against_minibus", ratios)
        print(f"\n{what}: {getattr(costs[REFERENCE], what):,.0f} ns on {REFERENCE}; against it {ratios}")
        oldest = max(ratio for name, ratio in ratios.items() if name in OLD)
        most = MARGINS.get(what, inf) * oldest  # the quotient is shown, not judged
        assert [] == [name for name, ratio in ratios.items() if name not in OLD and ratio > most]
