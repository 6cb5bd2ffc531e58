"""Random days of a small car: what receivers are told follows from the frames on the wire."""

import random

import pytest

from sim.network.frames import Frame
from sim.network.streams import Stream
from sim.wiring.segments import Segment
from tests.hash_seeds import printed

CHANNELS = tuple("abcdef")
END_MS = 300
ATTEMPT_MS = 1.3  # the longest attempt of a lone transmitter: 162 bits at 125 kbit/s


def random_segments(rng):
    """Some channels in up to three segments, some nowhere, now and then one that only listens."""
    channels = rng.sample(CHANNELS, len(CHANNELS))
    cuts = sorted(rng.sample(range(1, len(channels) + 1), 2))
    groups = [channels[: cuts[0]], channels[cuts[0] : cuts[1]]]
    if rng.random() < 0.3:
        groups.append(channels[cuts[1] :])
    segments = []
    for group in groups:
        listeners = (group.pop(),) if len(group) > 2 and rng.random() < 0.3 else ()
        segments.append(Segment(tuple(group), listeners, rng.choice((125_000, 125_000, 125_000, 500_000))))
    return segments


class Day:
    """A script of segment changes, starts, stops, new data and single frames, drawn from a seed."""

    def __init__(self, recorded, seed):
        rng = random.Random(seed)
        first = random_segments(rng)
        self.car = car = recorded(*first)
        self.history = [(0.0, first)]
        self.frames = []
        self.streams = [
            Stream(
                f"s{n}",
                rng.choice(CHANNELS),
                n + 0x100,
                rng.choice((0.005, 0.01, 0.02)),
                rng.randrange(10_000) / 1e6,
            )
            for n in range(6)
        ]
        self.watches = []
        for stream in self.streams:
            car.net.start(stream)
            for channel in sorted(set(rng.sample(CHANNELS, 3)) - {stream.channel}):
                limit_s = rng.choice((0.012, 0.03, 0.055))
                car.watch(stream, channel, limit_s)
                self.watches.append((stream, channel, limit_s * 1000))
        copy = Stream("copy", "f", 0x080, None)
        car.net.start(copy)
        car.net.forward(self.streams[0], "e", copy, 0.0005)
        for channel in CHANNELS:
            car.listen(channel)
            car.read(self.streams[1], channel)
        for number in range(40):
            # an odd nanosecond, so that no change falls on the end of a frame
            car.at((rng.randrange(END_MS * 500_000) * 2 + 1) / 1e9, self.action(rng, number))

    def action(self, rng, number):
        car, stream, kind = self.car, rng.choice(self.streams), rng.randrange(5)
        data, channel, segments = bytes([number]), rng.choice(CHANNELS), random_segments(rng)

        def change():
            self.history.append((car.env.now * 1000, segments))
            car.net.set_segments(segments)

        return (
            change,
            lambda: car.net.stop(stream),
            lambda: stream.live or car.net.start(stream),
            lambda: car.net.set_data(stream, data),
            lambda: car.net.send(channel, Frame(0x600 + number, data)),
        )[kind]

    def run(self):
        return self.car.run(END_MS / 1000)

    def was_alone(self, channel, since_ms, until_ms):
        """Whether the channel shared no segment with another member at any time in between."""
        begun = max(n for n, (time_ms, _) in enumerate(self.history) if time_ms <= max(0.0, since_ms))
        return any(
            not any(channel in s.members and len(s.members) > 1 for s in segments)
            for time_ms, segments in self.history[begun:]
            if time_ms <= until_ms
        )

    def reaches(self, sender, channel, start_ms, end_ms):
        """Whether the channel shared a segment with the sender from the frame's start to its end."""
        states = [segments for since, segments in self.history if since < end_ms]
        begun = len([since for since, _ in self.history if since <= start_ms]) - 1
        return all(
            any(sender in s.members and channel in s.members + s.listeners for s in segments)
            for segments in states[begun:]
        )


@pytest.mark.parametrize("seed", range(40))
def test_calls_follow_from_the_wire(recorded, seed):
    """Every lost and back call is what the complete frames and the segments of the day give, and no other.

    Left out is who was a lone transmitter until just before a frame: busy with its own attempt, it may miss
    it.
    """
    day = Day(recorded, seed)
    by_id = {stream.can_id: stream for stream in day.streams}
    received = {(stream, channel): [] for stream, channel, _ in day.watches}
    doubtful = set()

    def tap(start_s, end_s, frame, sender):
        stream = by_id.get(frame.can_id)
        for other, channel in received:
            if other is stream and day.reaches(sender, channel, start_s * 1000, end_s * 1000):
                received[other, channel].append(round(end_s * 1000, 6))
                if day.was_alone(channel, start_s * 1000 - ATTEMPT_MS, start_s * 1000):
                    doubtful.add((stream, channel))

    day.car.net.tap = tap
    log = [entry for entry in day.run() if entry[0] in ("lost", "back")]
    expected = []
    watches = [watch for watch in day.watches if watch[:2] not in doubtful]
    assert len(watches) > len(day.watches) // 3
    for stream, channel, limit_ms in watches:
        who = f"{channel} of {stream.name}"
        last_ms = 0.0
        for end_ms in received[stream, channel]:
            if end_ms > round(last_ms + limit_ms, 6):
                expected += [("lost", who, round(last_ms + limit_ms, 6)), ("back", who, end_ms)]
            last_ms = end_ms
        if last_ms + limit_ms < END_MS:
            expected.append(("lost", who, round(last_ms + limit_ms, 6)))
        heard_s = day.car.net.heard_at(stream, channel)
        assert received[stream, channel][-1:] == ([] if heard_s is None else [round(heard_s * 1000, 6)])
    known = {f"{channel} of {stream.name}" for stream, channel, _ in watches}
    assert sorted(expected) == sorted(entry for entry in log if entry[1] in known)
    assert expected, "a day on which nothing is lost tests nothing"
    assert any(what == "back" for what, _, _ in log) or seed not in range(20)


@pytest.mark.parametrize("seed", range(20))
def test_looking_on_changes_nothing(recorded, seed):
    """Neither a tap nor a busy neighbor process changes one call: working ahead is invisible."""
    alone = Day(recorded, seed).run()
    tapped = Day(recorded, seed)
    tapped.car.tap()
    neighbored = Day(recorded, seed)
    env = neighbored.car.env

    def neighbor():
        rng = random.Random(seed)
        while True:
            yield env.timeout(rng.choice((0, 1e-6, 1e-4, 0.003)))

    env.process(neighbor())
    assert len(alone) > 20
    assert alone == tapped.run()
    assert alone == neighbored.run()


@pytest.mark.parametrize("seed", range(10))
def test_bus_carries_one_frame_at_a_time(recorded, seed):
    """On the channels of one segment no two complete frames overlap, intermission included."""
    day = Day(recorded, seed)
    frames = day.car.tap()
    day.run()
    assert len(frames) > 20
    for channel in CHANNELS:
        heard = [
            (start, end)
            for sender, start, end in frames
            if sender == channel or day.reaches(sender, channel, start, end)
        ]
        ends = [end for _, end in sorted(heard)]
        starts = [start for start, _ in sorted(heard)]
        assert all(start > end for start, end in zip(starts[1:], ends, strict=False))


def test_same_trace_under_any_hash_seed():
    """The log of a day is byte for byte the same in processes with different hash seeds."""
    program = (
        "from tests.network.conftest import Recorded\n"
        "from tests.network.test_random_days import Day\n"
        "print(*Day(Recorded, 3).run(), sep='\\n')\n"
    )
    assert len(printed(program)) > 1000
