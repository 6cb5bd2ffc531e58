"""A case: a real car's story as steps (done, seen), and rival stories of what was wrong, put to the test.

A case is a YAML file::

    case: Dead dash after the flood
    about: invented; who, what, when
    car: shuttle-minibus
    steps:
      - {do: [press start with brake, wait 5 s], seen: {engine: stopped, cranks: false, lit: [mil]}}
      - do: scan
        seen: {silent: [GATEWAY, CLUSTER], answers: [ECM], codes: [ECM U0140, ABS U0155 stored]}
      - {do: measure volts F20.1 to BAT-, seen: {reads: 12.5, within: 0.3}}
    stories:
      fuse: {says: the customer's helper took a fuse for his radio, edits: [pull F20]}
      plug: {says: the body module was left unplugged, edits: [unplug BCM.C1]}
    experiments: [look F20, [unplug BCM.C1, measure volts BCM.C1.1 to BAT-]]

`car` is the name of a car that comes with busbay, the path of a vehicle file (from the case file's folder),
or the car itself: the lines of its vehicle file, indented below `car:` or, comments and all, below `car: |`.
Then car and case travel in one file.

`date`, `odometer` and `complaint` go on the shop report; a step may have a `note` and `photos`. What is not
in `seen` was not looked at; that is not the same as absent. Every story's edits (faults, repairs,
theories about how the car was built) are given to the car, and the same steps are run.

Not modeled: what a person saw wrong or remembers wrong.
"""

from __future__ import annotations

import re
from base64 import b64decode
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from io import StringIO
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, PlainSerializer, model_validator
from ruamel.yaml import YAML

from sim.catalogue import vehicle_text
from sim.lab.run import Trial, sentences
from sim.vehicle.car import Car
from sim.vehicle.description_base import Part
from sim.vehicle.reading import car_from_text


def _listed(value: object) -> object:
    return (value,) if isinstance(value, str) else value


# letters of base64, so that a case with its photos and its car stays below the limit of a file
MOST_PHOTO_TEXT, MOST_PHOTOS_TEXT = 200_000, 700_000
PHOTO_KINDS = {"image/png": b"\x89PNG\r\n\x1a\n", "image/jpeg": b"\xff\xd8\xff"}
NO_CODE = "is not a module with a code: write 'ECM U0101' or 'ECM U0101-87 stored'"


@dataclass(frozen=True, slots=True)
class CodeSeen:
    """A code as it was seen, written "ECM U0101-87 stored": its module, its number, and its state if known.

    Without a number every code of the module is meant.
    """

    module: str
    code: str = ""
    state: Literal["", "present", "stored"] = ""

    def __str__(self) -> str:
        return " ".join(part for part in (self.module, self.code, self.state) if part)


def _code_seen(value: object) -> object:
    """The code that a text names; texts of another form raise `ValueError`."""
    if not isinstance(value, str):
        return value
    match value.split():
        case [module]:
            return CodeSeen(module)
        case [module, code]:
            return CodeSeen(module, code)
        case [module, code, "present" | "stored" as state]:
            return CodeSeen(module, code, state)
    raise ValueError(f"'{value}' {NO_CODE}")


Codes = Annotated[
    tuple[Annotated[CodeSeen, BeforeValidator(_code_seen), PlainSerializer(str, return_type=str)], ...],
    BeforeValidator(_listed),
]
# a date or a figure, which YAML would take for something else than words
Said = Annotated[
    str, BeforeValidator(lambda v: str(v) if isinstance(v, int | float | date) and v is not True else v)
]
Lines = Annotated[tuple[str, ...], BeforeValidator(_listed)]


def _as_vehicle_text(value: object) -> object:
    """The car of a case as text, where the case says it in `key: value` lines of its own."""
    if not isinstance(value, dict):
        return value
    text = StringIO()
    YAML().dump(value, text)
    return text.getvalue()


class Evidence(Part):
    """What was seen when a step was over. A field that is left out was not looked at.

    `cranks`, `starts`: the starter turned, the engine fired, during the step. `lit`, `dark`: telltales. After
    a scan: `tester_power`; `answers`, `silent`: modules; `codes`, `no_codes`: "ECM U0101", "ECM U0101-87
    stored", and for `no_codes` also a whole module; `no_other_codes`: `codes` is all that the scan showed.
    After clearing or unlocking: `done`, `denied`, `no_answer`. After a measurement: `reads` in V, ohm or A,
    `within` so much, or "floating"; after any observation `shows`: words that what was seen contains.
    `cannot`: the last action could not be done.
    """

    engine: Literal["stopped", "cranking", "running", "ready", "not ready"] | None = None
    cranks: bool | None = None
    starts: bool | None = None
    ignition: Literal["off", "accessory", "run", "crank", "dark"] | None = None
    cluster: Literal["awake", "dark"] | None = None
    lit: Lines = ()
    dark: Lines = ()
    tester_power: bool | None = None
    answers: Lines = ()
    silent: Lines = ()
    codes: Codes = ()
    no_codes: Codes = ()
    no_other_codes: bool = False
    done: Lines = ()
    denied: Lines = ()
    no_answer: Lines = ()
    reads: float | Literal["floating"] | None = None
    within: float | None = Field(None, ge=0)
    shows: str | None = Field(None, min_length=1)
    cannot: bool | None = None

    @model_validator(mode="after")
    def _reading_has_a_tolerance(self) -> Evidence:
        if isinstance(self.reads, float) and self.within is None:
            raise ValueError("'reads' needs 'within': how far the reading may be off, in the same unit")
        if self.within is not None and not isinstance(self.reads, float):
            raise ValueError("'within' belongs to 'reads' with a number")
        return self


class Photo(Part):
    """A picture that belongs to a step, in base64; what it is, its content says, not its name."""

    name: str = Field(min_length=1, max_length=80)
    data: str = Field(max_length=MOST_PHOTO_TEXT)

    @model_validator(mode="after")
    def _is_a_picture(self) -> Photo:
        _ = self.kind
        return self

    @property
    def kind(self) -> str:
        """`image/png` or `image/jpeg`, by its first bytes; raises `ValueError` for anything else."""
        try:
            raw = b64decode(self.data, validate=True)
        except ValueError:
            raise ValueError(f"the photo '{self.name}' is not base64") from None
        for kind, first in PHOTO_KINDS.items():
            if raw.startswith(first):
                return kind
        raise ValueError(f"'{self.name}' is no photo: a step takes PNG and JPEG")


class CaseStep(Part):
    """Something done, and what was seen then; a note and photos that belong to it prove nothing here."""

    do: Lines = Field(min_length=1)
    seen: Evidence = Evidence()
    note: str = Field("", max_length=1000)
    photos: tuple[Photo, ...] = Field((), max_length=4)


class Story(Part):
    """One explanation: its edits of the car, and in words what it says. No edits: the car is as described."""

    says: str = Field("", max_length=600)
    edits: Lines = ()


class Case(Part):
    """A whole case file."""

    case: str = Field(min_length=1, max_length=120)
    about: str = Field("", max_length=2000)
    date: Said = Field("", max_length=20)
    odometer: Said = Field("", max_length=30)
    complaint: str = Field("", max_length=600)
    car: Annotated[str, BeforeValidator(_as_vehicle_text)]
    seed: int = Field(0, ge=0, le=2**31)
    given: Lines = ()
    steps: tuple[CaseStep, ...] = Field(min_length=1)
    stories: dict[str, Story] = Field(min_length=1)
    experiments: tuple[Lines, ...] = ()

    @model_validator(mode="after")
    def _not_too_many_photos(self) -> Case:
        size = sum(len(photo.data) for step in self.steps for photo in step.photos)
        if size > MOST_PHOTOS_TEXT:
            most, now = MOST_PHOTOS_TEXT // 1000, size // 1000
            raise ValueError(f"the photos of a case take at most {most} kB together (here: {now} kB)")
        return self

    @property
    def holds_its_car(self) -> bool:
        """Is the car itself in the case, rather than the name of a shipped one?"""
        return "\n" in self.car

    @property
    def vehicle(self) -> str:
        """The text of the car's vehicle file."""
        return self.car if self.holds_its_car else vehicle_text(self.car)

    @property
    def whole_car(self) -> Car:
        """The car as its file describes it."""
        return car_from_text(self.vehicle)

    @property
    def car_name(self) -> str:
        """A file name for the car."""
        stem = re.sub(r"[^a-z0-9]+", "-", self.whole_car.title.lower()) if self.holds_its_car else self.car
        return f"{stem.strip('-') or 'car'}.yaml"

    @property
    def actions(self) -> tuple[str, ...]:
        """All actions of all steps."""
        return actions_of(self.steps)


def trial_of(case: Case, story: Story, more: Sequence[str] = ()) -> Trial:
    """The run of one story through all steps of its case, and these actions after them."""
    given = sentences([*case.given, *story.edits], case.whole_car)
    return Trial(case.vehicle, given, (*case.actions, *more), case.seed)


def actions_of(steps: Iterable[CaseStep]) -> tuple[str, ...]:
    """All actions of these steps, in order."""
    return tuple(action for step in steps for action in step.do)
