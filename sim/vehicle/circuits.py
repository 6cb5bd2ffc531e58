"""Circuits of small loads and sensors that one module watches: two wires, the part, and the codes.

A module holds a small current through each of them while it runs, from its supply through `PULL_OHM` out and
through `RETURN_OHM` back, and measures the voltage at the first pin: about a third of its supply with the
part fitted, all of it with the circuit open, none with a short to ground. The codes differ in their failure
type (SAE J2012-DA, as given by two agreeing open tables): 15 short to battery or open, 11 short to ground.
Values are common practice.

A squib's connector joins its two pins by a shorting bar as long as it is off, so that no charge can fire it.

An active wheel speed sensor has two wires as well. Its module feeds it through `FEED_OHM` while it runs, and
the sensor draws 7 or 14 mA, by turns as the teeth of its ring pass (the usual two levels of two-wire sensors,
as data sheets of several makers give them; from memory). The module reads them as a voltage across
`WHEEL_SHUNT_OHM`: 0.8 and 1.6 V. Here failure types are 11 short to ground, 13 open, 12 short to battery and
31 no signal, the last while other wheels turn (`sim.modules.wheel_speed`).

Not modeled: what flows when the load works, the small current's effect on it, resistances that are a little
too high or too low (failure types 1A, 1B), what a sensor signals.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

from pydantic import Field

from sim.vehicle.codes import dtc_bytes, dtc_text
from sim.vehicle.description_base import DtcText, Listed, Name, Part
from sim.vehicle.description_software import CircuitCheck

CircuitKind = Literal[
    "squib", "speaker", "lamp", "motor", "heater", "switch", "sensor", "antenna", "camera", "wheel_speed"
]
# ohm of the part: a squib about 2, a loudspeaker 4, others as a meter finds them cold; common practice
PART_OHM: Final[dict[str, float]] = {
    "squib": 2.2, "speaker": 4.0, "lamp": 10.0, "motor": 3.0, "heater": 5.0, "switch": 100.0, "sensor": 200.0,
    "antenna": 50.0, "camera": 150.0,
}  # fmt: skip
PULL_OHM: Final = 47_000.0
RETURN_OHM: Final = 22_000.0
BIAS_OHM: Final = 1.0  # of the switch that feeds all pulls of a module while it runs
# a circuit gives a third of the supply: 5.5 V at 17 V; open it gives all of it, 9 V and more
OPEN_ABOVE_V: Final = 7.5
GROUND_BELOW_V: Final = 1.0
OPEN, GROUND = "15", "11"
# of a wheel speed sensor: its two currents, the voltage that it needs, its feed, and what it is read across
LOW_A: Final = 0.007
HIGH_A: Final = 0.014
SENSOR_LEAST_V: Final = 4.5
FEED_OHM: Final = 50.0
WHEEL_SHUNT_OHM: Final = 115.0
# limits at the module's pins: the feed pulled down; less than half of 7 mA; half as much again as 14 mA
FEED_LOW_V: Final = 4.0
SENSE_OPEN_V: Final = 0.4
SENSE_HIGH_V: Final = 2.4
WHEEL_MATURE_MS: Final = 100.0  # an anti-lock system may not wait; common practice
WHEEL_GROUND, WHEEL_OPEN, WHEEL_BATTERY, NO_SIGNAL = "11", "13", "12", "31"
TEETH: Final = 48  # pulses in one turn of the wheel; common practice
ROLLING_M: Final = 2.0  # a tire's way in one turn; common practice for passenger cars


class CircuitGroup(Part):
    """Several circuits of one module and kind that go the same way; `parts`: each with its code's number."""

    kind: CircuitKind
    via: Listed = ()
    location: str = ""
    length_m: float = Field(2.0, gt=0, le=30)
    parts: dict[Name, DtcText] = Field(min_length=1)


@dataclass(frozen=True, slots=True)
class WatchedCircuit:
    """One circuit: its part, the module that watches it, and its code without failure type."""

    part: str
    module: str
    group: CircuitGroup
    code: str

    @property
    def title(self) -> str:
        """The part in words."""
        return self.part.replace("_", " ")

    @property
    def pins(self) -> tuple[str, str]:
        """The module's pins, out and back."""
        return f"{self.part}+", f"{self.part}-"

    @property
    def is_wheel_speed(self) -> bool:
        """Is it an active wheel speed sensor?"""
        return self.group.kind == "wheel_speed"

    @property
    def codes(self) -> tuple[str, ...]:
        """Its codes with failure types."""
        types = (
            (WHEEL_GROUND, WHEEL_OPEN, WHEEL_BATTERY, NO_SIGNAL) if self.is_wheel_speed else (OPEN, GROUND)
        )
        return tuple(f"{self.code}-{one}" for one in types)

    def checks(self) -> Iterator[CircuitCheck]:
        """How the module watches it."""
        if self.is_wheel_speed:
            yield from self._wheel_checks()
            return
        yield CircuitCheck(pin=self.pins[0], above_v=OPEN_ABOVE_V, code=self.codes[0])
        yield CircuitCheck(pin=self.pins[0], below_v=GROUND_BELOW_V, code=self.codes[1])

    def _wheel_checks(self) -> Iterator[CircuitCheck]:
        feed, sense = self.pins
        yield CircuitCheck(pin=feed, below_v=FEED_LOW_V, code=self.codes[0], mature_ms=WHEEL_MATURE_MS)
        yield CircuitCheck(pin=sense, below_v=SENSE_OPEN_V, code=self.codes[1], mature_ms=WHEEL_MATURE_MS)
        yield CircuitCheck(pin=sense, above_v=SENSE_HIGH_V, code=self.codes[2], mature_ms=WHEEL_MATURE_MS)


def watched_circuits(groups: dict[str, tuple[CircuitGroup, ...]]) -> dict[str, WatchedCircuit]:
    """Every circuit of a description by its part."""
    return {
        part: WatchedCircuit(part, module, group, dtc_text(dtc_bytes(code)[:2]))
        for module, several in groups.items()
        for group in several
        for part, code in group.parts.items()
    }
