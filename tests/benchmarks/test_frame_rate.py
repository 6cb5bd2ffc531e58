"""How fast a minibus's buses run, measured against bare SimPy on the same machine at the same moment."""

import random
from collections import Counter
from time import process_time

from sim.network.can import CanNetwork
from sim.network.clock import NanosecondEnvironment
from sim.network.streams import Stream
from sim.wiring.segments import Segment
from tests.benchmarks.bare_timeouts import timeouts_per_second

# Buses of an invented minibus: bit rate, number of streams, their periods in ms in turn. Periods from 10 ms
# for engine and brakes to 1 s for comfort are common practice.
BUSES = {
    "drive": (500_000, 22, (10, 10, 10, 20, 10, 100, 50, 10, 20, 500, 1000)),
    "chassis": (500_000, 20, (10, 10, 10, 20, 10, 20, 50, 10, 100, 1000)),
    "body": (250_000, 16, (10, 20, 20, 50, 100, 100, 200, 1000)),
    "comfort": (125_000, 12, (20, 50, 100, 100, 200, 1000)),
    "diagnosis": (500_000, 10, (10, 20, 50, 100, 1000)),
}
MODULES_PER_BUS = 8
RECEIVERS = 3
TARGET = 0.5  # frames per bare SimPy timeout


def minibus() -> tuple[NanosecondEnvironment, CanNetwork]:
    """80 streams on five buses, each watched by three receivers with a limit of five periods."""
    env = NanosecondEnvironment()
    network = CanNetwork(env)
    rng = random.Random(1)
    channels = {bus: tuple(f"module {n}.{bus}" for n in range(MODULES_PER_BUS)) for bus in BUSES}
    network.set_segments(Segment(channels[bus], bitrate_bps=rate) for bus, (rate, _, _) in BUSES.items())
    for bus, (_, count, periods_ms) in BUSES.items():
        for number in range(count):
            period_ms = periods_ms[number % len(periods_ms)]
            sender = channels[bus][number % MODULES_PER_BUS]
            offset_s = rng.randrange(period_ms) / 1000
            stream = Stream(
                f"{bus} {number}", sender, 0x100 + 8 * number, period_ms / 1000, offset_s, rng.randbytes(8)
            )
            network.start(stream)
            for receiver in [channel for channel in channels[bus] if channel != sender][:RECEIVERS]:
                network.watch(stream, receiver, 5 * period_ms / 1000, unexpected, unexpected)
    return env, network


def unexpected(time_s: float) -> None:
    raise AssertionError(f"a message was lost at {time_s} s on a healthy bus")


def frames_per_second(env: NanosecondEnvironment, network: CanNetwork, duration_s: float) -> float:
    """Frames per second of processor time."""
    before, began = network.frames_total, process_time()
    env.run(until=env.now + duration_s)
    return (network.frames_total - before) / (process_time() - began)


def test_frames_per_bare_timeout(record_property):
    """A frame costs no more than two bare SimPy timeouts, watches included; best of five pairs."""
    env, network = minibus()
    busy_s: Counter[str] = Counter()
    network.tap = lambda start_s, end_s, frame, sender: busy_s.update(
        {sender.partition(".")[2]: end_s - start_s}
    )
    env.run(until=2)
    network.tap = None
    loads = [round(busy_s[bus] / 2, 2) for bus in BUSES]
    assert 80 == sum(count for _, count, _ in BUSES.values())
    assert all(0.25 <= load <= 0.35 for load in loads[:2]), loads
    pairs = [(frames_per_second(env, network, 8.0), timeouts_per_second()) for _ in range(5)]
    ratio = max(frames / timeouts for frames, timeouts in pairs)
    frames = max(frames for frames, _ in pairs)
    simulated_s_per_s = frames / (network.frames_total / env.now)
    record_property("frames_per_timeout", round(ratio, 3))
    print(
        f"\n{ratio:.2f} frames per bare timeout, {frames:,.0f} frames/s, "
        f"{simulated_s_per_s:,.0f} simulated s/s, loads {loads}"
    )
    assert ratio >= TARGET
