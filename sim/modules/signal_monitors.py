"""The monitors of all signals of a module that are more than a level: of sensors, and of pulsed outputs."""

from __future__ import annotations

from collections.abc import Sequence

from sim.modules.enable_condition import EnableConditions
from sim.modules.fault_recorder import FaultRecorder
from sim.modules.monitors import CircuitMonitor
from sim.modules.pulsed_outputs import PulsedMonitor, pulsed_monitors
from sim.modules.sent_sensor import SentMonitor, sent_sensors
from sim.modules.wheel_speed import WheelSpeedMonitor, wheel_speed_monitors
from sim.modules.world import Host


def signal_monitors(
    host: Host, faults: FaultRecorder, conditions: EnableConditions, circuits: Sequence[CircuitMonitor]
) -> dict[str, WheelSpeedMonitor | SentMonitor | PulsedMonitor]:
    """The monitors of one module, by sensor or pin."""
    found: dict[str, WheelSpeedMonitor | SentMonitor | PulsedMonitor] = {
        one.part: one for one in wheel_speed_monitors(host, faults, conditions, circuits)
    }
    for sensor in sent_sensors(host.world.car, host.name):
        found[sensor[0]] = SentMonitor(host, faults, conditions, sensor, circuits)
    found |= pulsed_monitors(host, faults, conditions)
    return found
