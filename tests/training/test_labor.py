"""Minutes and money in the shop: which rule applies to what."""

import pytest

from sim.bench.actions import parse_action
from sim.lab.labor import minutes_of
from sim.training.exercise import find_exercise
from sim.training.jobs import cost_of

CAR = find_exercise("29").whole_car
SENSOR = min(CAR.built.sensors)


def minutes(text: str, waited_s: float = 0.0) -> float:
    return minutes_of(parse_action(text, CAR), CAR, waited_s)


def cost(text: str) -> float:
    return cost_of(parse_action(text, CAR), CAR)


def test_a_wait_is_paid_by_the_minute() -> None:
    """Waiting adds its simulated minutes to the labor time."""
    assert 2.0 == pytest.approx(minutes("clear", 120.0) - minutes("clear"))


def test_a_sensor_is_replaced_in_less_time_and_for_less_than_a_module() -> None:
    """A sensor costs less time and money than a module."""
    assert minutes(f"replace {SENSOR}") < minutes("replace ECM")
    assert 0 < cost(f"replace {SENSOR}") < cost("replace ECM")


def test_looking_and_reading_use_up_nothing() -> None:
    """Scanning, inspecting and unplugging use up no parts."""
    assert [0.0, 0.0, 0.0] == [cost(action) for action in ("scan", "look F2", "unplug ECM.C1")]
