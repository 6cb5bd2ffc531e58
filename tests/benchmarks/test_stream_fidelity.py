"""How fast the whole minibus runs at stream fidelity, measured against bare SimPy and frame fidelity.

The engine runs, all 41 modules are awake and nothing changes: all that is left is arithmetic and the modules'
own timers. The same seconds are run at frame fidelity beside it.
"""

from time import process_time

from sim import scenarios_folder
from sim.bench.bench import Bench, BenchWithoutReasons
from sim.bench.live import Fidelity
from sim.vehicle.reading import read_car
from tests.benchmarks.bare_timeouts import timeouts_per_second

STREAM_S, FRAME_S = 600.0, 5.0
# Measured on two crowded cores: 10,450 simulated s/s, 200 bare timeouts, 17 times frame fidelity.
MOST_TIMEOUTS_PER_S = 300.0
LEAST_RATIO = 8.0


def simulated_s_per_s(fidelity: Fidelity, for_s: float) -> float:
    """Simulated seconds per second of processor time while the minibus drives; best of three."""
    bench: Bench = BenchWithoutReasons(
        read_car(scenarios_folder() / "vehicles" / "shuttle-minibus.yaml"), (), 0, fidelity
    )
    bench.do_all(["wait 12 s", "press start with brake", "wait 10 s"])
    assert "running" == bench.live.world.engine.value
    took_s = []
    for _ in range(3):
        began_s = process_time()
        bench.do(f"wait {for_s:g} s")
        took_s.append(process_time() - began_s)
    assert fidelity == bench.fidelity
    return for_s / min(took_s)


def test_a_running_minibus_at_stream_fidelity(record_property) -> None:
    """Eight times as fast as frame fidelity, and a simulated second for a few hundred bare timeouts."""
    stream, frame = simulated_s_per_s("stream", STREAM_S), simulated_s_per_s("frame", FRAME_S)
    record_property("stream_s_per_s", round(stream))
    record_property("ratio_to_frame_fidelity", round(stream / frame, 1))
    ratio, timeouts = stream / frame, max(timeouts_per_second() for _ in range(3)) / stream
    print(f"\n{stream:,.0f} simulated s/s at stream fidelity, {ratio:.1f} times as many as {frame:,.0f}")
    print(f"a simulated second costs as much as {timeouts:.0f} bare timeouts")
    assert timeouts <= MOST_TIMEOUTS_PER_S
    assert ratio >= LEAST_RATIO
