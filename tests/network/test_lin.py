"""A LIN cluster: frames where the schedule has them, for those who hear header and response."""

import random
from collections.abc import Callable

import pytest

from sim.network.clock import NanosecondEnvironment
from sim.network.lin import Cluster, FrameSlot, LinNetwork
from sim.network.streams import Stream

MASTER, RAIN, WIPER = "BCM.roof", "RAIN.roof", "WIPER.roof"
ALL = frozenset((a, b) for a in (MASTER, RAIN, WIPER) for b in (MASTER, RAIN, WIPER) if a != b)
CYCLE_S = 0.03
FRAME_S = (34 + 10 * 5) / 19_200  # four data bytes


class Roof:
    """Master, rain sensor and wiper: three slots of 10 ms."""

    def __init__(self) -> None:
        self.env = NanosecondEnvironment()
        slots = tuple(
            FrameSlot(name, place, 0.01)
            for place, name in enumerate(("BCM.wish", "RAIN.rain", "WIPER.state"), 1)
        )
        self.network = LinNetwork(self.env, {"roof": Cluster(MASTER, 19_200, slots)})
        self.wish, self.rain, self.state = (
            Stream(name, channel, can_id, CYCLE_S, 0.0, bytes(4))
            for name, channel, can_id in (
                ("BCM.wish", MASTER, 1),
                ("RAIN.rain", RAIN, 2),
                ("WIPER.state", WIPER, 3),
            )
        )
        self.heard: list[tuple[str, str, float]] = []
        self.lost: list[tuple[str, float]] = []
        for stream in (self.wish, self.rain, self.state):
            for channel in (MASTER, RAIN, WIPER):
                if channel != stream.channel:
                    self.network.on_change(stream, channel, self._note(channel))

    def _note(self, channel: str) -> Callable[[Stream, float], None]:
        return lambda stream, time_s: self.heard.append((channel, stream.name, round(time_s, 9)))

    def run(self, links: frozenset[tuple[str, str]] = ALL, until_s: float = 0.1) -> None:
        self.network.set_links(links, frozenset({"roof"}))
        self.env.run(until_s)

    def start_all(self) -> None:
        for stream in (self.wish, self.rain, self.state):
            self.network.start(stream)

    def watch(self, stream: Stream, channel: str, limit_s: float) -> None:
        self.network.watch(
            stream,
            channel,
            limit_s,
            lambda time_s: self.lost.append(("lost", round(time_s, 9))),
            lambda time_s: self.lost.append(("back", round(time_s, 9))),
        )


@pytest.fixture
def roof() -> Roof:
    return Roof()


def test_a_response_follows_its_header_on_the_wire(roof: Roof) -> None:
    """Header and response of a slot, one after the other, within the slot."""
    roof.network.tap = (on_wire := []).append
    roof.start_all()
    roof.run()
    assert len(on_wire) > 6
    pairs = list(zip(on_wire[0::2], on_wire[1::2], strict=False))
    for slot, (header, response) in enumerate(pairs):
        assert (True, True) == (header.words.startswith("header"), response.words.startswith("response"))
        assert 0.01 * slot == pytest.approx(header.start_s, abs=1e-9)
        assert header.end_s <= response.start_s + 1e-9
        assert response.end_s == pytest.approx(0.01 * slot + FRAME_S, abs=1e-9)


def test_frames_end_where_the_schedule_has_them(roof: Roof) -> None:
    """Slot by slot, each after 84 bits at 19.2 kbit/s; unchanged data are told once."""
    roof.start_all()
    roof.run()
    ends = [round(0.01 * slot + FRAME_S, 9) for slot in range(3)]
    assert [
        (RAIN, "BCM.wish", ends[0]), (WIPER, "BCM.wish", ends[0]),
        (MASTER, "RAIN.rain", ends[1]), (WIPER, "RAIN.rain", ends[1]),
        (MASTER, "WIPER.state", ends[2]), (RAIN, "WIPER.state", ends[2]),
    ] == roof.heard  # fmt: skip
    assert pytest.approx(0.09 + FRAME_S) == roof.network.heard_at(roof.wish, RAIN)


def test_new_data_go_with_the_next_header(roof: Roof) -> None:
    """Data that come in the middle of a frame wait for the next cycle."""
    roof.start_all()
    roof.run(until_s=0.03 + FRAME_S / 2)
    roof.network.set_data(roof.wish, b"\x01\x02\x03\x04")
    roof.heard.clear()
    roof.env.run(0.1)
    assert [(channel, "BCM.wish", round(0.06 + FRAME_S, 9)) for channel in (RAIN, WIPER)] == roof.heard
    assert b"\x01\x02\x03\x04" == roof.wish.delivered


@pytest.mark.parametrize(
    ("cut", "told"),
    [
        ({(MASTER, RAIN)}, {(WIPER, "BCM.wish"), (MASTER, "WIPER.state")}),  # gets no header: silent and deaf
        ({(RAIN, MASTER)}, {(RAIN, "BCM.wish"), (WIPER, "BCM.wish"), (WIPER, "RAIN.rain"),
                            (MASTER, "WIPER.state"), (RAIN, "WIPER.state")}),
    ],
    ids=["no header", "no response"],
)  # fmt: skip
def test_header_and_response_must_both_arrive(
    roof: Roof, cut: set[tuple[str, str]], told: set[tuple[str, str]]
) -> None:
    """A slave without headers sends nothing, and makes nothing of others' responses."""
    roof.start_all()
    roof.run(ALL - cut)
    assert told == {(channel, name) for channel, name, _ in roof.heard}


def test_a_slave_that_falls_silent_is_missed(roof: Roof) -> None:
    """The limit counts from the last response; the next one is told and arms the watch again."""
    roof.start_all()
    roof.watch(roof.rain, MASTER, 0.1)
    roof.run(until_s=0.2)
    roof.network.stop(roof.rain)
    roof.env.run(0.4)
    roof.network.start(roof.rain)
    roof.env.run(0.5)
    last_s, next_s = 0.19 + FRAME_S, 0.40 + FRAME_S
    assert [("lost", round(last_s + 0.1, 9)), ("back", round(next_s, 9))] == roof.lost
    roof.network.stop(roof.rain)
    roof.env.run(1.0)
    assert 3 == len(roof.lost)


def test_without_its_master_nothing_moves(roof: Roof) -> None:
    """Slaves never speak unasked; a schedule that starts anew starts with its first slot."""
    roof.start_all()
    roof.network.set_links(ALL, frozenset())
    roof.env.run(0.5)
    assert [] == roof.heard
    roof.run(until_s=0.505)
    assert [
        (RAIN, "BCM.wish", round(0.5 + FRAME_S, 9)),
        (WIPER, "BCM.wish", round(0.5 + FRAME_S, 9)),
    ] == roof.heard


def test_a_master_that_stops_and_starts_again_works_through_one_schedule(roof: Roof) -> None:
    """Stopped in the second slot and started before the third was due: a header per slot from the first."""
    roof.network.tap = (on_wire := []).append
    roof.run(until_s=0.015)
    roof.network.set_links(ALL, frozenset())
    roof.env.run(0.018)
    roof.run(until_s=0.05)
    assert [(0.0, "header 01"), (0.01, "header 02"), (0.018, "header 01"), (0.028, "header 02"),
            (0.038, "header 03"), (0.048, "header 01")] == [
        (round(one.start_s, 9), one.words) for one in on_wire
    ]  # fmt: skip


def test_a_response_that_is_broken_off_is_not_received(roof: Roof) -> None:
    """A sender that stops in the middle of its response is not heard."""
    roof.start_all()
    roof.run(until_s=0.01 + FRAME_S / 2)
    roof.network.stop(roof.rain)
    roof.run(until_s=0.02)
    assert ["BCM.wish", "BCM.wish"] == [name for _, name, _ in roof.heard]
    assert roof.network.heard_at(roof.rain, MASTER) is None


def test_who_has_been_cut_off_is_told_again_when_the_wire_is_whole(roof: Roof) -> None:
    """What it knew has grown old; the others, who have heard all the time, are not told what they know."""
    roof.start_all()
    roof.run(until_s=0.05)
    roof.run(ALL - {(RAIN, MASTER)}, until_s=0.1)
    roof.heard.clear()
    roof.run(until_s=0.2)
    assert [(MASTER, "RAIN.rain", round(0.1 + FRAME_S, 9))] == roof.heard


def test_a_link_lost_in_the_middle_of_a_frame(roof: Roof) -> None:
    """What is not heard to its end is not received, and is told when the wire is repaired."""
    roof.start_all()
    roof.run(until_s=0.01 + FRAME_S / 2)
    roof.heard.clear()
    roof.run(ALL - {(RAIN, MASTER)}, until_s=0.02)
    assert [(WIPER, "RAIN.rain", round(0.01 + FRAME_S, 9))] == roof.heard
    roof.run(until_s=0.05)
    assert (MASTER, "RAIN.rain", round(0.04 + FRAME_S, 9)) in roof.heard


def test_a_frame_at_the_very_end_of_its_limit_is_in_time(roof: Roof) -> None:
    """One cycle as the limit: every frame ends exactly when it would run out."""
    roof.start_all()
    roof.run(until_s=0.01 + FRAME_S)
    roof.watch(roof.rain, MASTER, CYCLE_S)
    roof.run(until_s=1.0)
    assert [] == roof.lost


def test_a_schedule_that_nobody_waits_for_takes_no_events(roof: Roof) -> None:
    """Ten seconds of a steady cluster are hardly an event, and what was heard is known all the same."""
    roof.start_all()
    roof.run()
    events = 0
    while roof.env.peek() < 10.0:
        roof.env.step()
        events += 1
    assert 3 >= events
    roof.env.run(10.0)
    heard_s = roof.network.heard_at(roof.wish, RAIN)
    assert heard_s is not None
    assert pytest.approx(9.99 + FRAME_S) == heard_s


@pytest.mark.parametrize("seed", range(8))
def test_a_schedule_that_waits_tells_what_one_on_time_tells(seed: int) -> None:
    """Whatever is done meanwhile: a tap, for which every frame is on time, changes nothing that is heard."""
    logs = []
    for tap in (None, lambda on_wire: None):
        roof, dice = Roof(), random.Random(seed)
        roof.network.tap = tap
        roof.watch(roof.rain, MASTER, 0.1)
        roof.watch(roof.wish, WIPER, 0.05)
        roof.start_all()
        roof.run(until_s=0.001)
        asked = []
        for _ in range(30):
            roof.env.run(roof.env.now + round(dice.uniform(0.001, 0.2), 5))
            stream = dice.choice((roof.wish, roof.rain, roof.state))
            asked.append(roof.network.heard_at(stream, MASTER))
            match dice.randrange(4):
                case 0:
                    (roof.network.stop if stream.live else roof.network.start)(stream)
                case 1:
                    roof.network.set_data(stream, dice.randbytes(4))
                case 2:
                    without = dice.choice((RAIN, WIPER))
                    links = frozenset(pair for pair in ALL if without not in pair)
                    roof.network.set_links(links, frozenset({"roof"}))
                case 3:
                    roof.network.set_links(ALL, frozenset({"roof"} if dice.random() < 0.8 else ()))
        logs.append((roof.heard, roof.lost, asked))
    assert any(what == "back" for what, _ in logs[0][1])
    assert logs[0] == logs[1]
