"""Minutes and money in the shop: which rule applies to what."""

import pytest

from sim.training.exercise import find_exercise
from sim.training.labor import cost_of, minutes_of

CAR = find_exercise("29").whole_car
SENSOR = min(CAR.built.sensors)


def test_what_somebody_waits_for_is_paid_by_the_minute() -> None:
    assert 2.0 == pytest.approx(minutes_of("clear", CAR, 120.0) - minutes_of("clear", CAR))


def test_a_sensor_is_replaced_in_less_time_and_for_less_than_a_module() -> None:
    assert minutes_of(f"replace {SENSOR}", CAR) < minutes_of("replace ECM", CAR)
    assert 0 < cost_of(f"replace {SENSOR}", CAR) < cost_of("replace ECM", CAR)


def test_looking_and_reading_use_up_nothing() -> None:
    assert [0.0, 0.0, 0.0] == [cost_of(action, CAR) for action in ("scan", "look F2", "unplug ECM.C1")]
