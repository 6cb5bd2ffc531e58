"""How numbers of things read."""

from sim.vehicle.words import counted


def test_one_thing_is_singular() -> None:
    """Only one of a thing goes without its s."""
    assert ["0 codes", "1 code", "2 codes"] == [counted(number, "code") for number in (0, 1, 2)]
