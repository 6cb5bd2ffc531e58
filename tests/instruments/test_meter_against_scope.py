"""Meter and scope at the same two points of the same car agree on what is there."""

import random

import numpy as np
import pytest

from sim.bench.bench import Bench
from sim.catalogue import vehicle_text
from sim.instruments.levels import bit_by_bit, frame_by_frame, now
from sim.instruments.meter import Measured
from sim.instruments.scope import Channel, Picture, Tries, channel
from sim.vehicle.reading import car_from_text
from tests.readings import measure, sweep

CAR = car_from_text(vehicle_text("shuttle-minibus"))
PAIR = "ECM.powertrain.H to ECM.powertrain.L"
ALONE = ("theory powertrain runs through TCM", "unplug TCM")
ON_THE_BUS = {one.module for one in CAR.channels.values() if one.id.endswith(".powertrain")} - {"ECM"}
PLUGS = sorted(plug.id for plug in CAR.connectors.values() if plug.owner in ON_THE_BUS)


def both(edits: tuple[str, ...]) -> tuple[Measured, Picture]:
    """What the two instruments show, each on a car of its own at the same moment."""
    benches = [Bench(CAR, edits) for _ in range(2)]
    for bench in benches:
        bench.do("press start with brake")
        bench.do("wait 5 s")
    return measure(benches[0], f"volts {PAIR}"), sweep(benches[1], f"{PAIR} for 50 ms")


def mean_v(picture: Picture) -> float:
    """The mean of a sweep's first channel over time."""
    return mean_of(picture.channels[0])


def mean_of(one: Channel) -> float:
    return float(np.trapezoid(one.volt, one.time_s) / (one.time_s[-1] - one.time_s[0]))


def tells_of_pulses(shown: Measured) -> bool:
    return any("average" in note for note in shown.notes)


def test_frames_that_do_not_get_through_move_the_meter() -> None:
    """A module that is alone on its bus sends without end: scope and meter show the same mean."""
    shown, picture = both(ALONE)
    assert any("acknowledges" in note for note in picture.notes)
    assert shown.value == pytest.approx(mean_v(picture), rel=0.05)
    assert tells_of_pulses(shown)


@pytest.mark.parametrize("seed", range(6))
def test_under_random_faults_the_meter_tells_of_pulses_if_the_scope_draws_them(seed: int) -> None:
    """Whatever modules are off: swings on the scope and the note of pulses go together, means agree."""
    dice = random.Random(seed)
    off = tuple(f"unplug {name}" for name in dice.sample(PLUGS, dice.randrange(1, len(PLUGS))))
    shown, picture = both((*ALONE[:1], *off))
    one = picture.channels[0]
    assert (float(one.volt.max() - one.volt.min()) > 0.5) == tells_of_pulses(shown), off
    if any("acknowledges" in note for note in picture.notes):
        assert shown.value == pytest.approx(mean_v(picture), rel=0.05)


@pytest.mark.parametrize("edit", ["set TCM.powertrain to 250 kbit/s", f"short {PAIR} 30 ohm"])
def test_on_a_bus_run_bit_by_bit_the_meter_shows_the_mean_of_the_scope(edit: str) -> None:
    """Error flags and broken-off frames count: over the meter's own gate the scope draws the same mean."""
    bench = Bench(CAR, (edit,))
    bench.do("press start with brake")
    bench.do("wait 5 s")
    shown = measure(bench, f"volts {PAIR}")
    observed = bench.observed
    assert observed is not None
    changes = bit_by_bit(observed)
    assert any("ECM.powertrain" in members for members in changes)
    tries = tuple(Tries(tuple(one), None) for one in changes.values())
    gate_s = observed.end_s - observed.start_s
    drawn = channel(
        now(bench), frame_by_frame(observed), *observed.what.points, observed.start_s, gate_s, 0.0, tries
    )
    assert shown.value == pytest.approx(mean_of(drawn), rel=0.02)  # the meter does not count edges


def test_a_bus_that_is_left_by_a_module_is_not_drawn_twice() -> None:
    """When a module goes bus-off the line is drawn on as one: no level beyond what drivers can reach."""
    bench = Bench(CAR, ("set TCM.powertrain to 250 kbit/s",))
    bench.do("press start with brake")
    bench.do("wait 5 s")
    volt = sweep(bench, f"{PAIR} for 200 ms").channels[0].volt
    assert bench.observed is not None
    assert len({one.members for one in bench.observed.levels}) > 1
    assert 3.5 > float(volt.max())
