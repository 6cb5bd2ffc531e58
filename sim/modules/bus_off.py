"""A module's own CAN controller in bus-off: what its software knows of it, does about it and stores.

The controller and its error counters are the network's (`sim.network`). Software lets it come back by the
vehicle file's figures (`sim.vehicle.description.BusOff`), stores the code of its bus, and judges no message
of that bus meanwhile if the file says so. A controller that goes bus-off again and again is one incident,
with one event at its beginning and one at its end.

Not modeled: codes for the error passive state, which few modules store; transceivers that report a line
held dominant.
"""

from __future__ import annotations

from sim.modules.enable_condition import EnableConditions
from sim.modules.fault_recorder import FaultRecorder, Maturing, judge_all, with_test_failure_type
from sim.modules.world import Host, Timer
from sim.network.interface import ErrorState, Recovery
from sim.vehicle.car import Car
from sim.vehicle.codes import bus_off_code

BUS_OFF = "88"  # SAE J2012-DA failure type, as given by two agreeing open tables
TESTS_AFTER_S = 0.5  # settling time after the enable condition comes true; common practice


class BusOffMonitor:
    """Watches the module's controller on one bus. off: in bus-off now; event: since when it has been in and
    out of it, None while all is well.
    """

    def __init__(self, host: Host, faults: FaultRecorder, conditions: EnableConditions, bus: str) -> None:
        spec, world = host.spec.bus_off, host.world
        self.bus = bus
        self.channel = host.channels[bus]
        self.off = False
        self.event: int | None = None
        self.rests = spec.monitors_rest
        self._host = host
        self._well_again: int | None = None  # the event of being back on the bus, the last time
        self._heal_s = spec.heal_ms / 1000
        self._well: Timer | None = None
        code, mature_s = bus_code_of(bus, world.car, BUS_OFF), spec.mature_ms / 1000
        self.tests = [Maturing(faults, code, mature_s, self._heal_s, self._words)] if code else []
        self.enable_condition = conditions.of(host.spec.hears_when, TESTS_AFTER_S)
        recovery = Recovery(spec.first_ms / 1000, spec.later_ms / 1000, spec.count)
        world.network.set_recovery(self.channel, recovery)
        world.network.on_state(self.channel, self._changed)

    def update(self) -> None:
        """Judge the controller while the test may run."""
        judge_all(self.tests, self.enable_condition.on, self.off, self._causes)

    def rest(self) -> None:
        """Nothing is tested any more."""
        for test in self.tests:
            test.rest()

    def shut(self) -> None:
        """The controller is reset with its module."""
        self.off, self.event, self._well_again = False, None, None
        self._is_not_well_yet()

    def _changed(self, state: ErrorState, _time_s: float) -> None:
        if state == "bus-off":
            self._is_not_well_yet()
            self.off = True
            if self.event is None:
                causes = self._host.world.explainer.bus_faults(self.channel)
                words = f"{self._host.name} goes bus-off on {self.bus}"
                self.event = self._host.record("bus", words, causes, self.bus, "bus-off")
        elif self.off:
            self.off = False
            self._well = self._host.world.after(self._heal_s, self._is_well)
        else:
            return
        self._host.invalidate()

    def _is_not_well_yet(self) -> None:
        if self._well:
            self._well.cancel()
            self._well = None

    def _is_well(self) -> None:
        words = f"{self._host.name} is back on {self.bus}"
        self._well_again = self._host.record("bus", words, (self.event,), self.bus, "on the bus")
        self.event = None
        self._host.invalidate()

    def _causes(self) -> tuple[int, ...]:
        known = (self.event, self._well_again, self._host.state_event)  # the last one: a reset ended it
        return next(((event,) for event in known if event is not None), ())

    def _words(self) -> str:
        return f"its own controller went bus-off on {self.bus}"


def bus_code_of(bus: str, car: Car, failure_type: str) -> str | None:
    """The code of a bus that does not work for a module; None if the tables have none left."""
    buses = car.built.buses
    code = buses[bus].off_code or bus_off_code(list(buses).index(bus))
    return with_test_failure_type(code, failure_type) if code else None
