"""The monitors of all sensors that give a module a signal besides their level."""

from __future__ import annotations

from collections.abc import Sequence

from sim.modules.enable_condition import EnableConditions
from sim.modules.fault_recorder import FaultRecorder
from sim.modules.monitors import CircuitMonitor
from sim.modules.sent_sensor import SentMonitor, sent_sensors
from sim.modules.wheel_speed import WheelSpeedMonitor, wheel_speed_monitors
from sim.modules.world import Host


def signal_monitors(
    host: Host, faults: FaultRecorder, conditions: EnableConditions, circuits: Sequence[CircuitMonitor]
) -> dict[str, WheelSpeedMonitor | SentMonitor]:
    """The monitors of one module, by sensor."""
    found: dict[str, WheelSpeedMonitor | SentMonitor] = {
        one.part: one for one in wheel_speed_monitors(host, faults, conditions, circuits)
    }
    for sensor in sent_sensors(host.world.car, host.name):
        found[sensor[0]] = SentMonitor(host, faults, conditions, sensor, circuits)
    return found
