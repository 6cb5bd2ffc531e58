"""Lost and returning messages, to the nanosecond."""

from sim.network.frames import Frame
from sim.network.streams import Stream
from sim.wiring.segments import Segment

# Frame 100 01 takes 0.110 ms at 500 kbit/s, see test_frames.py.
ABC = Segment(("a", "b", "c"))


def speed_of(car, **changes):
    """A 10 ms message of a."""
    return Stream("speed", "a", 0x100, 0.01, data=b"\x01", **changes)


def test_lost_and_back(recorded):
    """Lost exactly the limit after the last complete frame, back at the end of the next; then armed again."""
    car = recorded(ABC)
    speed = speed_of(car)
    car.net.start(speed)
    car.watch(speed, "b", 0.025)
    car.at(0.035, lambda: car.net.stop(speed))
    car.at(0.1, lambda: car.net.start(speed))
    car.at(0.125, lambda: car.net.stop(speed))
    assert [
        ("lost", "b of speed", 55.11),  # last frame 30 to 30.11 ms
        ("back", "b of speed", 100.11),
        ("lost", "b of speed", 145.11),
    ] == car.run(1.0)


def test_never_heard(recorded):
    """Without any frame the limit counts from the start of the watch."""
    car = recorded(ABC)
    speed = speed_of(car)
    car.at(0.003, lambda: car.watch(speed, "b", 0.025))
    assert [("lost", "b of speed", 28.0)] == car.run(1.0)


def test_old_frames_do_not_help_a_new_watch_less_than_its_own_start(recorded):
    """The limit counts from the later of the watch's start and the last frame."""
    car = recorded(ABC)
    speed = speed_of(car)
    car.net.start(speed)
    car.at(0.001, lambda: car.net.stop(speed))
    car.at(0.002, lambda: car.watch(speed, "b", 0.005))
    assert [("lost", "b of speed", 7.0)] == car.run(1.0)


def test_a_frame_that_ends_at_the_limit_is_in_time(recorded):
    """Limit equal to the period: never lost; a nanosecond less: lost and back with every frame."""
    car = recorded(ABC)
    speed = speed_of(car)
    car.net.start(speed)
    car.watch(speed, "b", 0.01)
    car.watch(speed, "c", 0.009999999)
    assert [
        ("lost", "c of speed", 10.109999),
        ("back", "c of speed", 10.11),
        ("lost", "c of speed", 20.109999),
        ("back", "c of speed", 20.11),
    ] == car.run(0.025)


def test_limit_passes_while_the_frame_is_on_the_wire(recorded):
    """A frame that has begun does not count, it calls back at its end."""
    car = recorded(ABC)
    speed = speed_of(car, offset_s=0.02)
    car.watch(speed, "b", 0.02005)
    car.net.start(speed)
    assert [("lost", "b of speed", 20.05), ("back", "b of speed", 20.11)] == car.run(0.04)


def test_receivers_have_their_own_limits(recorded):
    """Each receiver loses the stream at its own time; equal limits call in the order of the watches."""
    car = recorded(ABC)
    speed = speed_of(car)
    car.net.start(speed)
    car.watch(speed, "c", 0.02)
    car.watch(speed, "b", 0.05)
    car.watch(speed, "b", 0.02)
    car.at(0.012, lambda: car.net.stop(speed))
    assert [
        ("lost", "c of speed", 30.11),
        ("lost", "b of speed", 30.11),
        ("lost", "b of speed", 60.11),
    ] == car.run(1.0)


def test_canceled_watches_are_silent(recorded):
    """Canceled before or at the very instant of its call, a watch says nothing; the others go on."""
    car = recorded(ABC)
    speed = speed_of(car)
    car.net.start(speed)
    early = car.watch(speed, "b", 0.015)
    car.net.watch(speed, "b", 0.02, lambda t: (car.note("lost", "first", t), second.cancel()), print)
    second = car.watch(speed, "c", 0.02)
    car.watch(speed, "c", 0.03)
    car.at(0.012, lambda: car.net.stop(speed))
    car.at(0.013, early.cancel)
    car.at(0.014, early.cancel)
    assert [("lost", "first", 30.11), ("lost", "c of speed", 40.11)] == car.run(1.0)


def test_calls_may_change_the_network(recorded):
    """A receiver that stops, starts and watches from inside its calls is obeyed at once."""
    car = recorded(ABC)
    speed, reply = speed_of(car), Stream("reply", "b", 0x200, 0.01, data=b"\x01")
    frames = car.tap()
    car.net.start(speed)

    def lost(time_s):
        car.net.start(reply)
        car.watch(reply, "a", 0.015)
        car.at(0.046, lambda: car.net.start(speed))

    def back(time_s):
        car.net.stop(reply)

    car.net.watch(speed, "b", 0.02, lost, back)
    car.at(0.012, lambda: car.net.stop(speed))
    log = car.run(0.0605)
    assert [
        ("a", 0.0, 0.11),
        ("a", 10.0, 10.11),
        ("b", 30.11, 30.224),
        ("b", 40.11, 40.224),
        ("a", 46.0, 46.11),
        ("a", 56.0, 56.11),
    ] == frames
    assert [("lost", "a of reply", 55.224)] == log


def test_what_a_limit_causes_takes_part_in_the_arbitration_of_that_instant(recorded):
    """A frame sent from the call beats a release of the same instant on the idle bus."""
    car = recorded(ABC)
    frames = car.tap()
    speed = speed_of(car)
    car.net.watch(speed, "b", 0.02, lambda t: car.net.send("b", Frame(0x010)), print)
    car.net.start(Stream("released then", "c", 0x200, 1.0, offset_s=0.02))
    car.run(0.03)
    assert ["b", "c"] == [sender for sender, _, _ in frames]


def test_quiet_traffic_costs_no_events(recorded):
    """1000 frames that cause no call, with their watches, pass within a handful of SimPy events."""
    car = recorded(ABC)
    speed = speed_of(car)
    for channel in "bc":
        car.watch(speed, channel, 0.05)
        car.read(speed, channel)
    car.net.start(speed)
    steps = 0
    while car.env.peek() < 10.0:
        car.env.step()
        steps += 1
    assert 1000 <= car.net.frames_total
    assert steps < 40
    assert [("b reads 01", "speed", 0.11), ("c reads 01", "speed", 0.11)] == car.log
