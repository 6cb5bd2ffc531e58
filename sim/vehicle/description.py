"""What a person writes about a car: the shape of a vehicle file.

Everything that a technician would expect has a default, so a small car is a page; unknown keys are
refused. Defaults marked *common practice* come from no standard: a file may change each of them,
and `busbay car FILE --full` prints them all.

Not modeled: options of one car line, software versions, manual gearboxes.
"""

from __future__ import annotations

from functools import cached_property
from typing import Literal

from pydantic import Field

from sim.vehicle.circuits import CircuitGroup, WatchedCircuit, watched_circuits
from sim.vehicle.description_base import MOST_MODULES, CodeText, DtcText, Name, Part
from sim.vehicle.description_high_voltage import HighVoltage
from sim.vehicle.description_software import Immobilizer, Module, PowerModes, StartStop
from sim.vehicle.description_wiring import (
    Battery,
    Bus,
    Dlc,
    Fuse,
    Generator,
    Ground,
    Inline,
    Lin,
    Load,
    Relay,
    Sensor,
    Switch,
)


class Engine(Part):
    """The engine as far as starting goes.

    It cranks while the starter has voltage, and fires once cranked for `fires_after_s` with at least
    `cylinders_needed` cylinders whose coil and injector are fed, under a controller that runs and is
    released, and with its fuel pump fed, if it has one. Without the pump it runs on for `fuel_lasts_s`, on
    what is left in the rail: a second or two, common practice.
    """

    controller: Name
    starter: Name
    coils: tuple[Name, ...] = ()  # none: a diesel, whose cylinders need their injectors alone
    injectors: tuple[Name, ...]
    fires_after_s: float = Field(0.8, gt=0)
    cylinders_needed: int = Field(3, ge=1)
    misfire_turns: float = Field(200, gt=0)  # of the crankshaft, until a misfire is told; from memory
    fuel_pump: Name | None = None
    fuel_lasts_s: float = Field(1.5, ge=0)
    generator: Generator = Generator()
    cranks_above_v: float = Field(6.0, gt=0)
    start_stop: StartStop | None = None  # None: the engine runs until it is switched off

    @property
    def cylinders(self) -> tuple[tuple[str, ...], ...]:
        """What each cylinder needs fed: its coil and its injector; without coils (a diesel) the injector."""
        pairs = zip(self.coils, self.injectors, strict=False)
        return tuple(pairs) if self.coils else tuple((one,) for one in self.injectors)


class Vehicle(Part):
    """A whole vehicle file."""

    car: str = Field(min_length=1, max_length=120)
    about: str = ""
    body: Literal["sedan", "wagon", "van", "truck"] = "sedan"  # its outline on the plan from above
    battery: Battery = Battery()
    buses: dict[Name, Bus] = Field(min_length=1, max_length=20)
    lin: dict[Name, Lin] = Field(default_factory=dict, max_length=20)
    fuses: dict[Name, Fuse] = Field(default_factory=dict)
    boxes: dict[str, str] = Field(default_factory=dict)
    grounds: dict[Name, Ground] = Field(default_factory=lambda: {"G1": Ground()}, min_length=1)
    relays: dict[Name, Relay] = Field(default_factory=dict)
    inline: dict[Name, Inline] = Field(default_factory=dict)
    switches: dict[Name, Switch] = Field(default_factory=dict)
    loads: dict[Name, Load] = Field(default_factory=dict)
    sensors: dict[Name, Sensor] = Field(default_factory=dict)
    circuits: dict[Name, tuple[CircuitGroup, ...]] = Field(default_factory=dict)
    dlc: Dlc = Dlc()
    modules: dict[Name, Module] = Field(min_length=1, max_length=MOST_MODULES)
    power_modes: PowerModes | None = None
    immobilizer: Immobilizer | None = None
    engine: Engine | None = None
    high_voltage: HighVoltage | None = None
    code_texts: dict[DtcText, CodeText] = Field(default_factory=dict)

    def place_of_box(self, box: str) -> str:
        """Where a fuse box is in the car: what the file says, otherwise what its name says."""
        return self.boxes.get(box, box)

    @cached_property
    def watched(self) -> dict[str, WatchedCircuit]:
        """Circuits of small loads and sensors, by their part."""
        return watched_circuits(self.circuits)
