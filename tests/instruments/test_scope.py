"""The scope: levels at the cursors are the solved ones, and the bits on the screen are those sent."""

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.observing import FrameSeen
from sim.instruments.levels import now
from sim.instruments.read import read
from sim.instruments.scope import Channel, Picture, channel
from sim.network.frames import Frame, wire_bits
from sim.vehicle.car import Car
from sim.vehicle.problems import EditProblem
from sim.vehicle.reading import read_car
from sim.wiring.wiring import Reading
from tests.readings import sweep

Benches = Callable[..., Bench]
HIGH, LOW = ("ECM.powertrain.H", "BODY"), ("ECM.powertrain.L", "BODY")
BOTH = "ECM.powertrain.H to BODY and ECM.powertrain.L to BODY"
BIT_S = 2e-6  # 500 kbit/s


def driving(bench: Bench) -> Bench:
    bench.do_all(["key run", "wait 1 s"])
    return bench


def bits_on_screen(high: Channel, low: Channel, start_s: float, count: int) -> list[int]:
    """What a receiver reads at 80 % of every bit: dominant above 0.9 V (transceiver data sheets)."""
    at = start_s + (np.arange(count) + 0.8) * BIT_S
    between = np.interp(at, high.time_s, high.volt) - np.interp(at, low.time_s, low.volt)
    return [0 if volt > 0.9 else 1 for volt in between]


def one_frame(
    sender: str = "N1.main", others: tuple[str, ...] = ("N2.main", "N3.main")
) -> tuple[FrameSeen, ...]:
    frame = Frame(0x123, bytes(range(8)))
    return (FrameSeen(0.0, len(wire_bits(frame)) * BIT_S, frame, sender, others, 500_000),)


# -- levels ----------------------------------------------------------------------------------------------


def test_levels_at_the_cursors_are_the_solved_ones(teaching: Benches) -> None:
    """The trace shows the levels that the network solves to."""
    bench = driving(teaching())
    picture = sweep(bench, f"{BOTH} for 1 ms")
    sent = bench.observed
    assert sent is not None
    first = next(one for one in sent.frames if str(one.frame) == picture.frames[0][2])
    found = now(bench)
    start_bit, before = 0.5 * BIT_S, -20e-6
    cursors = picture.cursors(before, start_bit)
    for points, (rest_v, dominant_v) in zip((HIGH, LOW), cursors.volts, strict=True):
        node = bench.car.pin_of(*points[0].split(".", 1))
        assert node is not None
        assert found.between(node.id, "BODY") == pytest.approx(rest_v, abs=0.002)
        driven = found.while_dominant(first.sender)
        assert driven.between(node.id, "BODY") == pytest.approx(dominant_v, abs=0.005)
    assert cursors.between_s == pytest.approx(start_bit - before)
    assert cursors.steps_v[0] > 0 > cursors.steps_v[1]


def test_the_acknowledge_slot_stands_highest(teaching: Benches) -> None:
    """The acknowledge slot has the highest level: all receivers drive it."""
    # several receivers are dominant together: trade articles call it the tallest bit
    bench = driving(teaching())
    picture = sweep(bench, f"{BOTH} for 1 ms")
    start_s, end_s, _ = picture.frames[0]
    slot_s = end_s - 8.5 * BIT_S
    high = picture.channels[0]
    assert high.volt.max() == pytest.approx(high.at(slot_s), abs=0.01)
    assert high.at(start_s + 0.5 * BIT_S) < high.at(slot_s) - 0.2


def test_a_dead_node_makes_the_acknowledge_slot_lower(teaching: Benches) -> None:
    """With a module unplugged the acknowledge slot is lower."""
    tops = []
    for given in ([], ["unplug TCM"]):
        picture = sweep(driving(teaching(*given)), f"{BOTH} for 1 ms")
        tops.append(float(picture.channels[0].volt.max()))
    assert tops[1] < tops[0] - 0.03


def test_one_terminator_lets_every_level_stand_higher(
    three: Callable[..., Car], solved: Callable[..., Reading]
) -> None:
    """With one terminator the dominant level is the one worked out by hand."""
    # by hand: legs of a 0.6 V diode and 24.7 ohm each, 3.8 V / (1 + 49.4 ohm / load)
    for edits, load_ohm in (((), 60), (("open N3:main.terminator",), 120)):
        found = solved(three(*edits))
        between = channel(found, one_frame(), "DLC.6", "DLC.14", -1e-5, 4e-4, 0.0)
        assert 3.8 / (1 + 49.4 / load_ohm) == pytest.approx(between.at(0.5 * BIT_S), abs=0.1)


def test_a_line_on_ground_lies_flat(teaching: Benches) -> None:
    """A line shorted to ground is flat at 0 V while the other still moves."""
    bench = driving(teaching("short ECM.powertrain.L to BODY 0.01 ohm"))
    picture = sweep(bench, f"{BOTH} for 1 ms")
    assert 2.5 < np.ptp(picture.channels[0].volt)
    assert 0.0 == pytest.approx(np.abs(picture.channels[1].volt).max(), abs=0.1)


def test_a_swapped_pair_shows_mirrored_at_the_node(teaching: Benches) -> None:
    """At a module with swapped wires high goes down and low goes up."""
    bench = teaching("swap TCM.powertrain.H with TCM.powertrain.L", "unplug TCM")
    picture = sweep(driving(bench), "TCM.powertrain.H to BODY and TCM.powertrain.L to BODY for 1 ms")
    high, low = picture.channels
    assert high.volt.min() < 2.0 < 3.0 < low.volt.max()


def test_a_silent_bus_is_flat(teaching: Benches) -> None:
    """Without traffic the trace is flat, and the note says so."""
    bench = teaching()
    bench.do("wait 60 s")
    picture = sweep(bench, f"{BOTH} for 2 ms")
    assert ("No frame ran while the scope waited.",) == picture.notes
    assert 0.0 == pytest.approx(np.abs(picture.channels[0].volt).max(), abs=0.1)  # bias inactive, data sheets


def test_a_lead_in_the_air_is_floating(teaching: Benches) -> None:
    """A channel between points that nothing joins is marked as floating."""
    picture = sweep(teaching("pull F1", "unplug ECM"), "F1.2 to BODY for 2 ms")
    assert picture.channels[0].floating
    assert np.all(np.isfinite(picture.channels[0].volt))
    assert picture.display.endswith("floating")


# -- bits ------------------------------------------------------------------------------------------------


def test_the_bits_on_the_screen_are_those_of_the_frame(teaching: Benches) -> None:
    """The bits read off the screen are the frame's bits on the wire."""
    bench = driving(teaching())
    picture = sweep(bench, f"{BOTH} for 1 ms")
    assert bench.observed is not None
    start_s, _, words = picture.frames[0]
    frame = next(one.frame for one in bench.observed.frames if str(one.frame) == words)
    expected = list(wire_bits(frame))
    assert expected == bits_on_screen(*picture.channels, start_s, len(expected))


@pytest.mark.parametrize(("span_m", "line_m"), [(3.133, 10.0), (13.133, 40.0)])
def test_without_terminators_a_bit_takes_too_long_to_end(
    three: Callable[..., Car], solved: Callable[..., Reading], span_m: float, line_m: float
) -> None:
    """Without terminators the trailing edge lasts as long as worked out by hand."""
    # by hand, R C ln(V / 0.5 V): three nodes of 75 pF and 30 kohm per line, 41.7 pF/m; from 5.0 V that is
    # 29.5 us on 10 m and 87 us on 40 m, which an ngspice transient gives as well
    found = solved(three("open N1:main.terminator", "open N3:main.terminator", span_m=span_m))
    frames = one_frame()
    between = channel(found, frames, "DLC.6", "DLC.14", -1e-5, 6e-4, 0.0)
    end_s = frames[0].end_s - 8 * BIT_S  # of the acknowledge slot, the last dominant bit
    behind = np.linspace(end_s, end_s + 2e-4, 20_000)
    volt = np.interp(behind, between.time_s, between.volt)
    from_v = float(volt[0])
    below_s = float(behind[np.argmax(volt < 0.5)] - end_s)
    by_hand_s = 20_000 * (41.7e-12 * line_m + 3 * 75e-12) * np.log(from_v / 0.5)
    assert 3.9 < from_v < 5.1
    assert by_hand_s == pytest.approx(below_s, rel=0.02)
    high, low = (channel(found, frames, pin, "BODY", -1e-5, 6e-4, 0.0) for pin in ("DLC.6", "DLC.14"))
    sent = list(wire_bits(frames[0].frame))
    assert sent != bits_on_screen(high, low, 0.0, len(sent))


def test_with_terminators_the_same_frame_is_read_right(
    three: Callable[..., Car], solved: Callable[..., Reading]
) -> None:
    """With terminators the same frame can be read off the screen."""
    found, frames = solved(three()), one_frame()
    high, low = (channel(found, frames, pin, "BODY", -1e-5, 6e-4, 0.0) for pin in ("DLC.6", "DLC.14"))
    sent = list(wire_bits(frames[0].frame))
    assert sent == bits_on_screen(high, low, 0.0, len(sent))


# -- the sentence ----------------------------------------------------------------------------------------


def test_a_sweep_stands_in_the_log_and_replays(teaching: Benches) -> None:
    """A sweep is in the log and shows the same traces in a replay."""
    bench = driving(teaching())
    picture = read(bench, "scope DLC.6 to DLC.4 and DLC.14 to DLC.4 for 2 ms")
    again = Bench.replay(bench.base, bench.given, bench.seed, bench.log[:-1])
    same = read(again, bench.log[-1])
    assert isinstance(picture, Picture)
    assert isinstance(same, Picture)
    assert "scope DLC.6 to DLC.4 and DLC.14 to DLC.4 for 2 ms" == bench.log[-1]
    assert (0.002, 2) == (picture.sweep_s, len(picture.channels))
    for one, other in zip(picture.channels, same.channels, strict=True):
        assert one.time_s.tolist() == other.time_s.tolist()
        assert one.volt.tolist() == other.volt.tolist()


@pytest.mark.parametrize("sweep", ["20 us", "2 ms", "50 ms", "1 s"])
def test_time_runs_forward_over_the_whole_sweep(teaching: Benches, sweep: str) -> None:
    """The points of a trace are in order and cover the sweep, within a bounded number."""
    bench = driving(teaching())
    picture = read(bench, f"scope {HIGH[0]} to {HIGH[1]} for {sweep}")
    assert isinstance(picture, Picture)
    time_s = picture.channels[0].time_s
    assert np.all(np.diff(time_s) >= 0)
    assert picture.sweep_s == pytest.approx(time_s[-1] - time_s[0])
    assert time_s.shape == picture.channels[0].volt.shape
    assert len(time_s) < 400_000


@pytest.mark.parametrize(
    ("sentence", "expected"),
    [
        ("scope DLC.6 to DLC.4", "write 'scope TERMINAL to TERMINAL for 2 ms'"),
        ("scope DLC.6 to DLC.4 for 2 h", "a sweep takes 10 us to 1 s (here: '2 h')"),
        ("scope DLC.6 to DLC.9 for 2 ms", "no terminal 'DLC.9' in this car"),
    ],
)
def test_a_wrong_sentence_says_what_is_right(teaching: Benches, sentence: str, expected: str) -> None:
    """A wrong sentence is refused with the right form."""
    with pytest.raises(EditProblem) as problem:
        read(teaching(), sentence)
    assert expected in str(problem.value)


# -- disturbed buses -------------------------------------------------------------------------------------


def dominant_runs(high: Channel, low: Channel) -> list[int]:
    """Lengths of the dominant stretches on the screen, in bits of 2 us."""
    at = np.arange(high.time_s[0], high.time_s[-1], BIT_S / 10)
    between = np.interp(at, high.time_s, high.volt) - np.interp(at, low.time_s, low.volt)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], between > 0.9, [0]]).astype(int)))
    return [round(count / 10) for count in edges[1::2] - edges[0::2]]


def test_a_wrong_bit_rate_shows_longer_bits_and_error_flags(teaching: Benches) -> None:
    """ISO 11898-1: no sender drives more than five equal bits; six to twelve are flags, one over another."""
    bench = driving(teaching())
    bench.do("wait 2 s")
    healthy = sweep(bench, f"{BOTH} for 20 ms")
    assert max(dominant_runs(*healthy.channels)) <= 5
    bench.do("set TCM.powertrain to 250 kbit/s")
    picture = sweep(bench, f"{BOTH} for 20 ms")
    assert 6 <= max(dominant_runs(*picture.channels)) <= 20
    assert any("error flags" in note for note in picture.notes)


def test_a_stuck_transmit_input_without_time_out_is_a_flat_line_at_dominant_level() -> None:
    """The lift's old transceiver: about 3.5 V and 1.5 V without end (typical levels of data sheets)."""
    car = read_car(scenarios_folder() / "vehicles" / "shuttle-minibus.yaml")
    bench = Bench(car, ["stick LIFT.upfit"])
    bench.do_all(["press start with brake", "wait 5 s"])
    picture = sweep(bench, "LIFT.upfit.H to LIFT.GND and LIFT.upfit.L to LIFT.GND for 2 ms")
    high, low = picture.channels
    assert (0.0, 0.0) == (float(np.ptp(high.volt)), float(np.ptp(low.volt)))
    assert (3.5, 1.5) == pytest.approx((high.rest_v, low.rest_v), abs=0.2)


def test_a_babbling_module_leaves_three_bits_between_frames(teaching: Benches) -> None:
    """Frames back to back: end of one to start of the next is the intermission (ISO 11898-1)."""
    bench = driving(teaching("babble TCM.powertrain"))
    picture = sweep(bench, f"{BOTH} for 5 ms")
    gaps = {round((later - end) / BIT_S) for (_, end, _), (later, _, _) in pairwise(picture.frames)}
    assert {3} == gaps
    assert {"000 00 00 00 00 00 00 00 00"} == {words for _, _, words in picture.frames}
