"""A sensor that tells its value in SENT frames: on the scope, in live data, and the codes of its wires."""

from __future__ import annotations

from itertools import pairwise

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.instruments.meter import Measured
from sim.instruments.read import read
from sim.instruments.scope import Picture
from sim.network.sent import crc4
from sim.vehicle.reading import read_car

CAR = read_car(scenarios_folder() / "vehicles" / "small-estate.yaml")
SENSOR = "air_flow_sensor"


def started(*given: str) -> Bench:
    bench = Bench(CAR, given, fidelity="stream")
    bench.do_all(["wait 2 s", "press start with brake", "wait 8 s"])
    return bench


def codes(bench: Bench) -> set[str]:
    memories = [module.memory for module in bench.live.modules.values()]
    return {one.code for memory in memories for one in memory.dtcs if one.stored}


def live_kg_h(bench: Bench) -> object:
    bench.do("read ECM")
    return next(row.value for row in bench.live_readings["ECM"][-1].rows if row.title == "air flow sensor")


@pytest.mark.parametrize(
    ("fault", "code"),
    [
        (f"unplug {SENSOR}", {"P0102-14"}),
        (f"open {SENSOR}.2", {"P0102-14"}),
        (f"open {SENSOR}.1", {"P0102-14"}),
        (f"short {SENSOR}.2 to BODY 0.05 ohm", {"P0102-14"}),
        (f"short {SENSOR}.2 to {SENSOR}.1 0.05 ohm", {"P0103-12"}),
        (f"short {SENSOR}.2 to BAT+ 0.05 ohm", {"P0103-12", "P0641-1C"}),  # it pulls its supply up, too
        (f"mute {SENSOR}", {"P0100-31"}),
    ],
)
def test_each_fault_sets_the_code_of_what_the_module_sees(fault: str, code: set[str]) -> None:
    """Failure types of SAE J2012-DA: 14 ground or open, 12 battery, 31 no signal if frames alone are gone."""
    bench = started(fault)
    assert code == codes(bench)
    assert 0.0 == live_kg_h(bench)


def test_the_frames_on_the_scope_are_what_the_module_reads() -> None:
    """The times between falling edges give twelve bits of 480 kg/h, and their checksum (SAE J2716)."""
    bench = started()
    assert set() == codes(bench)
    bench.do("drive at 40 km/h")
    picture = read(bench, "scope ECM.air_flow to ECM.sensor_ground for 2 ms")
    assert isinstance(picture, Picture)
    (one,) = picture.channels
    low_v, high_v = float(one.volt.min()), float(one.volt.max())
    assert low_v < 0.5 < 4.1 < high_v  # output levels of SAE J2716, from memory
    middle_v = (low_v + high_v) / 2
    edges = zip(one.time_s[1:], one.volt[:-1], one.volt[1:], strict=True)
    falls_s = [float(time_s) for time_s, before_v, after_v in edges if before_v > middle_v >= after_v]
    ticks = [round((later - earlier) / 3e-6) for earlier, later in pairwise(falls_s)]
    sync = ticks.index(56)
    status, *data, checksum = (length - 12 for length in ticks[sync + 1 : sync + 9])
    assert (0, crc4(data)) == (status, checksum)
    counts = data[0] << 8 | data[1] << 4 | data[2]
    assert live_kg_h(bench) == pytest.approx(counts / 0xFFF * 480, abs=480 / 0xFFF)
    assert any(f"{status:X} {data[0]:X} {data[1]:X}" in words for _, _, words in picture.frames)


def test_a_meter_shows_an_average_that_looks_like_an_analog_sensor() -> None:
    """Between both levels, marked as pulsed: no voltage to decide by."""
    found = read(started(), "measure volts ECM.air_flow to ECM.sensor_ground")
    assert isinstance(found, Measured)
    assert found.value is not None
    assert 0.5 < found.value < 4.1
    assert found.doubtful
