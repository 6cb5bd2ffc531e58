"""Labor time: one table for advice and exercises."""

import pytest

from sim.bench.actions import parse_action
from sim.catalogue import vehicle_text
from sim.lab.checks import Check, possible_checks
from sim.lab.labor import minutes_of
from sim.lab.search_result import PossibleCause
from sim.vehicle.reading import car_from_text

CAR = car_from_text(vehicle_text("teaching-car"))


def check(first_action: str) -> Check:
    causes = [PossibleCause(("open ECM.C1.1",), (), 0.0)]
    return next(one for one in possible_checks(CAR, causes) if one.actions[0] == first_action)


def minutes(text: str) -> float:
    action = parse_action(text, CAR)
    return minutes_of(action, CAR, action.number)


def test_a_clamp_of_the_battery_takes_longer_than_a_plug() -> None:
    """The words "disconnect battery" and the connector's name cost the same, and more than any plug."""
    assert [5.0, 5.0, 4.0] == [minutes(f) for f in ("disconnect battery", "unplug BAT.NEG", "unplug ECM.C1")]


def test_advice_counts_the_same_minutes_as_an_exercise() -> None:
    """Key and battery off, a minute, a reading with two leads, battery on: 0.1 + 5 + 1 + 2.5 + 5 minutes."""
    assert ("key off", "disconnect battery") == check("key off").actions[:2]
    assert 13.6 == pytest.approx(check("key off").minutes)


def test_looking_into_a_connector_is_off_look_on() -> None:
    """A connector off, inspected and on again: 4 + 1 + 2 minutes."""
    assert ("unplug ECM.C1", "look ECM.C1", "plug ECM.C1") == check("unplug ECM.C1").actions
    assert 7.0 == check("unplug ECM.C1").minutes
