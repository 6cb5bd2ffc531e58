"""One beginning with many endings against a run of each from its beginning."""

from collections.abc import Iterable
from dataclasses import replace

import pytest

from sim.catalogue import find_car, vehicle_text
from sim.lab.drive import first_look
from sim.lab.endings import SEEN, endings, endings_text
from sim.lab.run import Trial, run_trial
from sim.lab.sight import Sight

ENDINGS = [
    ("scan",),
    ("unplug ABS.C1", "wait 5 s", "scan", "plug ABS.C1"),
    ("disconnect battery", "wait 60 s", "measure ohms DLC.6 to DLC.14", "reconnect battery"),
    ("unplug NOTHING.C1", "scan"),
    ("clear", "scan"),
]


@pytest.mark.parametrize("given", [(), ("pull F1",)], ids=" ".join)
def test_each_ending_shows_what_a_run_of_its_own_shows(given: tuple[str, ...]) -> None:
    """Refused actions, meter readings on a data line and codes that were cleared among them."""
    car = find_car("six-modules")
    trial = Trial(vehicle_text("six-modules"), given, first_look(car))
    alone = [
        run_trial(Trial(trial.vehicle, given, (*trial.actions, *one))).sights[-len(one) :] for one in ENDINGS
    ]
    assert timeless(alone) == timeless(endings(trial, ENDINGS))
    assert timeless(alone) == timeless(SEEN.validate_json(endings_text((trial, tuple(ENDINGS)))))


def timeless(found: Iterable[tuple[Sight, ...]]) -> list[list[Sight]]:
    """The sights without their times: a scan ends a little sooner as streams."""
    return [[replace(sight, time_s=0.0) for sight in one] for one in found]


def test_a_car_that_cannot_be_shows_nothing() -> None:
    """Edits that contradict each other: every ending is empty."""
    trial = Trial(vehicle_text("six-modules"), ("pull F1", "pull F1", "fit F9"), ("wait 1 s",))
    assert [(), ()] == list(endings(trial, [("scan",), ("clear",)]))
