"""Streams that a gateway passes from bus to bus."""

import random

import pytest

from sim.network.streams import Stream
from sim.wiring.segments import Segment

# Frame 100 01 takes 0.110 ms at 500 kbit/s, see test_frames.py; 200 01 has 57 bits: 0.456 ms
# at 125 kbit/s.
DRIVE = Segment(("ecm.drive", "gateway.drive"))
BODY = Segment(("gateway.body", "bcm.body"), bitrate_bps=125_000)


def forwarded(recorded):
    """An engine message of 10 ms that a gateway repeats on a slower bus 1 ms later."""
    car = recorded(DRIVE, BODY)
    source = Stream("speed", "ecm.drive", 0x100, 0.01, data=b"\x01")
    target = Stream("speed", "gateway.body", 0x200, None)
    car.net.forward(source, "gateway.drive", target, 0.001)
    car.net.start(source)
    return car, source, target


def test_each_frame_is_passed_on(recorded):
    """A frame leaves the gateway its delay after it has been received whole, with its data."""
    car, source, target = forwarded(recorded)
    frames = car.tap()
    car.read(target, "bcm.body")
    car.net.start(target)
    car.at(0.0155, lambda: car.net.set_data(source, b"\x07"))
    log = car.run(0.029)
    assert [
        ("ecm.drive", 0.0, 0.11),
        ("gateway.body", 1.11, 1.566),
        ("ecm.drive", 10.0, 10.11),
        ("gateway.body", 11.11, 11.566),
        ("ecm.drive", 20.0, 20.11),
        ("gateway.body", 21.11, 21.558),
    ] == frames
    assert [("bcm.body reads 01", "speed", 1.566), ("bcm.body reads 07", "speed", 21.558)] == log


def test_data_are_those_of_the_frame_received(recorded):
    """New data of the source between reception and delay do not leak into the frame passed on."""
    car, source, target = forwarded(recorded)
    car.read(target, "bcm.body")
    car.net.start(target)
    car.at(0.0005, lambda: car.net.set_data(source, b"\x07"))
    log = car.run(0.015)
    assert ["bcm.body reads 01", "bcm.body reads 07"] == [what for what, _, _ in log]


def test_nothing_is_passed_on_while_the_target_is_stopped(recorded):
    """A gateway that does not send yet swallows frames; also one stopped within the delay."""
    car, _, target = forwarded(recorded)
    frames = car.tap()
    car.at(0.005, lambda: car.net.start(target))
    car.at(0.0205, lambda: car.net.stop(target))
    car.run(0.04)
    assert [("gateway.body", 11.11, 11.566)] == [frame for frame in frames if frame[0] == "gateway.body"]


def test_what_the_gateway_does_not_hear_is_lost_after_it(recorded):
    """The gateway unplugged from one bus: its other bus loses the message, although others still hear it."""
    car, source, target = forwarded(recorded)
    wide = Segment(("abs.drive", "ecm.drive", "gateway.drive"))
    car.net.set_segments([wide, BODY])
    car.net.start(target)
    car.watch(target, "bcm.body", 0.05)
    car.watch(source, "abs.drive", 0.05)
    car.at(0.015, lambda: car.net.set_segments([Segment(("abs.drive", "ecm.drive")), BODY]))
    car.at(0.1, lambda: car.net.set_segments([wide, BODY]))
    assert [
        ("lost", "bcm.body of speed", 61.566),
        ("back", "bcm.body of speed", 101.566),
    ] == car.run(0.2)


def test_gateway_that_drops_out_within_a_frame(recorded):
    """The frame goes on for others, but what the gateway has not received whole it does not pass on."""
    car, _, target = forwarded(recorded)
    car.net.set_segments([Segment(("abs.drive", "ecm.drive", "gateway.drive")), BODY])
    frames = car.tap()
    car.net.start(target)
    car.at(0.00005, lambda: car.net.set_segments([Segment(("abs.drive", "ecm.drive")), BODY]))
    car.run(0.005)
    assert [("ecm.drive", 0.0, 0.11)] == frames


def test_both_ways_and_on(recorded):
    """A message over two gateways, and one back: each hop adds its frame and its delay."""
    rear = Segment(("bcm.rear", "door.rear"), bitrate_bps=125_000)
    car, _, middle = forwarded(recorded)
    car.net.set_segments([DRIVE, BODY, rear])
    end = Stream("speed", "bcm.rear", 0x200, None)
    lock = Stream("lock", "bcm.body", 0x201, 0.1, offset_s=0.05, data=b"\x01")
    lock_copy = Stream("lock", "gateway.drive", 0x201, None)
    car.net.forward(middle, "bcm.body", end, 0.002)
    car.net.forward(lock, "gateway.body", lock_copy, 0.0)
    car.read(end, "door.rear")
    car.read(lock_copy, "ecm.drive")
    for stream in (middle, end, lock, lock_copy):
        car.net.start(stream)
    assert [
        ("door.rear reads 01", "speed", 4.022),  # 1.566 + 2 + 0.456
        ("ecm.drive reads 01", "lock", 50.55),  # 55 bits of 8 µs, then of 2 µs
    ] == car.run(0.06)


def test_unforward(recorded):
    """Undone, nothing is released any more; the frame within the gateway still goes out."""
    car, source, target = forwarded(recorded)
    frames = car.tap()
    car.net.start(target)
    car.at(0.0105, lambda: car.net.unforward(source, "gateway.drive", target))
    car.run(0.04)
    assert [1.11, 11.11] == [start for sender, start, _ in frames if sender == "gateway.body"]


@pytest.mark.parametrize("seed", range(12))
def test_frames_that_only_gateways_take_go_out_as_those_that_are_watched(recorded, seed):
    """A tap, which follows every frame to its end, changes nothing that anybody hears of a gateway."""
    logs = []
    for tapped in (True, False):
        dice = random.Random(seed)
        car, source, target = forwarded(recorded)
        wide = Segment(("abs.drive", "ecm.drive", "gateway.drive"))
        car.net.set_segments([wide, BODY])
        if tapped:
            car.tap()
        car.watch(target, "bcm.body", 0.015)
        car.read(target, "bcm.body")
        for _ in range(40):
            car.at(round(dice.uniform(0, 0.3), 5), dice.choice(things_done(car, source, target, wide, dice)))
        # at the end of a frame, and in the middle of one
        car.at(0.02011, lambda car=car, target=target: restarted(car, target))
        car.at(0.03005, lambda car=car, target=target: restarted(car, target))
        logs.append(car.run(0.4))
    assert any("reads" in what for what, _, _ in logs[0])
    assert logs[0] == logs[1]


def restarted(car, target):
    """The gateway's stream ends and begins anew at once."""
    if target.live:
        car.net.stop(target)
    car.net.start(target)


def forwarded_anew(car, source, target):
    """The gateway's rule is undone if there is one, and made again."""
    car.net.unforward(source, "gateway.drive", target)
    car.net.forward(source, "gateway.drive", target, 0.001)


def things_done(car, source, target, wide, dice):
    """What may happen around a gateway while frames go through it."""
    data = dice.randbytes(1)
    return [
        lambda: restarted(car, target),
        lambda: car.net.stop(target),
        lambda: car.net.set_data(source, data),
        lambda: car.net.unforward(source, "gateway.drive", target),
        lambda: forwarded_anew(car, source, target),
        lambda: car.net.set_segments([Segment(("abs.drive", "ecm.drive")), BODY]),
        lambda: car.net.set_segments([wide, BODY]),
    ]
