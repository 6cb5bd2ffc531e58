"""The JSON schema of a vehicle file against the files that ship, by the jsonschema package."""

from __future__ import annotations

import re
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from ruamel.yaml import YAML

from sim.catalogue import shipped_cars
from sim.vehicle.schema import vehicle_schema


def _wrong(document: Any) -> list[str]:
    validator = Draft202012Validator(vehicle_schema())
    return [f"{list(one.absolute_path)}: {one.message}" for one in validator.iter_errors(document)]


def _loaded(name: str) -> Any:
    return YAML(typ="safe").load(shipped_cars()[name].read_text(encoding="utf-8"))


def test_it_is_a_schema() -> None:
    """It is one by its own dialect's rules."""
    Draft202012Validator.check_schema(vehicle_schema())


@pytest.mark.parametrize("name", sorted(shipped_cars()))
def test_every_car_that_ships_is_valid(name: str) -> None:
    """What the reader takes, an editor does not mark."""
    assert [] == _wrong(_loaded(name))


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (lambda car: car.update(fusses={}), "fusses"),
        (lambda car: car["fuses"]["F1"].update(rating_a="ten"), "ten"),
        (lambda car: car["modules"]["ECM"].update(hears=[7]), "7"),
        (lambda car: car["modules"]["ECM"].update(boot_ms=-1), "minimum"),
        (lambda car: car["buses"]["main"].update(bitrate_bps=123), "123"),
        (lambda car: car.pop("modules"), "modules"),
        (lambda car: car["modules"]["BCM"]["hears_when"].update(mode="driving"), "driving"),
    ],
)
def test_a_spoiled_file_is_marked(spoil: Any, told: str) -> None:
    """Unknown keys, wrong types, figures out of range, a missing part, an unknown word."""
    car = _loaded("six-modules")
    spoil(car)
    assert re.search(told, "\n".join(_wrong(car)))
