"""Wheel speeds as an anti-lock module reads them, and its test for a wheel that gives no signal.

A sensor signals while its circuit is whole and it is not silent inside. From `JUDGED_ABOVE_KPH` on the module
compares the wheels: one that gives nothing while another turns has no signal (failure type 31). A circuit
that is open or shorted has a code of its own and is not judged here.

Not modeled: wheels that turn at different speeds, wheelspin, a tooth that is missing.
"""

from __future__ import annotations

from collections.abc import Sequence

from sim.modules.enable_condition import EnableConditions
from sim.modules.fault_recorder import FaultRecorder, Maturing
from sim.modules.monitors import CircuitMonitor
from sim.modules.world import Host
from sim.vehicle.circuits import WatchedCircuit

JUDGED_ABOVE_KPH = (
    10  # common practice: below, a module cannot tell a wheel that stands from a sensor that is silent
)
SILENT_FOR_S = 1.0  # common practice
SETTLED_S = 0.5


class WheelSpeedMonitor:
    """Watches the signal of one wheel speed sensor. `circuit_tests`: those of its wires."""

    def __init__(
        self,
        host: Host,
        faults: FaultRecorder,
        conditions: EnableConditions,
        circuit: WatchedCircuit,
        circuit_tests: Sequence[CircuitMonitor],
    ) -> None:
        self._host = host
        self._circuit = circuit
        self._circuit_tests = circuit_tests
        self._enable = conditions.of(None, SETTLED_S)
        self.test = Maturing(faults, circuit.codes[-1], SILENT_FOR_S, SILENT_FOR_S, self._words)
        self.tests = [self.test]
        self.others: tuple[WheelSpeedMonitor, ...] = ()

    @property
    def part(self) -> str:
        """The sensor."""
        return self._circuit.part

    @property
    def speed_kph(self) -> int:
        """What the module reads: the wheel's speed, or 0 without a signal."""
        return int(str(self._host.world.speed_kph.value)) if self._signals else 0

    @property
    def told(self) -> float:
        """The same, as live data tell it."""
        return float(self.speed_kph)

    @property
    def _signals(self) -> bool:
        silent = self.part in self._host.world.car.harness.mute
        return not silent and self._is_whole

    @property
    def _is_whole(self) -> bool:
        return not any(one.fails for one in self._circuit_tests)

    def update(self) -> None:
        """Judge the signal while the car moves, the circuit is whole and another wheel is seen to turn."""
        turning = any(one.speed_kph >= JUDGED_ABOVE_KPH for one in self.others)
        if not (self._enable.on and self._is_whole and turning):
            self.rest()
            return
        self.test.judge(not self._signals, self._causes)

    def rest(self) -> None:
        """Nothing is tested any more."""
        self.test.rest()

    def _causes(self) -> tuple[int, ...]:
        world = self._host.world
        event = world.edit_events.get(self.part) if not self._signals else world.speed_kph.event
        return () if event is None else (event,)

    def _words(self) -> str:
        return f"{self._circuit.title} gives no signal while other wheels turn"


def wheel_speed_monitors(
    host: Host, faults: FaultRecorder, conditions: EnableConditions, circuits: Sequence[CircuitMonitor]
) -> tuple[WheelSpeedMonitor, ...]:
    """The monitors of one module's wheel speed sensors, if it has any.

    A circuit is judged as open only while its feed is up: a feed shorted to ground is another fault.
    """
    found = []
    for one in host.world.car.built.watched.values():
        if one.module == host.name and one.is_wheel_speed:
            own = [circuit for circuit in circuits if circuit.check.code in one.codes]
            ground, broken, *_ = own
            broken.judged_before = (ground,)
            found.append(WheelSpeedMonitor(host, faults, conditions, one, own))
    for monitor in found:
        monitor.others = tuple(other for other in found if other is not monitor)
    return tuple(found)
