"""The bus: arbitration, exact times, who is called when."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.network.can import CanNetwork
from sim.network.clock import NanosecondEnvironment
from sim.network.frames import Frame, arbitration_key, duration_ns, frame_bits
from sim.network.stream_fidelity import StreamNetwork
from sim.network.streams import Stream
from sim.wiring.segments import Segment

# At 500 kbit/s a bit takes 2 µs. Frame 100 01 has 55 bits (see test_frames.py): 0.110 ms, and 6 µs of
# intermission; 200 01 has 57 bits, 300 01 and 7E0 01 have 56.
ABC = Segment(("a", "b", "c"))


def test_lowest_identifier_first(recorded):
    """Frames released together go in the order of their identifiers."""
    car = recorded(ABC)
    frames = car.tap()
    for name, can_id in (("c", 0x300), ("a", 0x100), ("b", 0x200)):
        car.net.start(Stream(name, name, can_id, 0.1, data=b"\x01"))
    car.run(0.05)
    assert [("a", 0.0, 0.11), ("b", 0.116, 0.23), ("c", 0.236, 0.348)] == frames


def test_no_preemption(recorded):
    """A frame on the wire is finished although one with a lower identifier waits."""
    car = recorded(ABC)
    frames = car.tap()
    car.net.start(Stream("late but urgent", "a", 0x100, 0.1, offset_s=0.00001, data=b"\x01"))
    car.net.start(Stream("early", "c", 0x300, 0.1, data=b"\x01"))
    car.run(0.05)
    assert [("c", 0.0, 0.112), ("a", 0.118, 0.228)] == frames


def test_release_at_the_instant_the_bus_becomes_idle_takes_part(recorded):
    """Released exactly at the end of the intermission, the lower identifier beats one that has waited."""
    car = recorded(ABC)
    frames = car.tap()
    car.net.start(Stream("first", "b", 0x100, 0.1, data=b"\x01"))
    car.net.start(Stream("waits", "c", 0x300, 0.1, offset_s=0.00005, data=b"\x01"))
    car.net.start(Stream("in time", "a", 0x0FF, 0.1, offset_s=0.000116, data=b"\x01"))
    car.net.start(Stream("too late", "a", 0x001, 0.1, offset_s=0.000116001, data=b"\x01"))
    car.run(0.05)
    senders = [sender for sender, _, _ in frames]
    assert ["b", "a", "a", "c"] == senders
    assert 0.116 == frames[1][1]


def test_eleven_bit_before_twenty_nine_bit_of_the_same_base(recorded):
    """ISO 11898-1: RTR of the short frame is dominant where the long one has the recessive SRR."""
    car = recorded(ABC)
    frames = car.tap()
    car.net.start(Stream("long", "a", 0x123 << 18, 0.1, extended=True))
    car.net.start(Stream("short", "b", 0x123, 0.1))
    car.run(0.05)
    assert ["b", "a"] == [sender for sender, _, _ in frames]


def test_bit_rates(recorded):
    """The same 55-bit frame on buses of four rates: 440, 220, 110 and 55 µs."""
    rates = {"slow": 125_000, "body": 250_000, "drive": 500_000, "fast": 1_000_000}
    car = recorded(*(Segment((f"a.{n}", f"b.{n}"), bitrate_bps=rate) for n, rate in rates.items()))
    frames = car.tap()
    for name in rates:
        car.net.start(Stream(name, f"a.{name}", 0x100, 1.0, data=b"\x01"))
    car.run(0.5)
    assert [
        ("a.fast", 0.0, 0.055),
        ("a.drive", 0.0, 0.11),
        ("a.body", 0.0, 0.22),
        ("a.slow", 0.0, 0.44),
    ] == frames  # in the order of their ends


def test_newer_release_overwrites_a_waiting_frame(recorded):
    """A bus filled by a lower identifier: the starved stream keeps one frame, with the newest data."""
    car = recorded(Segment(("a", "b"), bitrate_bps=125_000))
    starved = Stream("starved", "b", 0x300, 0.001, data=b"\x00")
    hog = Stream("hog", "a", 0x100, 0.00046, data=b"\x01")  # 55 bits of 8 µs and the intermission: 0.464 ms
    car.read(starved, "a")
    car.net.start(hog)
    car.net.start(starved)
    car.at(0.0035, lambda: car.net.set_data(starved, b"\x07"))
    car.at(0.0042, lambda: car.net.stop(hog))
    log = car.run(0.006)
    assert [("a reads 07", "starved", 5.088)] == log
    assert 4 == starved.overruns


def test_single_frames_keep_their_order(recorded):
    """Frames of one channel and identifier go first in, first out; lower identifiers overtake them."""
    car = recorded(ABC)
    for channel in "abc":
        car.listen(channel)
    sent = []
    car.net.send("a", Frame(0x7E0, b"\x01"), sent.append)
    car.net.send("a", Frame(0x7E0, b"\x02"))
    car.net.send("a", Frame(0x7E0, b"\x03"))
    car.net.send("b", Frame(0x100, b"\x01"))
    log = car.run(0.01)
    assert [
        ("a gets 100 01", "b", 0.11),
        ("c gets 100 01", "b", 0.11),
        ("b gets 7E0 01", "a", 0.228),
        ("c gets 7E0 01", "a", 0.228),
        ("b gets 7E0 02", "a", 0.348),
        ("c gets 7E0 02", "a", 0.348),
        ("b gets 7E0 03", "a", 0.466),
        ("c gets 7E0 03", "a", 0.466),
    ] == log
    assert [0.000228] == sent


def test_dropped_frames_are_not_sent(recorded):
    """A module that loses power forgets its single frames; streams of the same channel stay."""
    car = recorded(ABC)
    car.listen("b")
    frames = car.tap()
    car.net.start(Stream("blocks", "c", 0x001, 1.0, data=b"\x01"))
    car.net.start(Stream("stays", "a", 0x100, 1.0, data=b"\x01"))
    car.at(0.00001, lambda: car.net.send("a", Frame(0x7E0, b"\x01")))
    car.at(0.00002, lambda: car.net.send("c", Frame(0x7E8, b"\x01")))
    car.at(0.00003, lambda: car.net.drop("a"))
    log = car.run(0.01)
    assert ["b gets 7E8 01"] == [what for what, _, _ in log]
    assert ["c", "a", "c"] == [sender for sender, _, _ in frames]


@pytest.mark.parametrize("fidelity", [CanNetwork, StreamNetwork])
def test_a_single_frame_is_given_up_at_its_limit(fidelity):
    """Without a second node it waits: one with a limit of 0.1 s is gone when company comes after 0.15 s."""
    env = NanosecondEnvironment()
    network, got = fidelity(env), []
    network.set_segments([Segment(("a",)), Segment(("b",))])
    network.listen("b", lambda frame, sender, time_s: got.append(frame.data))
    network.send("a", Frame(0x100, b"\x01"), limit_s=0.1)
    network.send("a", Frame(0x101, b"\x02"), limit_s=0.2)
    network.send("a", Frame(0x102, b"\x03"))
    env.run(until=0.15)
    network.set_segments([Segment(("a", "b"))])
    env.run(until=0.3)
    network.send("a", Frame(0x100, b"\x04"), limit_s=0.1)  # goes out at once
    env.run(until=0.5)
    assert [b"\x02", b"\x03", b"\x04"] == got


@pytest.mark.parametrize("fidelity", [CanNetwork, StreamNetwork])
def test_who_has_no_use_for_an_identifier_is_not_called(fidelity):
    """A listener is asked once for each identifier, and called for those that it heeds."""
    env = NanosecondEnvironment()
    network, asked, got = fidelity(env), [], []
    network.set_segments([ABC])

    def heeds(frame):
        asked.append(str(frame))
        return frame.extended

    network.listen("b", lambda frame, sender, time_s: got.append(str(frame)), heeds)
    for frame in (Frame(0x100, b"\x01"), Frame(0x100, b"\x02"), Frame(0x100, b"\x03", extended=True)) * 2:
        network.send("a", frame)
    env.run(until=0.1)
    assert ["00000100 03", "100 01"] == sorted(asked)
    assert ["00000100 03"] * 2 == got


def test_readers_are_told_once_per_change(recorded):
    """The first frame after the start and the first after each new data are told, the others are not."""
    car = recorded(ABC)
    speed = Stream("speed", "a", 0x100, 0.01, data=b"\x01")
    car.read(speed, "b")
    car.net.start(speed)
    car.at(0.035, lambda: car.net.set_data(speed, b"\x01"))  # the same as before: nothing new
    car.at(0.045, lambda: car.net.set_data(speed, b"\x02"))
    car.at(0.06005, lambda: car.net.set_data(speed, b"\x03"))  # while a frame with 02 is on the wire
    car.at(0.085, lambda: car.net.stop(speed))
    car.at(0.093, lambda: car.net.start(speed))
    assert [
        ("b reads 01", "speed", 0.11),
        ("b reads 02", "speed", 50.114),
        ("b reads 03", "speed", 70.112),
        ("b reads 03", "speed", 93.112),
    ] == car.run(0.2)


def test_late_reader_learns_from_the_frame_on_the_wire(recorded):
    """A reader that begins while a frame is on the wire is told at its end."""
    car = recorded(ABC)
    speed = Stream("speed", "a", 0x100, 0.01, data=b"\x01")
    car.net.start(speed)
    car.at(0.02005, lambda: car.read(speed, "c"))
    assert [("c reads 01", "speed", 20.11)] == car.run(0.1)


def test_a_frame_on_the_wire_is_not_heard_yet(recorded):
    """heard_at names the end of the last complete frame, never that of one still on the wire."""
    car = recorded(ABC)
    speed = Stream("speed", "a", 0x100, 0.01, data=b"\x01")
    car.net.start(speed)
    seen = []

    def look():
        seen.append((car.env.now, car.net.heard_at(speed, "b")))

    for time_s in (0.00005, 0.000109999, 0.00011, 0.005, 0.01005, 0.0102):
        car.at(time_s, look)
    car.run(0.02)
    assert [
        (0.00005, None),
        (0.000109999, None),
        (0.00011, 0.00011),
        (0.005, 0.00011),
        (0.01005, 0.00011),
        (0.0102, 0.01011),
    ] == seen


def test_stop_completes_the_frame_on_the_wire_and_drops_the_waiting(recorded):
    """Stopping takes back what has not begun."""
    car = recorded(ABC)
    frames = car.tap()
    one, two = Stream("one", "a", 0x100, 0.01, data=b"\x01"), Stream("two", "b", 0x200, 0.01, data=b"\x01")
    for stream in (one, two):
        car.net.start(stream)
        car.at(0.00005, lambda stream=stream: car.net.stop(stream))
    car.at(0.0005, lambda: car.net.start(two))
    car.run(0.005)
    assert [("a", 0.0, 0.11), ("b", 0.5, 0.614)] == frames


def test_a_clock_far_ahead_is_still_exact(recorded):
    """Calls come with the clock exactly at the end of the frame, also from a start between nanoseconds."""
    car = recorded(ABC)
    speed = Stream("speed", "a", 0x100, 0.1, offset_s=3600.0, data=b"\x01")
    car.read(speed, "b")
    car.at(1e-9 / 3, lambda: car.net.start(speed))
    assert [("b reads 01", "speed", 3_600_000.11)] == car.run(3601)


def test_the_clock_never_goes_back(recorded):
    """An action a fraction of a nanosecond after a whole one does not turn the SimPy clock back to it."""
    car = recorded(ABC)
    speed = Stream("speed", "a", 0x100, 0.01, data=b"\x01")
    car.at(0.001 + 0.4e-9, lambda: car.net.start(speed))
    times = []
    while car.env.peek() < 0.002:
        car.env.step()
        times.append(car.env.now)
    assert len(times) > 2
    assert sorted(times) == times


def test_lone_module_is_never_heard(recorded):
    """Without acknowledgement no frame is ever delivered. See also test_segments.py."""
    car = recorded(Segment(("a",)), Segment(("b", "c")))
    frames = car.tap()
    speed = Stream("speed", "a", 0x100, 0.01, data=b"\x01")
    nowhere = Stream("nowhere", "x", 0x200, 0.01, data=b"\x01")
    for stream in (speed, nowhere):
        car.net.start(stream)
        car.read(stream, "b")
    car.net.send("a", Frame(0x7E0), car.log.append)
    assert [] == car.run(1.0)
    assert [] == frames
    assert [None, None] == [car.net.heard_at(speed, "b"), car.net.heard_at(nowhere, "b")]
    assert ["100 01", "7E0"] == [str(frame) for frame in car.net.waiting("a")]
    assert 99 == speed.overruns


def test_a_listener_hears_but_cannot_acknowledge(recorded):
    """A listener hears the members and is not heard; alone with a member it hears nothing either."""
    car = recorded(Segment(("a", "b"), listeners=("l",)))
    speed, mute = Stream("speed", "a", 0x100, 0.01, data=b"\x01"), Stream("mute", "l", 0x200, 0.01)
    for stream in (speed, mute):
        car.net.start(stream)
        for channel in "abl":
            car.read(stream, channel)
    assert [("b reads 01", "speed", 0.11), ("l reads 01", "speed", 0.11)] == car.run(0.05)


ORDER_AT_10_MS = [
    "a SimPy event of that instant",
    "and one that it causes",
    "end of frame 100",
    "what the call causes",
    "end of frame 200",
    "limit of 110 has passed",
    "limit of 220 has passed",
    "end of frame 050 of the lowest identifier",
]


def test_order_at_one_instant(recorded):
    """Other events, ends of frames, limits, releases, arbitrations: the order that the module promises."""
    car = recorded(Segment(("a.1", "b.1")), Segment(("a.2", "b.2")), Segment(("a.3", "b.3")))
    env, net = car.env, car.net
    seen: list[tuple[float, str]] = []

    def say(what):
        seen.append((round(env.now, 9), what))

    def bystander():
        yield env.timeout(0.01)
        say(ORDER_AT_10_MS[0])
        yield env.timeout(0)
        say(ORDER_AT_10_MS[1])

    def cause():
        yield env.timeout(0)
        say(ORDER_AT_10_MS[3])

    def on_100(stream, time_s):
        say(ORDER_AT_10_MS[2])
        env.process(cause())

    # written down against the expected order, so that only the rule can bring it about
    lowest = Stream("lowest identifier", "a.3", 0x050, 1.0, offset_s=0.01)
    net.start(Stream("higher identifier", "b.3", 0x051, 1.0, offset_s=0.01))
    net.start(lowest)
    net.on_change(lowest, "b.3", lambda s, t: say(ORDER_AT_10_MS[7]))
    for can_id, line in ((0x220, 6), (0x110, 5)):
        silent = Stream(f"silent {can_id:x}", "a.1", can_id, 1.0)
        net.watch(silent, "b.1", 0.01, lambda t, line=line: say(ORDER_AT_10_MS[line]), lambda t: None)
    two = Stream("200", "a.2", 0x200, 1.0, offset_s=0.01 - 114e-6, data=b"\x01")
    net.on_change(two, "b.2", lambda s, t: say(ORDER_AT_10_MS[4]))
    net.start(two)
    one = Stream("100", "a.1", 0x100, 1.0, offset_s=0.01 - 110e-6, data=b"\x01")
    net.on_change(one, "b.1", on_100)
    net.start(one)
    env.process(bystander())
    env.run(until=0.02)
    assert [(0.01, line) for line in ORDER_AT_10_MS[:7]] == seen[:7]
    assert ORDER_AT_10_MS[7:] == [what for _, what in seen[7:]]
    assert round(0.01 + duration_ns(frame_bits(Frame(0x050)), 500_000) / 1e9, 9) == seen[7][0]


PERIODS_NS = st.integers(1, 200).map(lambda n: n * 100_000)
STREAMS = st.lists(
    st.tuples(st.integers(0, 0x7FF), st.binary(max_size=8), PERIODS_NS, st.integers(0, 5_000_000)),
    min_size=1, max_size=12, unique_by=lambda drawn: drawn[0],
)  # fmt: skip


def plain_bus(streams, bitrate_bps, until_ns):
    """One bus, written as plainly as it can be: look at every stream, again and again."""
    release = {can_id: offset_ns for can_id, _, _, offset_ns in streams}
    period = {can_id: period_ns for can_id, _, period_ns, _ in streams}
    bits = {can_id: frame_bits(Frame(can_id, data)) for can_id, data, _, _ in streams}
    length = {can_id: duration_ns(bits[can_id], bitrate_bps) for can_id in bits}
    waiting: set[int] = set()
    overruns = dict.fromkeys(release, 0)
    trace = []
    now = 0
    while now < until_ns:
        for can_id in release:
            while release[can_id] <= now:
                overruns[can_id] += can_id in waiting
                waiting.add(can_id)
                release[can_id] += period[can_id]
        if waiting:
            can_id = min(waiting, key=arbitration_key)
            waiting.remove(can_id)
            trace.append((can_id, now, now + length[can_id]))
            now += length[can_id] + duration_ns(3, bitrate_bps)
        else:
            now = min(release.values())
    return trace, overruns


@given(STREAMS, st.sampled_from((125_000, 500_000)), st.integers(0, 1000))
def test_against_a_plain_bus(drawn, bitrate_bps, seed):
    """Also overloaded, also with a busy neighbor process, the wire is that of a bus written plainly."""
    env = NanosecondEnvironment()
    net = CanNetwork(env)
    net.set_segments([Segment(("a", "b"), bitrate_bps=bitrate_bps)])
    frames = []
    net.tap = lambda start_s, end_s, frame, sender: frames.append(
        (frame.can_id, round(start_s * 1e9), round(end_s * 1e9))
    )

    def neighbor():
        rng = random.Random(seed)
        while True:
            yield env.timeout(rng.choice((0, 1e-6, 1e-4, 0.003)))

    streams = []
    for can_id, data, period_ns, offset_ns in drawn:
        streams.append(Stream(f"{can_id:03x}", "a", can_id, period_ns / 1e9, offset_ns / 1e9, data))
        net.start(streams[-1])
    if seed % 2:
        env.process(neighbor())
    env.run(until=0.025)
    trace, overruns = plain_bus(drawn, bitrate_bps, 25_000_000)
    assert [entry for entry in trace if entry[2] < 25_000_000] == frames
    if trace[-1:] and trace[-1][1] < 24_000_000:
        assert overruns == {stream.can_id: stream.overruns for stream in streams}


def test_frames_are_counted(recorded):
    """A frame each 290 µs makes 100 in 29 ms."""
    car = recorded(ABC)
    car.net.start(Stream("speed", "a", 0x100, 0.00029, data=b"\x01"))
    car.run(0.029)
    assert 100 == car.net.frames_total
    assert ABC == car.net.segment_of("c")


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("speed", "a", 0x100, 0.0), "stream speed: period 0.0 s must be above 0"),
        (("speed", "a", 0x100, 0.1, -0.1), "stream speed: offset -0.1 s must not be below 0"),
        (("speed", "a", 0x900, 0.1), "identifier 0x900 does not fit 11 bits (0..0x7ff)"),
        (("speed", "a", 0x100, 0.1, 0.0, bytes(9)), "9 data bytes do not fit one CAN frame (at most 8)"),
    ],
)
def test_impossible_streams(arguments, sentence):
    """A stream that cannot be sent is refused with its name, the value and the limit."""
    with pytest.raises(ValueError, match=r"must|fit") as refused:
        Stream(*arguments)
    assert sentence == str(refused.value)


def test_misuse_is_refused(recorded):
    """Started twice, named twice, in two segments, watched without a limit, forwarded into the past."""
    net = recorded(ABC).net
    speed = Stream("speed", "a", 0x100, 0.1)
    net.start(speed)
    with pytest.raises(ValueError, match=r"^stream speed is started already$"):
        net.start(speed)
    with pytest.raises(ValueError, match=r"^stream speed: a has another of that name and identifier$"):
        net.start(Stream("speed", "a", 0x100, 0.1))
    with pytest.raises(ValueError, match=r"^channel b is in two segments: .*\('a', 'b'\).*\('b', 'c'\).*$"):
        net.set_segments([Segment(("a", "b")), Segment(("b", "c"))])
    with pytest.raises(ValueError, match=r"^watch of stream speed by b: limit 0 s must be above 0$"):
        net.watch(speed, "b", 0, print, print)
    with pytest.raises(ValueError, match=r"^forwarding of stream speed: delay -1 s must not be below 0$"):
        net.forward(speed, "b", Stream("copy", "c", 0x200, None), -1)
