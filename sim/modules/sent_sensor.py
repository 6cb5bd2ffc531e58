"""Sensors that tell their value in SENT frames: what they tell, and the module's test that frames come.

A module takes its level for granted only while the range checks of the pin pass; then frames that do not come
are failure type 31, no signal.

Not modeled: frames with a wrong checksum, the engine's real appetite: air is told by speed alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from sim.modules.enable_condition import EnableConditions
from sim.modules.fault_recorder import FaultRecorder, Maturing, with_test_failure_type
from sim.modules.monitors import CircuitMonitor
from sim.modules.world import Host, World
from sim.network.sent import MOST
from sim.vehicle.car import Car
from sim.vehicle.circuits import NO_SIGNAL

# kg/h at idle of a small engine, and more for each km/h; a hot-film meter's range; from memory
AIR_KG_H: Final = {"stopped": 0.0, "cranking": 4.0, "running": 12.0}
AIR_PER_KPH, MOST_AIR_KG_H = 0.8, 480.0
MISSING_FOR_S = 0.1  # about a hundred frames; common practice
SETTLED_S = 0.5


def air_kg_h(world: World) -> float:
    """The mass of air that the engine takes now, in kg/h."""
    idle = AIR_KG_H.get(str(world.engine.value), 0.0)
    return idle + AIR_PER_KPH * float(str(world.speed_kph.value)) if idle else 0.0


def counts_of(value_kg_h: float) -> int:
    """The value as the 12 bits of a frame."""
    return min(MOST, round(value_kg_h / MOST_AIR_KG_H * MOST))


def sent_sensors(car: Car, module: str) -> Iterator[tuple[str, str, str]]:
    """Sensors with SENT frames of one module: sensor, signal pin, and code without failure type."""
    for name, sensor in car.built.sensors.items():
        end = sensor.ends[1]
        if sensor.sent_code and end.part == module:
            yield name, str(end.pin), sensor.sent_code


class SentMonitor:
    """Watches that frames come from one sensor."""

    def __init__(
        self,
        host: Host,
        faults: FaultRecorder,
        conditions: EnableConditions,
        sensor: tuple[str, str, str],
        circuits: Sequence[CircuitMonitor],
    ) -> None:
        self.part, pin, code = sensor
        self._host = host
        self._range = [one for one in circuits if one.check.pin == pin]
        self._enable = conditions.of(None, SETTLED_S)
        times = (MISSING_FOR_S, MISSING_FOR_S)
        self._test = Maturing(faults, with_test_failure_type(code, NO_SIGNAL), *times, self._words)
        self.tests = [self._test]

    @property
    def told(self) -> float:
        """What the module reads, in kg/h; 0 without frames."""
        return 0.0 if self._is_silent or not self._is_whole else air_kg_h(self._host.world)

    @property
    def _is_silent(self) -> bool:
        return self.part in self._host.world.car.harness.mute

    @property
    def _is_whole(self) -> bool:
        return not any(one.fails for one in self._range)

    def update(self) -> None:
        """Judge the frames while the level is right."""
        if self._enable.on and self._is_whole:
            self._test.judge(self._is_silent, self._causes)
        else:
            self.rest()

    def rest(self) -> None:
        """Nothing is tested any more."""
        self._test.rest()

    def _causes(self) -> tuple[int, ...]:
        event = self._host.world.edit_events.get(self.part)
        return () if event is None else (event,)

    def _words(self) -> str:
        return f"no frames from {self.part.replace('_', ' ')}"
