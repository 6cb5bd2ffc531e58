"""Circuits of small loads and sensors: their codes by physics, shorting bars, and what they cost at rest."""

from __future__ import annotations

import pytest

from sim import scenarios_folder
from sim.bench.bench import Bench
from sim.bench.explain import why_code
from sim.instruments.read import read
from sim.vehicle.circuits import OPEN_ABOVE_V, PART_OHM, PULL_OHM, RETURN_OHM
from sim.vehicle.codes import code_description
from sim.vehicle.problems import FileProblem
from sim.vehicle.reading import car_from_text, read_car

PATH = scenarios_folder() / "vehicles" / "shuttle-minibus.yaml"
MINIBUS = read_car(PATH)


def started(*given: str) -> Bench:
    bench = Bench(MINIBUS, given, fidelity="stream")
    bench.do_all(["wait 2 s", "press start with brake", "wait 8 s"])
    return bench


def codes(bench: Bench) -> set[str]:
    memories = [module.memory for module in bench.live.modules.values()]
    return {one.code for memory in memories for one in memory.dtcs if one.stored}


@pytest.mark.parametrize(
    ("fault", "code"),
    [
        ("unplug driver_airbag", "B0001-15"),
        ("open tail_lamp_left.2", "B1A70-15"),
        ("short speaker_door_left.1 to BODY 0.05 ohm", "B1A23-11"),
        ("short tail_lamp_left.1 to BAT+ 0.05 ohm", "B1A70-15"),
    ],
)
def test_an_open_or_shorted_circuit_sets_its_one_code(fault: str, code: str) -> None:
    """Failure types 15 (short to battery or open) and 11 (short to ground); the code ends at its fault."""
    bench = started(fault)
    assert {code} == codes(bench)
    (module,) = (name for name, one in bench.live.modules.items() if any(c.stored for c in one.memory.dtcs))
    assert (f"given: {fault}",) == tuple(why_code(bench, module, code).roots())


def test_a_healthy_minibus_watches_all_of_them_and_has_no_code() -> None:
    """At the pin the divider of pull, part and return, by hand; far from both limits at any supply."""
    bench = started()
    assert set() == codes(bench)
    part, module = "driver_airbag", "AIRBAG"
    supply_v, ohm = bench.live.reading.supply_v(module), PART_OHM["squib"]
    by_hand_v = supply_v * (ohm + RETURN_OHM) / (PULL_OHM + ohm + RETURN_OHM)
    assert by_hand_v == pytest.approx(bench.live.reading.pin_v(module, f"{part}+"), rel=0.02)
    most_v = 17.0 * (max(PART_OHM.values()) + RETURN_OHM) / (PULL_OHM + max(PART_OHM.values()) + RETURN_OHM)
    assert most_v < OPEN_ABOVE_V < 9.0
    assert all("see the maker" not in code_description(one.code) for one in MINIBUS.built.watched.values())


def test_a_bad_battery_or_generator_sets_no_code_of_a_small_circuit() -> None:
    """An overcharge of 17 V and a weak battery are no open circuits."""
    assert {"P0563-00", "U3006-17"} == codes_after("overcharge GEN 17 V")
    assert not {code for code in codes_after("charge 20 %") if code.startswith(("B", "C"))}


def codes_after(fault: str) -> set[str]:
    bench = started(fault)
    bench.do("wait 20 s")
    return codes(bench)


def test_at_rest_no_current_flows_through_them() -> None:
    """Nothing is fed while its module sleeps: the pull's switch is off."""
    bench = Bench(MINIBUS, fidelity="stream")
    bench.do("wait 30 s")
    assert 0 == pytest.approx(bench.live.reading.pin_v("AIRBAG", "driver_airbag+"), abs=0.01)


def test_the_connector_of_a_squib_has_a_shorting_bar() -> None:
    """Two ohms fitted; off, its pins are joined, and a lamp's are not (trade articles on airbag safety)."""
    bench = Bench(MINIBUS, fidelity="stream")
    bench.do_all(
        ["wait 10 s", "disconnect battery", "wait 60 s", "unplug driver_airbag", "unplug fog_lamp_left"]
    )
    squib, lamp = (
        read(bench, f"measure ohms {part}:1 to {part}:2").value  # type: ignore[attr-defined]
        for part in ("driver_airbag", "fog_lamp_left")
    )
    assert squib < 0.3
    assert PART_OHM["lamp"] == pytest.approx(lamp, rel=0.05)


def test_a_circuit_of_an_unknown_module_or_with_a_name_that_is_taken_is_refused() -> None:
    """One clear error each, with the nearest name."""
    text = PATH.read_text(encoding="utf-8")
    with pytest.raises(FileProblem, match="did you mean 'AIRBAG'"):
        car_from_text(text.replace("circuits:\n  AIRBAG:", "circuits:\n  AIRBAGS:"))
    with pytest.raises(FileProblem, match="the name 'X5' is taken"):
        car_from_text(text.replace("{driver_airbag: B0001", "{X5: B0001"))
