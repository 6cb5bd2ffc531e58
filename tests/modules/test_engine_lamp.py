"""The engine lamp and the lamp check, on every car that ships with a cluster.

The lamp is lit while a confirmed emission-related code is there and while the engine is not yet running, as a
functional check; it goes out after three good cycles (OBD law as SAE J1979 serves it, from memory). That all
warning lamps light for some seconds at ignition on is common practice.
"""

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.explain import why_telltale
from sim.instruments.seat import seat_of
from sim.modules.diagnostics import engine_module
from sim.vehicle.codes import is_emission_related
from sim.vehicle.reading import read_car

IGNITION_ON = {
    "teaching-car": ["key run"],
    "small-estate": ["press start", "wait 1 s", "press start"],
    "shuttle-minibus": ["press start", "wait 1 s", "press start"],
}
STARTED = {
    "teaching-car": ["key crank"],
    "small-estate": ["press start with brake"],
    "shuttle-minibus": ["press start with brake"],
}
COIL_FUSE = {"teaching-car": "F14", "small-estate": "F16", "shuttle-minibus": "F11"}
CARS = sorted(IGNITION_ON)


def bench_of(car: str) -> Bench:
    bench = Bench(read_car(scenarios_folder() / "vehicles" / f"{car}.yaml"))
    bench.do("wait 12 s")
    return bench


def running(car: str) -> Bench:
    bench = bench_of(car)
    bench.do_all([*IGNITION_ON[car], "wait 6 s", *STARTED[car], "wait 10 s"])
    assert "running" == seat_of(bench).engine
    return bench


@pytest.mark.parametrize("car", CARS)
def test_every_warning_lamp_lights_for_the_lamp_check(car: str) -> None:
    """At ignition on all red and amber lamps light, and go out after three seconds if nothing is wrong."""
    bench = bench_of(car)
    bench.do_all([*IGNITION_ON[car], "wait 1.5 s"])
    seat = seat_of(bench)
    spec = {name: lamp for one in bench.live.modules.values() for name, lamp in one.spec.telltales.items()}
    assert {name for name, lamp in spec.items() if lamp.is_checked} == set(seat.lit)
    assert {lamp.name for lamp in seat.lamps if lamp.color in ("red", "amber")} - {"door"} == set(seat.lit)
    bench.do("wait 4 s")
    park_brake = {"park_brake"} & set(spec)
    assert {"mil", "battery"} | park_brake == set(seat_of(bench).lit)


@pytest.mark.parametrize("car", CARS)
def test_the_engine_lamp_follows_the_fault_memory(car: str) -> None:
    """Dark in a healthy running car; lit once the module has confirmed a code; out when it is cleared."""
    bench = running(car)
    assert "mil" not in seat_of(bench).lit
    fault, repair = (
        ("pull F2", "fit F2") if car == "small-estate" else ("unplug map_sensor", "plug map_sensor")
    )
    bench.do_all([fault, "wait 4 s"])
    assert ("running", True) == (seat_of(bench).engine, "mil" in seat_of(bench).lit)
    assert [fault] == why_telltale(bench, "mil").to_edits().roots()
    controller = bench.live.modules[str(engine_module(bench.car.built))]
    controller.memory.clear()
    bench.do_all([repair, "wait 4 s"])
    controller.memory.clear()
    bench.do("wait 1 s")
    assert "mil" not in seat_of(bench).lit


def test_the_lamp_goes_out_after_three_good_cycles() -> None:
    """The code of a mended fault is kept, its lamp is out in the fourth cycle."""
    bench = running("teaching-car")
    bench.do_all(["unplug map_sensor", "wait 4 s", "key off", "plug map_sensor", "wait 2 s"])
    lit = []
    for _ in range(4):
        bench.do_all(["key run", "wait 6 s", "key crank", "wait 8 s"])
        lit.append("mil" in seat_of(bench).lit)
        bench.do_all(["key off", "wait 2 s"])
    assert [True, True, True, False] == lit


def test_codes_that_no_emission_depends_on_leave_the_lamp_dark() -> None:
    """A body module that is silent sets a code in the engine module, and no engine lamp."""
    bench = running("shuttle-minibus")
    bench.do_all(["pull F24", "wait 6 s"])
    codes = {one.code for one in bench.live.modules["ECM"].memory.dtcs if one.stored}
    assert (set(), False) == (
        {code for code in codes if is_emission_related(code)},
        "mil" in seat_of(bench).lit,
    )
    assert codes


@pytest.mark.parametrize(
    ("code", "related"),
    [
        ("P0351", True), ("P2138", True), ("P1351", False), ("U0100", True), ("U0101-87", True),
        ("U0121", False), ("U0140", False), ("U0402", True), ("C0045", False), ("B0001", False),
        ("U1124", False),
    ],
)  # fmt: skip
def test_which_codes_are_emission_related(code: str, related: bool) -> None:
    """Generic powertrain codes and those about powertrain modules count, nothing else does."""
    assert related is is_emission_related(code)
