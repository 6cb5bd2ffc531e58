"""Every shipped car passes what a shop measures first; `python -m tests.shop_limits` prints the table."""

import pytest

from sim.catalogue import shipped_cars
from sim.vehicle.description import Vehicle
from sim.vehicle.reading import read_car
from tests.shop_limits import rows_of

ENGINE_ROWS = 5  # three of cranking, charging, lamps with the engine running
READY_ROWS = 2  # the last two alone
PARKED_ROWS = 3  # sleep time, sleep current, rest voltage


def _moving_rows(built: Vehicle) -> int:
    return ENGINE_ROWS if built.engine else READY_ROWS if built.high_voltage else 0


@pytest.mark.parametrize("name", shipped_cars())
def test_a_healthy_car_is_within_common_shop_limits(name: str) -> None:
    """Charging, cranking drops, rest voltage, sleep current, sleep time and lamp check (common practice)."""
    rows = list(rows_of(name))
    built = read_car(shipped_cars()[name]).built
    lamp_rows = 2 * any(one.telltales for one in built.modules.values())
    assert PARKED_ROWS + lamp_rows + _moving_rows(built) == len(rows)
    assert [] == [row for row in rows if not row.is_within]
