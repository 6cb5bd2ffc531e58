"""What meter and scope show on a LIN wire: average and levels of one wire against ground."""

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.instruments.meter import Measured
from sim.instruments.read import read
from sim.instruments.scope import Picture
from sim.vehicle.lin import header_bits, response_bits
from sim.vehicle.reading import read_car

CAR = read_car(scenarios_folder() / "vehicles" / "small-estate.yaml")


def awake(*given: str) -> Bench:
    bench = Bench(CAR, given)
    bench.do_all(["press start", "press start", "wait 3 s"])
    return bench


def volts(bench: Bench, at: str) -> float:
    shown = read(bench, f"measure volts {at} to BODY")
    assert isinstance(shown, Measured)
    assert shown.value is not None
    return shown.value


def test_the_average_while_it_talks() -> None:
    """By hand: the schedule's dominant bits over its cycle, between 11.9 V at rest and 0.9 V pulled down."""
    bench = awake()
    lin = bench.car.messages.slots
    streams = bench.live.world.streams
    dominant = sum(
        (*header_bits(slot.frame_id), *response_bits(slot.frame_id, streams[name, "door"].data)).count(0)
        for name, slot in lin.items()
        if slot.cluster == "door"
    )
    share = dominant / 19_200 / 0.04
    assert 0.2 < share < 0.4
    assert pytest.approx(11.9 * (1 - share) + 0.9 * share, abs=0.3) == volts(bench, "MIRROR.C1.3")


def test_behind_a_break_the_wire_rests() -> None:
    """Voltage is there, from the slaves' own pull-ups; the master's pull is not."""
    bench = awake("open SP.door.SWITCHES--SP.door.MIRROR")
    assert pytest.approx(11.6, abs=0.3) == volts(bench, "MIRROR.C1.3")
    assert 9.0 < volts(bench, "SWITCHES.C1.3") < 10.8


def test_asleep_the_wire_is_up() -> None:
    """The LIN wire of a sleeping car is at battery voltage."""
    bench = Bench(CAR)
    bench.do("wait 60 s")
    assert {"asleep"} == {module.state for module in bench.live.modules.values()}
    assert pytest.approx(12.1, abs=0.2) == volts(bench, "RAIN.C1.3")


def test_header_and_response_on_the_scope() -> None:
    """The door's schedule, break first; at the silent end nothing moves."""
    bench = awake("open SP.door.SWITCHES--SP.door.MIRROR")
    shown = read(bench, "scope SWITCHES.C1.3 to BODY and MIRROR.C1.3 to BODY for 50 ms")
    assert isinstance(shown, Picture)
    (near, far) = shown.channels
    assert pytest.approx(0.9, abs=0.1) == near.volt.min()
    assert pytest.approx(11.9, abs=0.3) == near.volt.max()
    assert far.volt.max() - far.volt.min() < 0.05
    words = [label.split()[0] for _, _, label in shown.frames]
    assert "header" == words[0]
    assert "response" in words
    start_s, end_s, _ = shown.frames[0]
    assert pytest.approx(34 / 19_200) == end_s - start_s


def test_an_fd_frame_on_the_scope() -> None:
    """Its bits take 2 us up to BRS and half a microsecond behind it."""
    shown = read(awake(), "scope GATEWAY.backbone.H to GATEWAY.backbone.L for 1 ms")
    assert isinstance(shown, Picture)
    assert shown.frames
    edges = shown.channels[0].time_s[1:][abs(shown.channels[0].volt[1:] - shown.channels[0].volt[:-1]) > 0.5]
    assert len(edges) > 20


def test_attempts_on_an_fd_bus_without_company() -> None:
    """ECM alone on the backbone repeats its first frame for ever; the pair still moves."""
    bench = awake("unplug TCM", "unplug ABS", "unplug STEERING", "unplug GATEWAY")
    shown = read(bench, "scope ECM.backbone.H to ECM.backbone.L for 1 ms")
    assert isinstance(shown, Picture)
    assert "Frames do not get through: no node acknowledges them" in shown.notes[0]
    assert shown.channels[0].volt.max() > 1.5
