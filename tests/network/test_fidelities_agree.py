"""Frame fidelity and stream fidelity tell the same story of random days on random buses.

Same streams, watches, gateways, data changes and segment changes; the order of what each receiver is told is
the same, and times differ by no more than waiting in arbitration. A message that is lost and back within that
time is a tie, which either fidelity may call.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field

import pytest

from sim.network.can import CanNetwork
from sim.network.clock import NanosecondEnvironment
from sim.network.interface import Network
from sim.network.stream_fidelity import Overloaded, StreamNetwork
from sim.network.streams import Stream
from sim.wiring.segments import Segment

SLACK_S = 0.02  # two of the longest waits in arbitration on these buses


@dataclass
class Day:
    """One random day: who sends what, who watches, and what changes when."""

    seed: int
    told: dict[tuple[str, str, str], list[float]] = field(default_factory=dict)

    def live(self, network_class: type[Network]) -> dict[tuple[str, str, str], list[tuple[float, str]]]:
        """Run the day; returns per (what, stream, receiver) the times and words."""
        rng = random.Random(self.seed)
        env = NanosecondEnvironment()
        network = network_class(env)  # type: ignore[call-arg]
        told: dict[tuple[str, str, str], list[tuple[float, str]]] = {}
        north = [f"N{i}.north" for i in range(4)]
        south = [f"S{i}.south" for i in range(4)]
        streams = []
        for place, channel in enumerate([*north, *south]):
            period_s = rng.choice([0.02, 0.05, 0.1, 0.2])
            stream = Stream(
                f"m{place}",
                channel,
                0x100 + rng.randrange(256) * 4 + place % 4,
                period_s,
                rng.random() * period_s,
            )
            streams.append(stream)
        target = Stream("m0 on south", "S0.south", 0x700, None)

        def tell(what: str, stream: Stream, receiver: str) -> None:
            words = stream.delivered.hex() if what == "new" else ""
            told.setdefault((what, stream.name, receiver), []).append((env.now, words))

        def segments() -> list[Segment]:
            here = [c for c in north if rng.random() > 0.2]
            there = [c for c in south if rng.random() > 0.2]
            return [Segment(tuple(sorted(group)), (), 250_000) for group in (here, there) if group]

        network.set_segments([Segment(tuple(north), (), 250_000), Segment(tuple(south), (), 250_000)])
        for stream in [*streams, target]:
            side = north if stream.channel.endswith("north") else south
            for receiver in side:
                if receiver == stream.channel:
                    continue
                network.on_change(stream, receiver, lambda s, t, r=receiver: tell("new", s, r))
                network.watch(
                    stream,
                    receiver,
                    1.0 + rng.random(),
                    lambda t, s=stream, r=receiver: tell("lost", s, r),
                    lambda t, s=stream, r=receiver: tell("back", s, r),
                )
        network.forward(streams[0], "N1.north", target, 0.002)
        network.start(target)
        for stream in streams:
            network.start(stream)

        def change() -> None:
            kind = rng.randrange(4)
            stream = rng.choice(streams)
            if kind == 0:
                network.set_segments(segments())
            elif kind == 1:
                network.set_data(stream, bytes([rng.randrange(256)]))
            elif kind == 2:
                (network.stop if stream.live else network.start)(stream)
            else:
                network.set_segments([Segment(tuple(north), (), 250_000), Segment(tuple(south), (), 250_000)])

        for _ in range(40):
            env.run(until=env.now + rng.choice([0.3, 1.0, 4.0]) + rng.random() * 0.1)
            change()
        env.run(until=env.now + 5)
        return told


@pytest.mark.parametrize("seed", range(60))
def test_both_fidelities_tell_receivers_the_same(seed: int) -> None:
    """On a random day both lose and find the same messages, and end with the same data."""
    frames = _without_ties(Day(seed).live(CanNetwork))
    streams = _without_ties(Day(seed).live(StreamNetwork))
    assert _words(frames, "lost") == _words(streams, "lost")
    assert _words(frames, "back") == _words(streams, "back")
    for key in frames:
        if key[0] != "new":
            times = zip(frames[key], streams[key], strict=True)
            assert [] == [(key, a, b) for (a, _), (b, _) in times if abs(a - b) > SLACK_S + 0.2]
    assert _last(frames) == _last(streams)


def test_an_overloaded_bus_is_refused() -> None:
    """Stream fidelity does not answer for what low priorities get on a bus that is full."""
    network = StreamNetwork(NanosecondEnvironment())
    network.set_segments([Segment(("A.b", "B.b"), (), 125_000)])
    for number in range(9):
        network.start(Stream(f"m{number}", "A.b", 0x100 + number, 0.01, 0.0, bytes(8)))
    with pytest.raises(Overloaded, match=r"9\d% of the bus"):
        network.start(Stream("m9", "A.b", 0x109, 0.01, 0.0, bytes(8)))


def _without_ties(
    told: dict[tuple[str, str, str], list[tuple[float, str]]],
) -> dict[tuple[str, str, str], list[tuple[float, str]]]:
    kept = dict(told)
    for (what, stream, receiver), rows in told.items():
        if what == "lost":
            back = [time_s for time_s, _ in told.get(("back", stream, receiver), [])]
            ties = [(a, b) for a, _ in rows for b in back if 0 <= b - a < SLACK_S]
            lost_ties, back_ties = {a for a, _ in ties}, {b for _, b in ties}
            kept["lost", stream, receiver] = [row for row in rows if row[0] not in lost_ties]
            rest = [row for row in told.get(("back", stream, receiver), []) if row[0] not in back_ties]
            kept["back", stream, receiver] = rest
    return {key: rows for key, rows in kept.items() if rows}


def _words(
    told: dict[tuple[str, str, str], list[tuple[float, str]]], what: str
) -> dict[tuple[str, str], int]:
    return {key[1:]: len(rows) for key, rows in told.items() if key[0] == what}


def _last(told: dict[tuple[str, str, str], list[tuple[float, str]]]) -> dict[tuple[str, str], str]:
    """What each receiver knows of each stream at the end of the day."""
    return {key[1:]: rows[-1][1] for key, rows in told.items() if key[0] == "new"}


FIDELITIES = [CanNetwork, StreamNetwork]


@pytest.mark.parametrize("network_class", FIDELITIES)
def test_a_sender_that_begins_late_is_missed_until_then(network_class: type[Network]) -> None:
    """Its period is within the limit, its first frame is not."""
    env = NanosecondEnvironment()
    network = network_class(env)  # type: ignore[call-arg]
    network.set_segments([Segment(("A.bus", "B.bus"), (), 500_000)])
    late = Stream("late", "A.bus", 0x100, 0.1, 0.5)
    told: list[tuple[str, float]] = []
    network.start(late)
    network.watch(late, "B.bus", 0.2, lambda t: told.append(("lost", t)), lambda t: told.append(("back", t)))
    env.run(until=2.0)
    assert ["lost", "back"] == [what for what, _ in told]
    assert [0.2, 0.5] == pytest.approx([time_s for _, time_s in told], abs=0.001)


@pytest.mark.parametrize("network_class", FIDELITIES)
def test_a_watch_that_the_first_to_hear_cancels_is_not_called(network_class: type[Network]) -> None:
    """A handler that cancels another watch of the same frame keeps that one from being called."""
    env = NanosecondEnvironment()
    network = network_class(env)  # type: ignore[call-arg]
    network.set_segments([Segment(("A.bus", "B.bus", "C.bus"), (), 500_000)])
    late = Stream("late", "A.bus", 0x100, 0.1, 0.5)
    told: list[str] = []

    def back(time_s: float) -> None:
        told.append("first")
        second.cancel()

    network.watch(late, "B.bus", 0.2, lambda _: None, back)
    second = network.watch(late, "C.bus", 0.2, lambda _: None, lambda _: told.append("second"))
    network.start(late)
    env.run(until=1.0)
    assert ["first"] == told


class Gate:
    """A gateway G that passes A's message on to a bus where at first no module acknowledges."""

    SOURCE = Segment(("A.north", "G.north"), (), 500_000)
    APART = (SOURCE, Segment(("G.south",), (), 500_000))
    JOINED = (SOURCE, Segment(("B.south", "G.south"), (), 500_000))

    def __init__(self, network_class: type[Network]) -> None:
        self.env = NanosecondEnvironment()
        self.network = network_class(self.env)  # type: ignore[call-arg]
        self.source = Stream("m", "A.north", 0x100, 0.1)
        self.copy = Stream("m on south", "G.south", 0x200, None)
        self.network.set_segments(self.APART)
        self.network.forward(self.source, "G.north", self.copy, 0.002)
        self.network.start(self.copy)

    def join(self, at_s: float) -> float | None:
        """B comes to the bus; returns when it has heard a copy within 50 ms, if it has."""
        self.env.run(until=at_s)
        self.network.set_segments(self.JOINED)
        self.env.run(until=at_s + 0.05)
        return self.network.heard_at(self.copy, "B.south")


@pytest.mark.parametrize("network_class", FIDELITIES)
def test_of_a_module_that_never_spoke_no_copy_is_passed_on(network_class: type[Network]) -> None:
    """A gateway sends no copy of a message that it never received."""
    assert Gate(network_class).join(0.5) is None


@pytest.mark.parametrize("network_class", FIDELITIES)
@pytest.mark.parametrize("after_s", [0.0, 0.0005], ids=["exactly then", "while it waits"])
def test_the_last_copy_of_a_module_that_has_stopped_reaches_a_module_that_joins(
    network_class: type[Network], after_s: float
) -> None:
    """Due 2 ms after the original; all changes of an instant come before what is released at it."""
    gate = Gate(network_class)
    gate.network.start(gate.source)
    gate.env.run(until=0.0005)
    end_s = gate.network.heard_at(gate.source, "G.north")
    assert end_s is not None
    gate.env.run(until=end_s + 0.001)
    gate.network.stop(gate.source)
    join_s = end_s + 0.002 + after_s
    assert gate.join(join_s) == pytest.approx(join_s, abs=0.0005)


@pytest.mark.parametrize("network_class", FIDELITIES)
def test_what_is_released_the_moment_its_sender_is_left_alone_waits_for_company(
    network_class: type[Network],
) -> None:
    """All changes of an instant come before what is released at it: this frame was not acknowledged."""
    env = NanosecondEnvironment()
    network = network_class(env)  # type: ignore[call-arg]
    stream, together = Stream("m", "A.bus", 0x100, 0.1), [Segment(("A.bus", "B.bus"), (), 500_000)]
    network.set_segments(together)
    network.start(stream)
    env.run(until=0.1)
    network.set_segments([])
    env.run(until=0.15)
    assert network.heard_at(stream, "B.bus") == pytest.approx(0.0, abs=0.0005)
    network.set_segments(together)
    env.run(until=0.16)
    assert network.heard_at(stream, "B.bus") == pytest.approx(0.15, abs=0.0005)
