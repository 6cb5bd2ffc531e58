"""The table of every fault's full picture: a row for each kind, and only what differs from a healthy car."""

from sim.catalogue import shipped_cars
from sim.vehicle.edits import EDIT_KINDS, parse_edit
from sim.vehicle.reading import read_car
from tests.fault_pictures import HEAD, examples, row, rows_of, seen

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
