"""Which car is meant: what comes with busbay, and the car that a name or a path means.

text = vehicle_text("six-modules")   # a car that comes with busbay
text = vehicle_text("my-van.yaml")   # a vehicle file of your own
car = find_car("-")                  # the car that standard input describes
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

from sim import shipped_files
from sim.vehicle.car import Car
from sim.vehicle.problems import FileProblem, Problem, did_you_mean
from sim.vehicle.reading import MAX_FILE_BYTES, car_from_text, decoded, text_of

STANDARD_INPUT = "-"
ENDINGS = (".yaml", ".yml")


@dataclass(frozen=True, slots=True)
class CarFile:
    """The text of a vehicle file, and the file's name for error sentences and screens."""

    name: str
    text: str

    @property
    def car(self) -> Car:
        """The car; raises `FileProblem` with file, line and reason."""
        return car_from_text(self.text, self.name)


def shipped_cars() -> dict[str, Path]:
    """The vehicle files that come with busbay, by file name without ending."""
    return shipped_files("vehicles")


def shipped_exercises() -> dict[str, Path]:
    """The exercises that come with busbay, by file name without ending, in curriculum order."""
    return shipped_files("exercises")


def shipped_cases() -> dict[str, Path]:
    """The cases that come with busbay, by file name without ending."""
    return shipped_files("cases")


def find_car(name: str) -> Car:
    """The car that a name, a path or "-" means; see `car_file`."""
    return car_file(name).car


def vehicle_text(name: str) -> str:
    """The text of that car's vehicle file, checked: a description with an error does not get any further."""
    found = car_file(name)
    if name not in shipped_cars():
        _ = found.car
    return found.text


def car_file(name: str, folder: Path | None = None) -> CarFile:
    """The vehicle file of a shipped car by its name, one by its path, or standard input by "-".

    `folder`: where a relative path begins (default: the working folder). Raises `Problem` with the nearest
    right name.
    """
    shipped = shipped_cars()
    if name in shipped:
        return CarFile(f"{name}.yaml", text_of(shipped[name]))
    if name == STANDARD_INPUT:
        return CarFile("standard input", decoded(sys.stdin.buffer.read(MAX_FILE_BYTES + 1), "standard input"))
    path = (folder or Path()) / name
    if is_path(name) or path.is_file():
        return CarFile(path.name, _text_of_own(path))
    raise Problem(_no_car(name, path))


def is_path(name: str) -> bool:
    """Is this written as a path, rather than as the name of a shipped car?"""
    return "/" in name or "\\" in name or name.endswith(ENDINGS)


def _no_car(name: str, path: Path) -> str:
    beside = next((f"{name}{ending}" for ending in ENDINGS if Path(f"{path}{ending}").is_file()), "")
    nearest = f"; did you mean '{beside}'?" if beside else did_you_mean(name, shipped_cars())
    return f"no car '{name}'{nearest}" + ("" if nearest.endswith("?") else "; or give a vehicle file's path")


def _text_of_own(path: Path) -> str:
    if not path.exists():
        beside = [one.name for ending in ENDINGS for one in path.parent.glob(f"*{ending}")]
        near = did_you_mean(path.name, beside)
        raise FileProblem(f"cannot be read: there is no such file{near}", path.name, 1)
    return text_of(path)
