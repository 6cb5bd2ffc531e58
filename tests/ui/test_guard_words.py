"""What the tester says of a guarded gateway, as its car has it."""

import pytest

from sim.catalogue import find_car
from ui.panels.diagram import right_lasts


@pytest.mark.parametrize(
    ("car", "gateway", "expected"),
    [("city-hatchback", "GATEWAY", "for 60 s"), ("shuttle-minibus", "GATEWAY", "until it sleeps or resets")],
)
def test_a_right_is_told_with_its_end(car: str, gateway: str, expected: str) -> None:
    """By the vehicle file: a time where it says one, else as long as the gateway's session."""
    assert expected == right_lasts(find_car(car), gateway)
