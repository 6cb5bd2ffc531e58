"""Error confinement of whole buses: lone and disturbed channels, bus-off and recovery, on the SimPy clock.

The rules themselves are tested bit by bit in test_fault_confinement.py, with their source. Here: that the
frames, the arithmetic of a lone transmitter and the bits tell the same story, and what comes of faults.
"""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.network.frames import Frame
from sim.network.interface import Recovery
from sim.network.lone_transmitter import AttemptTimes
from sim.network.streams import Stream
from sim.wiring.segments import ChannelFault, Segment
from tests.hash_seeds import printed
from tests.network.conftest import Recorded, ms
from tests.network.test_fault_confinement import Node, run

LONE = Frame(0x7E8, bytes.fromhex("037F2231CCCCCCCC"))
ABC = Segment(("a", "b", "c"))


class Told(Recorded):
    """A recorded network that also logs error states, as (channel, state, time in ms)."""

    def __init__(self, *segments, channels="abcd", seed=0):
        super().__init__(*segments, seed=seed)
        self.states = []
        for channel in channels:
            self.net.on_state(channel, lambda state, t, c=channel: self.state(c, state, t))

    def state(self, channel, state, time_s):
        assert self.env.now == time_s
        self.states.append((channel, state, ms(time_s)))

    def send(self, *streams):
        """Start streams given as (channel, identifier, period in s, and maybe offset in s, data)."""
        started = []
        for channel, can_id, period_s, *rest in streams:
            offset_s, data = rest or (0.0, b"\x01")
            started.append(Stream(f"{channel} {can_id:x}", channel, can_id, period_s, offset_s, data))
            self.net.start(started[-1])
        return started


# -- alone -------------------------------------------------------------------------------------------------


def test_a_lone_transmitter_becomes_error_passive_and_no_more():
    """7E8 03 7F 22 31 CC CC CC CC at 500 kbit/s: passive at 3.838 ms, and never bus-off."""
    car = Told()
    car.net.send("a", LONE)
    assert "error active" == car.net.state_of("a")
    seen = []
    for time_s in (0.0002079, 0.000208, 0.001, 0.0038379, 0.003838, 0.01):
        car.at(time_s, lambda: seen.append(car.net.error_counters("a")))
    car.run(3600)
    assert [("a", "error passive", 3.838)] == car.states
    assert [(0, 0), (8, 0), (32, 0), (120, 0), (128, 0), (128, 0)] == seen
    assert "error passive" == car.net.state_of("a")


def test_hours_alone_cost_nothing():
    """A million futile attempts without an event of their own: a handful of SimPy steps in an hour."""
    car = Told()
    car.net.send("a", LONE)
    steps = 0
    while car.env.peek() < 3600:
        car.env.step()
        steps += 1
    assert steps < 20
    assert 3600 / 258e-6 > 10_000_000


@given(st.integers(0, 0x7FF), st.binary(max_size=8), st.integers(0, 200), st.integers(0, 200))
@settings(max_examples=60, deadline=None)
def test_attempts_by_arithmetic_and_bit_by_bit(can_id, data, tec, rec):
    """Every attempt starts and counts at the same bit in both, whatever the counters at the beginning."""
    frame = Frame(can_id, data)
    a = Node("a", frame, tec=tec, rec=rec)
    run(a, until=4000)
    attempts = AttemptTimes(frame, 500_000, tec, tec > 127 or rec > 127)
    starts = [round(time * 2000) for time in a.times("starts")]
    assert [attempts.start_of(number) for number in range(len(starts))] == starts
    failed = [round(time * 2000) for time in a.times("failed")]
    assert [attempts.noticed_at(number) for number in range(len(failed))] == failed
    assert tec + attempts.counted(len(failed)) == a.counters.transmit
    for number, start_ns in enumerate(starts):
        assert [number, number + 1] == [attempts.begun_before(start_ns), attempts.begun_before(start_ns + 1)]


# z cannot hear a: to a it makes no difference whether it is there, but their bus is taken bit by bit.
DEAF = Segment(("a", "z"), faults=(ChannelFault("z", misses=("a",)),))


def company_after_a_time(alone, seed):
    """What happens until 20 ms, when a second channel comes at a random moment before 10 ms."""
    rng = random.Random(seed)
    car = Told(alone, channels="ab")
    frames = car.tap()
    streams = car.send(
        *(
            ("a", rng.randrange(0x700), rng.choice((0.001, 0.005, 0.01)), rng.random() / 500, b"\x01")
            for _ in range(3)
        )
    )
    car.at(rng.random() / 100, lambda: car.net.set_data(streams[0], b"\x02\x03"))
    car.at(rng.random() / 100, lambda: car.net.stop(streams[1]))
    car.at(rng.randrange(10_000_000) / 1e9, lambda: car.net.set_segments([Segment(("a", "b"))]))
    car.run(0.02)
    return frames, car.states, car.net.error_counters("a"), car.net.error_counters("b")


@pytest.mark.parametrize("seed", range(40))
def test_company_after_a_time_alone(seed):
    """Alone by arithmetic or bit by bit: company finds the same frame on the wire, and the same counters."""
    by_arithmetic, by_bits = (company_after_a_time(alone, seed) for alone in (Segment(("a",)), DEAF))
    assert by_bits == by_arithmetic
    assert len(by_bits[0]) > 3


# -- the same bus, frame by frame and bit by bit -----------------------------------------------------------

# z misses y, which says nothing: a bus in good health that is taken bit by bit all the same.
HARMLESS = (ChannelFault("z", misses=("y",)),)


def random_day(faults, seed):
    """Random streams; on half of the seeds a sender drops out, often within a frame, and comes back."""
    rng = random.Random(seed)
    rate = rng.choice((125_000, 500_000))
    whole = Segment(("a", "b", "c", "y", "z"), bitrate_bps=rate, faults=faults)
    rest = Segment(("b", "c", "y", "z"), bitrate_bps=rate, faults=faults)
    car = Told(whole, channels="abc")
    frames = car.tap()
    identifiers = rng.sample(range(0x7FF), 8)
    streams = car.send(
        *(
            (
                "abc"[n % 3],
                identifiers[n],
                rng.choice((0.003, 0.005, 0.01)),
                rng.randrange(500) / 1e5,
                rng.randbytes(rng.randrange(9)),
            )
            for n in range(8)
        )
    )
    of_a = streams[::3]
    if seed % 2:
        for turn in range(5):
            leave_s = (turn * 6_000_000 + rng.randrange(1_000_000)) / 1e9
            car.at(leave_s, lambda: car.net.set_segments([rest]))
            car.at(leave_s + 0.001, lambda: [car.net.stop(stream) for stream in of_a])
            car.at(leave_s + 0.003, lambda: car.net.set_segments([whole]))
            car.at(leave_s + 0.003, lambda: [car.net.start(stream) for stream in of_a])
    car.at(0.03, lambda: [car.net.stop(stream) for stream in streams])
    car.run(0.035)
    return frames, car.states, [car.net.error_counters(channel) for channel in "abc"]


@pytest.mark.parametrize("seed", range(30))
def test_frames_and_bits_tell_the_same_story(seed):
    """A bus in good health by the frame and bit by bit: the same frames, error states and counters."""
    by_the_frame, by_bits = (random_day(faults, seed) for faults in ((), HARMLESS))
    assert by_bits == by_the_frame
    assert len(by_bits[0]) > 20


def disturbed_day(seed, *, onlooker):
    """A bus that is disturbed in three ways, one after the other."""
    rng = random.Random(seed)
    car = Told(disturbed(rng), seed=seed)
    frames = car.tap()
    streams = car.send(*random_streams(rng))
    for stream in streams[:2]:
        car.watch(stream, "b", 0.02)
    if onlooker:
        car.env.process(neighbor(car.env, seed))
    for time_s in (0.05, 0.1):
        segment = disturbed(rng)
        car.at(time_s, lambda segment=segment: car.net.set_segments([segment]))
    car.run(0.15)
    return frames, car.states, car.log, [car.net.error_counters(channel) for channel in "abcd"]


@pytest.mark.parametrize("seed", range(20))
def test_looking_on_changes_nothing_on_a_disturbed_bus(seed):
    """A busy neighbor process changes no error state, frame or call: working ahead is invisible."""
    alone, looked_at = (disturbed_day(seed, onlooker=onlooker) for onlooker in (False, True))
    assert alone == looked_at
    assert alone[0] or alone[1]


def neighbor(env, seed):
    rng = random.Random(seed)
    while True:
        yield env.timeout(rng.choice((0, 1e-6, 1e-4, 0.003)))


def disturbed(rng):
    """All four channels on one line, one or two of them with something the matter."""
    members = tuple("abcd")
    kinds = (
        lambda c: ChannelFault(c, bitrate_bps=250_000),
        lambda c: ChannelFault(c, swapped=True),
        lambda c: ChannelFault(c, misses=tuple(rng.sample(members, rng.randint(1, 4)))),
        lambda c: ChannelFault(c, held=True),
        lambda c: ChannelFault(c, bit_error_rate=0.002),
    )
    channels = rng.sample(members, rng.randint(1, 2))
    return Segment(members, faults=tuple(rng.choice(kinds)(channel) for channel in channels))


def random_streams(rng):
    return [
        (
            channel,
            0x100 + 16 * n + rng.randrange(16),
            rng.choice((0.005, 0.01)),
            rng.random() / 100,
            b"\x01\x55",
        )
        for n, channel in enumerate("abcd")
    ]


def test_same_trace_under_any_hash_seed():
    """A disturbed day is byte for byte the same in processes with different hash seeds."""
    program = (
        "import random\n"
        "from tests.network.test_error_states import *\n"
        "for seed in range(6):\n"
        "    rng = random.Random(seed)\n"
        "    car = Told(disturbed(rng), seed=seed)\n"
        "    car.send(*random_streams(rng))\n"
        "    print(*car.run(0.03), *car.states, sep='\\n')\n"
    )
    assert len(printed(program)) > 1000


# -- what comes of faults ----------------------------------------------------------------------------------


def test_a_shorted_pair_drives_every_sender_to_bus_off():
    """No dominant bit is read back: 8 for each bit of the active flag, then one bit error per attempt.

    Passive with the 16th dominant bit, bit 16; one more bit of that flag; 15 attempts that end with their
    first bit, each 1 + 6 + 8 + 3 + 8 bits: bus-off after 407 bits. Back after 100 ms and 1,408 bits, and
    again.
    """
    car = Told(Segment(("a",), faults=(ChannelFault("a", misses=("a",)),)))
    car.send(("a", 0x100, 0.01))
    car.run(0.2)
    bits = (16, 407, 407 + 50_000 + 1408, 407 + 50_000 + 1408 + 16, 2 * 407 + 50_000 + 1408)
    states = ("error passive", "bus-off", "error active", "error passive", "bus-off")
    assert 17 + 6 + 8 + 3 + 8 + 26 * 14 + 1 == 407
    assert [("a", state, round(n * 0.002, 6)) for state, n in zip(states, bits, strict=True)] == car.states
    assert (256, 0) == car.net.error_counters("a")


def test_recovery_waits_short_then_long():
    """Three times 100 ms, then 1 s each time, as the counter from L1 to L2 says."""
    car = Told(Segment(("a",), faults=(ChannelFault("a", misses=("a",)),)))
    car.net.set_recovery("a", Recovery(first_s=0.1, later_s=1.0, count=3))
    car.send(("a", 0x100, 0.01))
    car.run(3)
    off = [time_ms for _, state, time_ms in car.states if state == "bus-off"]
    back = [time_ms for _, state, time_ms in car.states if state == "error active"]
    waits = [round(b - a - 2.816, 6) for a, b in zip(off, back, strict=False)]
    assert [100.0, 100.0, 100.0, 1000.0, 1000.0] == waits


def test_a_frame_that_gets_through_sets_the_count_back():
    """Two times in bus-off with a working bus in between: the short wait both times."""
    shorted, whole = Segment(("a",), faults=(ChannelFault("a", misses=("a",)),)), Segment(("a", "b"))
    car = Told(shorted, channels="a")
    car.net.set_recovery("a", Recovery(first_s=0.1, later_s=1.0, count=1))
    car.send(("a", 0x100, 0.01))
    car.at(0.05, lambda: car.net.set_segments([whole]))
    car.at(0.3, lambda: car.net.set_segments([shorted]))
    car.run(0.45)
    assert [
        ("a", "error passive", 0.032), ("a", "bus-off", 0.814), ("a", "error active", 103.63),
        ("a", "error passive", 300.032), ("a", "bus-off", 300.814), ("a", "error active", 403.63),
        ("a", "error passive", 403.662), ("a", "bus-off", 404.444),
    ] == car.states  # fmt: skip


def test_without_a_policy_only_a_restart_ends_bus_off():
    """No automatic recovery: off until the module drops its channel, which starts from 0."""
    car = Told(Segment(("a",), faults=(ChannelFault("a", misses=("a",)),)))
    frames = car.tap()
    car.net.set_recovery("a", None)
    car.send(("a", 0x100, 0.01))
    car.at(4.0, lambda: car.net.set_segments([Segment(("a", "b"))]))
    car.at(5.0, lambda: car.net.drop("a"))
    car.run(4.9)
    assert ["error passive", "bus-off"] == [state for _, state, _ in car.states]
    assert [] == frames
    car.run(5.0055)
    assert ("error active", (0, 0)) == (car.net.state_of("a"), car.net.error_counters("a"))
    assert [("a", 5000.0, 5000.11)] == frames


def test_a_channel_in_bus_off_is_no_member():
    """While a channel is off its messages wait, it hears nothing, and its bus has one member less."""
    car = Told(ABC)
    (speed, brake) = car.send(("a", 0x100, 0.01), ("b", 0x200, 0.01))
    car.watch(speed, "b", 0.05)
    car.watch(brake, "a", 0.05)
    broken = Segment(("a", "b", "c"), faults=(ChannelFault("a", misses=("a",)),))
    car.at(0.1, lambda: car.net.set_segments([broken]))
    car.at(0.105, lambda: car.net.set_segments([ABC]))
    car.run(0.15)
    assert ("a", "bus-off") == car.states[-1][:2]
    assert ("b", "c") == car.net.segment_of("b").members
    off_ms = car.states[-1][2]
    assert ["100 01"] == [str(frame) for frame in car.net.waiting("a")]
    car.run(0.3)
    assert ("a", "error active", round(off_ms + 100 + 2.816, 3)) == (
        *car.states[-1][:2], round(car.states[-1][2], 3),
    )  # fmt: skip
    assert {"lost", "back"} == {what for what, _, _ in car.log if what in ("lost", "back")}
    assert ABC == car.net.segment_of("b")


def test_a_line_that_is_held_dominant_within_a_frame():
    """The sender goes bus-off by rule 6, the others become passive and stay; none ever recovers."""
    car = Told(ABC)
    car.send(("a", 0x100, 0.1))
    held = Segment(ABC.members, faults=tuple(ChannelFault(channel, held=True) for channel in "abc"))
    car.at(0.00009, lambda: car.net.set_segments([held]))  # at bit 45, the delimiter of the check sequence
    car.run(30)
    # as in test_fault_confinement.py: 8 with bit 46, 16 with bit 60, then 8 each 8 bits, 256 with bit 300
    assert ("a", "error passive", round((60 + 8 * 14) * 0.002, 6)) in car.states
    assert ("a", "bus-off", round((60 + 8 * 30) * 0.002, 6)) in car.states
    assert [(256, 0), (0, 255), (0, 255)] == [car.net.error_counters(channel) for channel in "abc"]
    assert ["error passive"] == [state for channel, state, _ in car.states if channel == "b"]


def test_a_wrong_bit_rate_among_listeners():
    """d at 250 kbit/s flags others' frames until it is passive; from then on they get through."""
    car = Told(Segment(tuple("abcd"), faults=(ChannelFault("d", bitrate_bps=250_000),)))
    frames = car.tap()
    car.send(("a", 0x100, 0.01), ("b", 0x200, 0.01, 0.002, b"\x22"))
    car.run(0.1)
    assert "error passive" == car.net.state_of("d")
    passive_ms = next(t for channel, state, t in car.states if (channel, state) == ("d", "error passive"))
    assert [] == [start for _, start, _ in frames if start < passive_ms - 0.2]
    assert 20 == len(frames)
    assert ["error active"] * 3 == [car.net.state_of(channel) for channel in "abc"]
    assert car.net.error_counters("d")[1] >= 128


def test_a_wrong_bit_rate_that_sends_is_the_first_to_go():
    """All others flag each attempt of d, and have good frames in between: only d goes bus-off."""
    car = Told(Segment(tuple("abcd"), faults=(ChannelFault("d", bitrate_bps=250_000),)))
    car.net.set_recovery("d", None)
    car.send(("a", 0x100, 0.002), ("b", 0x200, 0.002, 0.0005, b"\x22"), ("d", 0x7F0, 0.01))
    car.run(0.5)
    assert "bus-off" == car.net.state_of("d")
    assert all(state != "bus-off" for channel, state, _ in car.states if channel != "d")
    assert ["error active"] * 3 == [car.net.state_of(channel) for channel in "abc"]
    assert {(0, 0)} == {car.net.error_counters(channel) for channel in "abc"}


def test_swapped_wires_take_a_sender_and_its_victims_down():
    """d's dominant bits cancel others': it hears none, gets no acknowledgement, and both sides go bus-off.

    Silent, it does no harm.
    """
    swapped = Segment(tuple("abcd"), faults=(ChannelFault("d", swapped=True),))
    quiet = Told(swapped)
    quiet.send(("a", 0x100, 0.01))
    quiet.run(0.5)
    assert [] == quiet.states
    car = Told(swapped)
    car.send(("a", 0x100, 0.01), ("b", 0x200, 0.01, 0.002, b"\x22"), ("d", 0x400, 0.01))
    car.run(0.5)
    assert {"a", "d"} <= {channel for channel, state, _ in car.states if state == "bus-off"}


def test_a_babbling_node_starves_the_others():
    """The highest priority without pause: others wait for ever, and no error is counted that would end it."""
    car = Told(ABC)
    (speed, _) = car.send(("b", 0x100, 0.01), ("a", 0x000, 0.0001, 0.005, b""))
    car.watch(speed, "c", 0.03)
    car.run(1.0)
    assert [("lost", "c of b 100", 30.11)] == car.log
    assert 98 == speed.overruns
    assert [] == car.states


def test_a_marginal_link_costs_retries_but_no_message():
    """1 bit in 2,000 misread by b: about one frame in 30 is destroyed and repeated, and all arrive.

    The same seed gives the same day.
    """
    days = []
    for seed in (1, 1, 2):
        car = Told(Segment(("a", "b", "c"), faults=(ChannelFault("b", bit_error_rate=0.0005),)), seed=seed)
        frames = car.tap()
        car.send(("a", 0x100, 0.001, 0.0, b"\x01\x02"))
        car.run(5)
        destroyed = len([what for what, _, _ in car.log if what == "frame destroyed"])
        assert 5000 == len(frames)
        days.append((destroyed, frames))
    assert days[0] == days[1]
    assert days[0] != days[2]
    # 63 bits each, 5000 frames: 158 misread bits are expected, 12.6 is their standard deviation. One in the
    # last bit of a frame only asks for time (overload)
    assert 158 - 4 * 12.6 < days[0][0] < 158 + 4 * 12.6


def test_a_hopeless_link_makes_passive():
    """1 bit in 100 misread by the sender: errors come faster than successes; it still gets frames through."""
    car = Told(Segment(("a", "b"), faults=(ChannelFault("a", bit_error_rate=0.01),)))
    frames = car.tap()
    car.send(("a", 0x100, 0.01))
    car.run(2)
    assert ("a", "error passive") in {entry[:2] for entry in car.states}
    assert frames


def test_a_fault_of_a_channel_that_is_no_member_is_refused():
    """A fault must name a member of its segment."""
    with pytest.raises(ValueError, match=r"^fault of x: it is no member of "):
        Told().net.set_segments([Segment(("a", "b"), faults=(ChannelFault("x", held=True),))])
