"""The table of every fault's full picture: a row for each kind, and only what differs from a healthy car."""

import pytest

from sim.bench.bench import Bench
from sim.catalogue import find_car, shipped_cars
from sim.instruments.seat import seat_of
from sim.vehicle.edits import EDIT_KINDS, parse_edit
from sim.vehicle.edits_set_up import with_set_up
from sim.vehicle.reading import read_car
from tests.fault_pictures import DARK, HEAD, Seen, examples, row, rows_of, seen, start_of

TEACHING = read_car(shipped_cars()["teaching-car"])


def test_every_kind_of_fault_of_every_car_has_its_examples() -> None:
    """No kind that the program knows is left out on the car that has all of its parts."""
    for name, path in shipped_cars().items():
        car = read_car(path)
        faults = examples(car)
        assert faults == [parse_edit(text, car).text for text in faults]
        if name == "teaching-car":
            left_out = {verb for verb, kind in EDIT_KINDS.items() if kind.sort == "fault"}
            left_out -= {text.split()[0] for text in faults}
            of_others = {"bypass", "uncalibrate", "readdress", "jam", "weld", "burn", "leak", "mute", "strap"}
            assert of_others >= left_out  # of which it has no part


def test_a_healthy_car_has_an_empty_row_and_a_faulty_one_what_differs() -> None:
    """Codes, lamps, live data and readings of a missing fusible link; nothing for a car without a fault."""
    healthy = seen(TEACHING)
    assert ("none", *[""] * (len(HEAD) - 1)) == row("none", seen(TEACHING), healthy)
    ((fault, engine, lamps, silent, codes, live, readings),) = rows_of(TEACHING, ["pull FL1"])
    assert ("pull FL1", "", "+mil, +battery", "", "ECM P0562-00") == (fault, engine, lamps, silent, codes)
    assert "supply voltage 12." in live
    assert "V at the battery" in readings


def test_a_row_tells_cranking_dash_and_rest_voltage_apart() -> None:
    """A car that does not crank has no cranking voltage, a dash without supply no lamps to tell of."""
    healthy = Seen("running", (), cranking_v=9.9, running_v=14.2, rest_v=12.6)
    dead = Seen("does not crank", (DARK,), running_v=12.4, rest_v=10.5)
    expected = ("F", "does not crank", DARK, "", "", "", "12.4 V at the battery; 10.5 V after 120 s off")
    assert expected == row("F", dead, healthy)


@pytest.mark.parametrize(
    ("fault", "lit"),
    [
        ("set ABS.drive to classical CAN", {"abs"}),
        ("set STEERING.drive to classical CAN", {"steering"}),
        ("pull F4", {"steering"}),
        ("uncalibrate STEERING", {"steering"}),
        ("pull F3", {"abs", "steering", "assist"}),
    ],
)
def test_a_chassis_module_that_lacks_what_it_needs_lights_its_lamp(fault: str, lit: set[str]) -> None:
    """Brakes, steering and assistance of the hatchback: by what they miss, not only by their silence."""
    bench = Bench(find_car("city-hatchback"), [fault], fidelity="stream")
    bench.do_all(["press start with brake", "wait 5 s"])
    assert lit == set(seat_of(bench).lit)


@pytest.mark.parametrize(
    "name", [name for name in shipped_cars() if "AIRBAG" in with_set_up(find_car(name), "coding")]
)
@pytest.mark.parametrize("fault", ["miscode", "transplant", "uncode"])
def test_an_airbag_module_with_another_car_s_data_lights_its_lamp(name: str, fault: str) -> None:
    """Common practice: the lamp is lit for every code of the module's own; on a car as built it is dark."""
    car = find_car(name)
    bench = Bench(car, [f"{fault} AIRBAG"], fidelity="stream")
    bench.do_all([*start_of(car), "wait 8 s"])
    assert {"airbag"} <= set(seat_of(bench).lit)
    bench.do_all(["unlock GATEWAY", "code AIRBAG", "wait 8 s"])
    assert "airbag" not in seat_of(bench).lit
