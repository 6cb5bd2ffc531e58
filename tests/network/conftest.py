"""A recorded network for the tests of the buses."""

import random
from collections.abc import Callable
from functools import cache

import pytest

from sim.network.can import CanNetwork
from sim.network.clock import NanosecondEnvironment
from sim.network.frames import Frame, frame_bits
from sim.network.response_time import PeriodicFrame
from sim.network.streams import Stream, Watch
from sim.wiring.segments import Segment


class Recorded:
    """A network whose calls go into one log, as (what, who, time in ms); the clock must agree with each."""

    def __init__(self, *segments: Segment, seed: int = 0) -> None:
        self.env = NanosecondEnvironment()
        self.log: list[tuple[str, str, float]] = []
        self.net = CanNetwork(
            self.env, seed=seed, on_event=lambda time_s, what, who: self.note(what, who, time_s)
        )
        self.net.set_segments(segments)

    def note(self, what: str, who: str, time_s: float) -> None:
        assert self.env.now == time_s, f"{what} {who}: called at {self.env.now}, told {time_s}"
        self.log.append((what, who, ms(time_s)))

    def tap(self) -> list[tuple[str, float, float]]:
        """Every complete frame from now on, as (sender, start in ms, end in ms)."""
        frames: list[tuple[str, float, float]] = []
        self.net.tap = lambda start_s, end_s, frame, sender: frames.append((sender, ms(start_s), ms(end_s)))
        return frames

    def watch(self, stream: Stream, channel: str, limit_s: float) -> Watch:
        who = f"{channel} of {stream.name}"
        return self.net.watch(
            stream, channel, limit_s, lambda t: self.note("lost", who, t), lambda t: self.note("back", who, t)
        )

    def read(self, stream: Stream, channel: str) -> None:
        """Log what the channel learns from the stream."""
        self.net.on_change(
            stream, channel, lambda s, t: self.note(f"{channel} reads {s.delivered.hex()}", s.name, t)
        )

    def listen(self, channel: str) -> None:
        self.net.listen(channel, lambda frame, sender, t: self.note(f"{channel} gets {frame}", sender, t))

    def at(self, time_s: float, action: Callable[[], object]) -> None:
        """Do something at a time of the SimPy clock."""

        def process():
            yield self.env.timeout(time_s - self.env.now)
            action()

        self.env.process(process())

    def run(self, until_s: float) -> list[tuple[str, str, float]]:
        self.env.run(until=until_s)
        return self.log


def ms(time_s: float) -> float:
    """Milliseconds, to the nanosecond."""
    return round(time_s * 1000, 6)


@pytest.fixture(scope="session")
def recorded() -> type[Recorded]:
    return Recorded


@cache
def data_of_length(can_id: int, bits: int, extended: bool) -> bytes:
    """Data that make a frame exactly so many bits long, without intermission."""
    rng = random.Random(1)
    for alphabet in [b"\x00\x55\x0f\xff", range(256)] * 5000:
        data = bytes(rng.choices(alphabet, k=rng.randint(0, 8)))
        if frame_bits(Frame(can_id, data, extended)) == bits:
            return data
    raise LookupError(f"no frame {can_id:#x} of {bits} bits")


@pytest.fixture(scope="session")
def data_for() -> Callable[[int, int, bool], bytes]:
    return data_of_length


def exact(name: str, frame: Frame, period_s: float) -> PeriodicFrame:
    """The message when it always carries these data."""
    return PeriodicFrame(name, frame.can_id, frame_bits(frame), period_s, frame.extended)
