"""The battery against workshop tables."""

import pytest

from sim.wiring.battery import rest_v
from sim.wiring.errors import CircuitError

# Rested open-circuit voltage of a 12 V lead-acid battery (common practice).
REST = {100: 12.65, 75: 12.45, 50: 12.24, 25: 12.06, 0: 11.89}


@pytest.mark.parametrize(("charge_percent", "volt"), REST.items())
def test_open_circuit_voltage(charge_percent: float, volt: float) -> None:
    """A rested battery has the voltage that the workshop table gives for its charge."""
    assert volt == pytest.approx(rest_v(charge_percent), abs=1e-9)


def test_between_two_rows_of_the_table() -> None:
    """Between two rows of the table the voltage lies on a straight line."""
    assert 12.55 == pytest.approx(rest_v(87.5), abs=1e-9)


@pytest.mark.parametrize("charge_percent", [-0.1, 100.1, float("nan")])
def test_a_charge_out_of_range_is_refused(charge_percent: float) -> None:
    """A charge outside 0 to 100 %, or none at all, gets one clear error."""
    with pytest.raises(CircuitError, match=r"^battery: charge_percent is .*; it must be 0 to 100$"):
        rest_v(charge_percent)
