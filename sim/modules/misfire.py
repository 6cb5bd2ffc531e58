"""Misfires: cylinders that do not fire while the engine runs, found by its module in the crankshaft's speed.

A cylinder whose coil or injector gets nothing leaves a gap in the turning that repeats with it. The module
counts over some turns before it says so (`Engine.misfire_turns`); the code names the cylinder (SAE J2012,
P0301 for the first).

Not modeled: misfires of one cylinder now and then, by mixture or compression; the code for several cylinders
at random (P0300); the lamp that blinks because a catalyst is at risk.
"""

from __future__ import annotations

from functools import partial

from sim.modules.enable_condition import EnableConditions
from sim.modules.facts import ENGINE_RPM
from sim.modules.fault_recorder import FaultRecorder, Maturing
from sim.modules.world import Host
from sim.vehicle.conditions import Condition
from sim.vehicle.description import Engine
from sim.vehicle.own_codes import FIRST_MISFIRE

AFTER_S = 2.0  # the engine has settled at idle; common practice


class MisfireMonitor:
    """Watches every cylinder of the engine that a module runs."""

    def __init__(
        self, host: Host, faults: FaultRecorder, conditions: EnableConditions, engine: Engine
    ) -> None:
        self._host = host
        turns_s = engine.misfire_turns / ENGINE_RPM["running"] * 60
        self._by_cylinder = {
            number: Maturing(
                faults, f"P{FIRST_MISFIRE + number - 1:04X}", turns_s, turns_s, partial(_words, number)
            )
            for number in range(1, len(engine.cylinders) + 1)
        }
        self.tests = list(self._by_cylinder.values())
        self._enable = conditions.of(Condition(engine=("running",)), AFTER_S)

    def update(self) -> None:
        """Judge every cylinder while the engine runs."""
        if not self._enable.on:
            self.rest()
            return
        misfires = self._host.world.misfires
        for number, test in self._by_cylinder.items():
            test.judge(number in misfires, misfires.get(number, tuple))

    def rest(self) -> None:
        """Nothing is tested any more."""
        for test in self.tests:
            test.rest()


def _words(number: int) -> str:
    return f"cylinder {number} does not fire"
