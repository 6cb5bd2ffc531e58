"""A module's own PHY on an Ethernet link: what its software stores while the link is down.

It stores the code of its bus, as a CAN controller does in bus-off, once the link has been down for half a
second under the enable condition of the module's monitors: both ends are awake then, and training is over.

Not modeled: a code for a poor signal quality, which few modules store; a tester reads the index.
"""

from __future__ import annotations

from sim.modules.bus_off import TESTS_AFTER_S, bus_code_of
from sim.modules.enable_condition import EnableConditions
from sim.modules.fault_recorder import FaultRecorder, Maturing, judge_all
from sim.modules.world import Host

MATURE_S = 0.5  # five times the longest training; common practice
NO_LINK = "08"  # SAE J2012-DA failure type: bus signal or message failures


class LinkMonitor:
    """Watches the module's link on one bus. off: it is down; event: since when, None while it is up."""

    rests = False

    def __init__(self, host: Host, faults: FaultRecorder, conditions: EnableConditions, bus: str) -> None:
        self.bus = bus
        self.channel = host.channels[bus]
        self._host = host
        # a tester comes and goes: its link is down without one, which is no fault
        self._watched = all(stop.name != "DLC" for stop in host.world.car.built.buses[bus].stops)
        code, heal_s = bus_code_of(bus, host.world.car, NO_LINK), host.spec.bus_off.heal_ms / 1000
        judged = [code] if code and self._watched else []
        self.tests = [Maturing(faults, one, MATURE_S, heal_s, self._words) for one in judged]
        self.enable_condition = conditions.of(host.spec.hears_when, TESTS_AFTER_S)

    @property
    def off(self) -> bool:
        """Is there no link?"""
        return self._host.world.surroundings.link(self.channel).value != "up"

    @property
    def event(self) -> int | None:
        """Since when it is down; None while it is up."""
        link = self._host.world.surroundings.link(self.channel)
        return link.event if link.value == "down" and self._watched else None

    def update(self) -> None:
        """Judge the link while the test may run."""
        judge_all(self.tests, self.enable_condition.on, self.off, self._causes)

    def rest(self) -> None:
        """Nothing is tested any more."""
        for test in self.tests:
            test.rest()

    def shut(self) -> None:
        """The PHY is reset with its module: the wiring says so."""

    def _causes(self) -> tuple[int, ...]:
        known = (self._host.world.surroundings.link(self.channel).event, self._host.state_event)
        return next(((event,) for event in known if event is not None), ())

    def _words(self) -> str:
        return f"its link {self.bus} is down"
