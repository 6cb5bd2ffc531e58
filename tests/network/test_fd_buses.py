"""FD frames on a bus, at both fidelities: the time they take, what they carry, and a faulty bus."""

import pytest

from sim.network.can import CanNetwork
from sim.network.clock import NanosecondEnvironment
from sim.network.frames import NS_PER_S, Frame, frame_ns
from sim.network.stream_fidelity import StreamNetwork
from sim.network.streams import Stream
from sim.wiring.segments import ChannelFault, Segment

BOTH = pytest.mark.parametrize("fidelity", [CanNetwork, StreamNetwork])
LONG = bytes(range(64))


def fd_stream(name: str, channel: str, can_id: int, data: bytes, period_s: float = 0.01) -> Stream:
    return Stream(name, channel, can_id, period_s, 0.0, data, fd=True, data_bitrate_bps=2_000_000)


@BOTH
def test_a_long_frame_arrives_whole_and_on_time(fidelity: type[CanNetwork] | type[StreamNetwork]) -> None:
    """64 bytes in one frame; it has arrived when its bits at 500 kbit/s and 2 Mbit/s have passed."""
    env = NanosecondEnvironment()
    network = fidelity(env)
    stream = fd_stream("A", "A.fd", 0x100, LONG)
    heard: list[tuple[float, bytes]] = []
    network.set_segments([Segment(("A.fd", "B.fd"))])
    network.on_change(stream, "B.fd", lambda stream, time_s: heard.append((time_s, stream.delivered)))
    network.start(stream)
    env.run(0.025)
    network.set_data(stream, LONG[::-1])
    env.run(0.045)
    first_s, second_s = (
        frame_ns(stream.frame.carrying(data), 500_000) / NS_PER_S for data in (LONG, LONG[::-1])
    )
    assert [(pytest.approx(first_s), LONG), (pytest.approx(0.03 + second_s), LONG[::-1])] == heard
    assert 0.0002 < first_s < 0.0005


@BOTH
def test_alone_its_attempts_take_their_own_time(fidelity: type[CanNetwork] | type[StreamNetwork]) -> None:
    """Sixteen attempts without acknowledgement: error passive, and back when another joins."""
    env = NanosecondEnvironment()
    network = fidelity(env)
    stream = fd_stream("A", "A.fd", 0x100, LONG)
    network.set_segments([Segment(("A.fd",))])
    states: list[tuple[str, float]] = []
    network.on_state("A.fd", lambda state, time_s: states.append((state, time_s)))
    network.start(stream)
    env.run(0.05)
    # up to the acknowledge slot, then error flag, delimiter and intermission: 6 + 8 + 3 bits
    whole_ns = frame_ns(stream.frame, 500_000)
    noticed_ns = whole_ns - 8 * 2000
    assert [
        ("error passive", pytest.approx((15 * (noticed_ns + 17 * 2000) + noticed_ns) / NS_PER_S))
    ] == states
    network.set_segments([Segment(("A.fd", "B.fd"))])
    env.run(0.5)
    assert network.heard_at(stream, "B.fd") == pytest.approx(0.49 + whole_ns / NS_PER_S, abs=0.011)


def test_a_deaf_member_of_an_fd_bus() -> None:
    """Bit by bit: one that reads no other does not disturb, and the long frames of the others arrive."""
    env = NanosecondEnvironment()
    network = CanNetwork(env)
    streams = [fd_stream(name, f"{name}.fd", 0x100 + k, LONG) for k, name in enumerate("AB")]
    network.set_segments([Segment(("A.fd", "B.fd", "C.fd"))])
    for stream in streams:
        network.start(stream)
    env.run(0.0951)  # in the middle of nothing
    env.run(0.1001)  # in the middle of a frame
    network.set_segments(
        [Segment(("A.fd", "B.fd", "C.fd"), faults=(ChannelFault("C.fd", misses=("A.fd", "B.fd")),))]
    )
    env.run(0.3)
    assert network.heard_at(streams[0], "B.fd") == pytest.approx(0.29, abs=0.011)
    assert network.heard_at(streams[0], "C.fd") == pytest.approx(0.09, abs=0.011)


def test_classical_and_fd_frames_share_a_bus() -> None:
    """Arbitration does not care: the lower identifier first, whatever its format."""
    env = NanosecondEnvironment()
    network = CanNetwork(env)
    network.set_segments([Segment(("A.fd", "B.fd"))])
    seen: list[tuple[int, bool]] = []
    network.tap = lambda start_s, end_s, frame, sender: seen.append((frame.can_id, frame.fd))
    for can_id, fd in ((0x300, True), (0x200, False), (0x100, True), (0x7FF, False)):
        network.send("A.fd", Frame(can_id, b"\x01", fd=fd, data_bitrate_bps=2_000_000 if fd else None))
    env.run(0.01)
    assert [(0x100, True), (0x200, False), (0x300, True), (0x7FF, False)] == seen


def test_a_controller_that_does_not_know_fd() -> None:
    """It answers FD frames with error frames until it is error passive, and disturbs no other from then on.

    Bosch CAN FD 1.0, section 6 (fault confinement): as a receiver it counts 1 for the error and 8 for the
    dominant bit after its flag (rules 1 and 2), so that its 15th error makes it error passive. The sender
    counts 8 for each frame that it destroys, 120 in all, and stays error active.
    """
    env = NanosecondEnvironment()
    destroyed: list[float] = []
    network = CanNetwork(env, on_event=lambda time_s, what, who: destroyed.append(time_s))
    stream = fd_stream("A", "A.fd", 0x100, LONG, 0.02)
    old = ChannelFault("C.fd", classical=True)
    network.set_segments([Segment(("A.fd", "B.fd", "C.fd"), faults=(old,))])
    states: list[tuple[str, str]] = []
    for channel in ("A.fd", "B.fd", "C.fd"):
        network.on_state(channel, lambda state, time_s, channel=channel: states.append((channel, state)))
    network.start(stream)
    env.run(0.5)
    assert [("C.fd", "error passive")] == states[:1]
    assert 15 == len(destroyed)
    assert "error active" == network.state_of("A.fd")
    assert network.heard_at(stream, "B.fd") == pytest.approx(0.48, abs=0.011)
    assert network.heard_at(stream, "C.fd") is None


def test_it_reads_classical_frames_all_the_same() -> None:
    """Only FD frames are strange to it."""
    env = NanosecondEnvironment()
    network = CanNetwork(env)
    network.set_segments([Segment(("A.fd", "C.fd"), faults=(ChannelFault("C.fd", classical=True),))])
    got: list[Frame] = []
    network.listen("C.fd", lambda frame, sender, time_s: got.append(frame))
    network.send("A.fd", Frame(0x123, b"\x01\x02"))
    env.run(0.01)
    assert [Frame(0x123, b"\x01\x02")] == got
