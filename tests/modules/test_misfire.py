"""A cylinder that does not fire: its code, the lamp, rough running; and invalid values that spread."""

from __future__ import annotations

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.explain import why_code
from sim.instruments.seat import seat_of
from sim.lab.run import sight_of
from sim.modules.facts import ENGINE_RPM
from sim.vehicle.reading import read_car

TEACHING, MINIBUS, ESTATE = (
    read_car(scenarios_folder() / "vehicles" / f"{name}.yaml")
    for name in ("teaching-car", "shuttle-minibus", "small-estate")
)


def started(name: str, *given: str, for_s: float = 30) -> Bench:
    car = {"teaching": TEACHING, "minibus": MINIBUS}[name]
    start = ("key run", "wait 2 s", "key crank") if name == "teaching" else ("press start with brake",)
    bench = Bench(car, given, fidelity="stream")
    bench.do_all(["wait 2 s", *start, f"wait {for_s} s"])
    return bench


def codes(bench: Bench, module: str = "ECM") -> set[str]:
    return {one.code for one in bench.live.modules[module].memory.dtcs if one.stored}


@pytest.mark.parametrize("name", ["teaching", "minibus"])
@pytest.mark.parametrize(
    ("load", "circuit", "misfire"), [("coil2", "P0352-13", "P0302-00"), ("inj4", "P0204-13", "P0304-00")]
)
def test_a_coil_or_injector_out_is_a_misfire_and_runs_rough(
    name: str, load: str, circuit: str, misfire: str
) -> None:
    """SAE J2012 P0302: cylinder 2 misfire; with its circuit's code, the engine lamp, and a shaking engine."""
    bench = started(name, f"open ECM.{load}")
    seat = seat_of(bench)
    assert {circuit, misfire} == codes(bench)
    assert ("running", True, "running rough") == (seat.engine, seat.rough, seat.engine_words)
    assert "mil" in seat.lit
    assert (f"given: open {bench.car.pins_by_function[f'ECM.{load}'].id}",) == tuple(
        why_code(bench, "ECM", misfire).roots()
    )
    sight = sight_of(bench, "wait 1 s")
    assert ("running", "running rough") == (sight.engine, sight.seat()["engine"])


def test_a_misfire_is_told_after_two_hundred_turns_and_ends_with_the_repair() -> None:
    """200 turns at idle (from memory) are 15 s at 800 rpm, after 2 s of settling; then it heals."""
    turns_s = 200 / ENGINE_RPM["running"] * 60
    assert 15 == turns_s
    bench = started("teaching", for_s=5)
    assert (set(), False) == (codes(bench), seat_of(bench).rough)
    bench.do_all(["open ECM.coil1", f"wait {turns_s - 1} s"])
    assert {"P0351-13"} == codes(bench)
    bench.do("wait 3 s")
    assert {"P0351-13", "P0301-00"} == codes(bench)
    bench.do_all(["repair ECM.coil1", "wait 1 s"])
    assert not seat_of(bench).rough
    bench.do("wait 20 s")
    memory = bench.live.modules["ECM"].memory
    assert not memory.get("P0301").status & 0x01  # testFailed, ISO 14229-1


def test_an_engine_without_any_spark_does_not_misfire_it_stops() -> None:
    """All coils lose their fuse: stopped, four circuit codes, and none about a cylinder that misfires."""
    bench = started("teaching", "pull F14")
    assert ("stopped", False) == (seat_of(bench).engine, seat_of(bench).rough)
    assert {"P0351-13", "P0352-13", "P0353-13", "P0354-13"} == codes(bench)


def test_misfires_are_a_monitor_of_their_own() -> None:
    """SAE J1979 parameter 01 (bits as given by PyPI obd): not complete until the engine has run."""
    bench = Bench(TEACHING, fidelity="stream")
    bench.do_all(["key run", "wait 5 s"])
    assert "misfire not complete, components not complete" in bench.do("readiness").words
    bench.do_all(["key crank", "wait 30 s"])
    assert "misfire complete, components complete" in bench.do("readiness").words


# -- invalid values that spread --------------------------------------------------------------------------


def test_a_squib_that_is_off_lights_the_airbag_lamp() -> None:
    """The airbag module is not ready with an open circuit; the cluster shows it."""
    assert "airbag" not in seat_of(started("minibus", for_s=8)).lit
    assert "airbag" in seat_of(started("minibus", "unplug passenger_airbag", for_s=8)).lit


def test_a_wheel_speed_sensor_that_is_off_lights_the_stability_lamp() -> None:
    """Stability control needs all four; the code and the lamp end at the sensor."""
    bench = started("minibus", "unplug wheel_speed_rear_left", for_s=8)
    assert "stability" in seat_of(bench).lit
    assert {"C0045-13"} == codes(bench, "ABS")


def test_an_invalid_value_spreads_to_those_that_listen() -> None:
    """One park sensor off: its module says invalid, two others store a code about that; all end at it."""
    fault = "unplug park_sensor_2"
    bench = started("minibus", fault, for_s=12)
    assert {"B1A81-15"} == codes(bench, "PARK-AID")
    bench.do("read LAMPS-REAR")
    spread = {name: codes(bench, name) for name in MINIBUS.built.modules if name != "PARK-AID"}
    told = {name: found for name, found in spread.items() if found}
    assert {"LAMPS-REAR", "CAMERA-REAR"} == set(told)
    for name, found in told.items():
        (code,) = found
        assert code.endswith("-86")  # signal invalid, SAE J2012-DA as given by two open tables
        assert [f"given: {fault}"] == why_code(bench, name, code).to_edits().roots()


def test_a_lamp_is_lit_for_a_value_that_is_marked_invalid() -> None:
    """A blank engine module says nothing valid of its lamp: the engine lamp is lit, as for no message."""
    bench = Bench(TEACHING, ["uncode ECM"], fidelity="stream")
    bench.do_all(["key run", "wait 8 s"])
    assert "mil" in seat_of(bench).lit
