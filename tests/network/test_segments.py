"""Modules that come, go and meet while frames are on the wire."""

import pytest

from sim.network.frames import Frame
from sim.network.streams import Stream
from sim.wiring.segments import Segment

# Frame 100 01 takes 0.110 ms at 500 kbit/s, 200 01 0.114 ms, both with 6 µs of intermission. Unacknowledged,
# 100 01 is repeated each 64 bits, 0.128 ms, and each 72 bits, 0.144 ms, from the 16th attempt on (45 stuffed
# bits, then as in test_fault_confinement.py: 19 and 27 more). A channel that joins takes part from the next
# frame on.
ABC = Segment(("a", "b", "c"))
HALF_WAY_S = 0.00005


def speed_of(car, channel="a"):
    stream = Stream("speed", channel, 0x100, 0.01, data=b"\x01")
    car.net.start(stream)
    return stream


def test_sender_leaves_within_a_frame(recorded):
    """The frame is repeated without end; when the sender is back its next attempt arrives.

    15 attempts of 0.128 ms and 112 of 0.144 ms end at 18.048 ms, the last of them begun before it was back.
    """
    car = recorded(ABC)
    frames = car.tap()
    speed = speed_of(car)
    car.read(speed, "b")
    car.watch(speed, "c", 0.015)
    car.at(HALF_WAY_S, lambda: car.net.set_segments([Segment(("b", "c"))]))
    car.at(0.018, lambda: car.net.set_segments([ABC]))
    log = car.run(0.025)
    assert [
        ("frame destroyed", "speed", 0.05),
        ("lost", "c of speed", 15.0),
        ("b reads 01", "speed", 18.158),
        ("back", "c of speed", 18.158),
    ] == log
    assert [("a", 18.048, 18.158), ("a", 20.0, 20.11)] == frames
    assert round(15 * 0.128 + 112 * 0.144, 6) == 18.048
    assert 1 == speed.overruns
    assert 2 == car.net.frames_total


def test_the_others_go_on_after_an_error_frame(recorded):
    """The sender drops out after bit 25, which is dominant: six recessive bits, 6 + 8 + 3 bits, bus idle."""
    car = recorded(ABC)
    frames = car.tap()
    speed_of(car)
    car.net.start(Stream("brake", "b", 0x200, 0.01, data=b"\x01"))
    car.at(HALF_WAY_S, lambda: car.net.set_segments([Segment(("b", "c"))]))
    car.run(0.005)
    assert [("b", 0.096, 0.21)] == frames
    assert 0.096 == (25 + 6 + 6 + 8 + 3) * 0.002
    # each other member has counted 1 for the broken frame, and 1 less for b's; b has received none
    assert [(0, 1), (0, 0)] == [car.net.error_counters(channel) for channel in "bc"]


def test_a_receiver_leaves_within_a_frame(recorded):
    """The frame goes on for those who stay; who left has not heard it, nor has who joined half-way."""
    car = recorded(ABC)
    frames = car.tap()
    speed = speed_of(car)
    for channel in "bcd":
        car.read(speed, channel)
    car.at(HALF_WAY_S, lambda: car.net.set_segments([Segment(("a", "c", "d"))]))
    car.run(0.005)
    heard = [car.net.heard_at(speed, channel) for channel in "bcd"]
    car.run(0.015)
    assert [None, 0.00011, None] == heard
    assert [("c reads 01", "speed", 0.11), ("d reads 01", "speed", 10.11)] == car.log
    assert [("a", 0.0, 0.11), ("a", 10.0, 10.11)] == frames


def test_changed_twice_within_a_frame(recorded):
    """A channel that leaves and comes back within a frame brings an error flag; all get the next frame."""
    car = recorded(ABC)
    speed = speed_of(car)
    for channel in "bc":
        car.read(speed, channel)
    car.at(0.00003, lambda: car.net.set_segments([Segment(("a", "c"))]))
    car.at(0.00006, lambda: car.net.set_segments([ABC]))
    assert [
        ("frame destroyed", "speed", 0.068),
        ("b reads 01", "speed", 0.216),
        ("c reads 01", "speed", 0.216),
    ] == car.run(0.015)


def test_only_newcomers_are_left(recorded):
    """A frame whose receivers have all been replaced is not acknowledged: none has it whole."""
    car = recorded(Segment(("a", "b")))
    frames = car.tap()
    speed_of(car)
    car.at(HALF_WAY_S, lambda: car.net.set_segments([Segment(("a", "c"))]))
    log = car.run(0.005)
    assert [] == log
    assert [("a", 0.128, 0.238)] == frames


def test_a_listener_alone_cannot_keep_a_frame_alive(recorded):
    """The last member that could acknowledge leaves: the frame is destroyed although a listener hears it."""
    car = recorded(Segment(("a", "b"), listeners=("l",)))
    speed = speed_of(car)
    car.at(HALF_WAY_S, lambda: car.net.set_segments([Segment(("a",), listeners=("l",))]))
    assert [("frame destroyed", "speed", 0.05)] == car.run(1.0)
    assert car.net.heard_at(speed, "l") is None


def test_a_lead_joins_two_busy_buses(recorded):
    """Two frames that meet destroy each other; both are sent again, the lower identifier first.

    Bits counted from 0: they meet in bit 25, a reads its recessive bit 26 dominant, c its bit 27, where a's
    flag begins. c's flag ends with bit 33, the error frame and intermission with bit 44.
    """
    car = recorded(Segment(("a", "b")), Segment(("c", "d")))
    frames = car.tap()
    car.net.start(Stream("brake", "c", 0x200, 0.01, data=b"\x01"))
    speed_of(car)
    car.at(HALF_WAY_S, lambda: car.net.set_segments([Segment(("a", "b", "c", "d"))]))
    log = car.run(0.005)
    assert [("frame destroyed", "speed", 0.054), ("frame destroyed", "brake", 0.056)] == log
    assert [("a", 0.09, 0.2), ("c", 0.206, 0.32)] == frames


def test_a_lead_joins_a_busy_and_an_idle_bus(recorded):
    """One frame on the wire goes on; releases of the other bus wait for it."""
    car = recorded(Segment(("a", "b")), Segment(("c", "d")))
    frames = car.tap()
    speed_of(car)
    car.net.start(Stream("brake", "c", 0x200, 0.01, 0.00006, data=b"\x01"))
    car.at(HALF_WAY_S, lambda: car.net.set_segments([Segment(("a", "b", "c", "d"))]))
    car.run(0.005)
    assert [("a", 0.0, 0.11), ("c", 0.116, 0.23)] == frames


def test_a_bus_falls_apart(recorded):
    """Each half works on by itself, and waiting frames go on in their own half."""
    car = recorded(Segment(("a", "b", "c", "d")))
    frames = car.tap()
    speed_of(car)
    car.net.start(Stream("brake", "c", 0x200, 0.01, data=b"\x01"))
    car.net.start(Stream("lock", "b", 0x300, 0.01, data=b"\x01"))
    car.at(HALF_WAY_S, lambda: car.net.set_segments([Segment(("a", "b")), Segment(("c", "d"))]))
    car.run(0.005)
    assert [("a", 0.0, 0.11), ("c", 0.096, 0.21), ("b", 0.116, 0.228)] == frames


def test_change_at_the_very_end_of_a_frame(recorded):
    """The frame is complete: all are told, even if they leave at that instant, and it is not sent again."""
    car = recorded(ABC)
    frames = car.tap()
    speed = speed_of(car)
    car.read(speed, "b")
    car.at(0.00011, lambda: car.net.set_segments([Segment(("b", "c"))]))
    car.at(0.0002, lambda: car.net.set_segments([ABC]))
    car.at(0.01011, lambda: car.net.set_segments([Segment(("a", "c"))]))
    car.at(0.0102, lambda: car.net.set_segments([ABC]))
    log = car.run(0.025)
    assert [
        ("b reads 01", "speed", 0.11),
        ("b reads 01", "speed", 10.11),
        ("b reads 01", "speed", 20.11),
    ] == log
    assert [0.0, 10.0, 20.0] == [start for _, start, _ in frames]


def test_none_left_to_acknowledge(recorded):
    """The last other member falls silent within a frame: it still hears, but the frame is destroyed."""
    car = recorded(Segment(("a", "b")))
    speed = speed_of(car)
    car.at(HALF_WAY_S, lambda: car.net.set_segments([Segment(("a",), listeners=("b",))]))
    assert [("frame destroyed", "speed", 0.05)] == car.run(0.009)
    assert car.net.heard_at(speed, "b") is None


def test_who_was_away_learns_again(recorded):
    """A receiver that comes back is told the data though they have not changed; one that stayed is not."""
    car = recorded(ABC)
    speed = speed_of(car)
    for channel in "bc":
        car.read(speed, channel)
    car.at(0.005, lambda: car.net.set_segments([Segment(("a", "c"))]))
    car.at(0.015, lambda: car.net.set_segments([ABC]))
    assert [
        ("b reads 01", "speed", 0.11),
        ("c reads 01", "speed", 0.11),
        ("b reads 01", "speed", 20.11),
    ] == car.run(0.05)


def test_what_was_heard_before_is_remembered(recorded):
    """Leaving does not make a receiver forget its last frame; its limit counts from there."""
    car = recorded(ABC)
    speed = speed_of(car)
    car.watch(speed, "b", 0.025)
    car.at(0.015, lambda: car.net.set_segments([Segment(("a", "c"))]))
    car.at(0.031, lambda: car.net.set_segments([ABC]))
    seen = []
    car.at(0.032, lambda: seen.extend(car.net.heard_at(speed, channel) for channel in "bc"))
    assert [("lost", "b of speed", 35.11), ("back", "b of speed", 40.11)] == car.run(0.06)
    assert [0.01011, 0.03011] == seen


def test_unchanged_segments_run_on(recorded):
    """The same segments in another order of words disturb nothing: the frame on the wire goes on."""
    car = recorded(ABC, Segment(("x", "y")))
    frames = car.tap()
    speed_of(car)
    car.at(HALF_WAY_S, lambda: car.net.set_segments([Segment(("y", "x")), Segment(("c", "a", "b"))]))
    car.at(0.00006, lambda: car.net.set_segments([Segment(("c", "a", "b"))]))
    log = car.run(0.005)
    assert [] == log
    assert [("a", 0.0, 0.11)] == frames


def test_waiting_frames_of_a_lone_module_go_when_another_joins(recorded):
    """Streams with their newest data and single frames, lowest identifier first."""
    car = recorded()
    frames = car.tap()
    speed = speed_of(car)
    car.listen("b")
    car.read(speed, "b")
    car.net.send("a", Frame(0x7E0, b"\x01"))
    car.at(0.055, lambda: car.net.set_data(speed, b"\x02"))
    car.at(0.056, lambda: car.net.set_segments([ABC]))
    assert [("b reads 02", "speed", 56.206), ("b gets 7E0 01", "a", 56.324)] == car.run(0.0595)
    assert [("a", 56.092, 56.206), ("a", 56.212, 56.324)] == frames  # the attempt of 55.948 is not heard


def test_a_stopped_stream_is_not_sent_again(recorded):
    """Stopped while on the wire, then destroyed: gone. A single frame is sent again."""
    car = recorded(ABC)
    frames = car.tap()
    car.listen("b")
    speed = speed_of(car)
    car.net.send("b", Frame(0x200, b"\x01"))
    car.at(0.00002, lambda: car.net.stop(speed))
    car.at(HALF_WAY_S, lambda: car.net.set_segments([Segment(("b", "c"))]))
    car.at(0.0001, lambda: car.net.set_segments([Segment(("a", "c"))]))
    car.at(0.001, lambda: car.net.set_segments([ABC]))
    log = car.run(0.005)
    assert [("frame destroyed", "speed", 0.05), ("frame destroyed", "200 01", 0.1)] == log
    assert [("b", 1.02, 1.134)] == frames  # unacknowledged since 0.05, attempts of 66 and 74 bits


@pytest.mark.parametrize("bitrate_bps", [125_000, 1_000_000])
def test_bit_rate_changes(recorded, bitrate_bps):
    """A frame cannot go on at another rate; from then on frames have the new length."""
    car = recorded(ABC)
    frames = car.tap()
    speed_of(car)
    car.at(HALF_WAY_S, lambda: car.net.set_segments([Segment(("a", "b", "c"), bitrate_bps=bitrate_bps)]))
    assert [("frame destroyed", "speed", 0.05)] == car.run(0.009)
    assert [("a", 0.05, round(0.05 + 55_000 / bitrate_bps, 6))] == frames
