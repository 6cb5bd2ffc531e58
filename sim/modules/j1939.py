"""A module and SAE J1939: its place on each such bus, its codes there, the lamps that it hears of.

A lamp is asked for by DM1, which comes once a second; a controller that is silent for three asks for nothing
any more (common practice).

Not modeled: lamps that flash.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Final

from sim.modules.bus_off import BusOffMonitor
from sim.modules.facts import OFF, Fact
from sim.modules.fault_recorder import FaultRecorder
from sim.modules.j1939_codes import J1939Codes
from sim.modules.j1939_node import J1939Node
from sim.modules.knowledge import Knowledge
from sim.modules.link_monitor import LinkMonitor
from sim.modules.monitors import CircuitMonitor, MessageMonitor
from sim.modules.uds_data import Identity
from sim.modules.world import Host, NamedTimers
from sim.network.frames import Frame
from sim.network.streams import Stream
from sim.vehicle.j1939 import LAMPS, NULL_ADDRESS, DiagnosticMessage, Lamp
from sim.vehicle.j1939_addresses import j1939_buses, readdressed
from sim.vehicle.messages import conditions_of

FORGOTTEN_AFTER_S: Final = 3.0


class J1939:
    """One module's controllers, by bus; none for a module on no such bus."""

    def __init__(
        self,
        host: Host,
        knowledge: Knowledge,
        faults: FaultRecorder,
        identity: Identity,
        talk: Callable[[], None],
    ) -> None:
        car = host.world.car
        self.codes = J1939Codes(car, host.name, identity)
        self._host = host
        self._knowledge = knowledge
        self._faults = faults
        self._timers = NamedTimers(host.world)
        self._lamps: dict[int | None, frozenset[Lamp]] = {}  # by the address that asks for them, None its own
        leaves = (leaf for _, rule in conditions_of(car.built, host.name) for leaf in rule.leaves())
        self._shows_lamps = any(leaf.dm1_lamp for leaf in leaves)
        hear = self._heard if self._shows_lamps else None
        self.nodes = {
            bus: J1939Node(host, bus, self.codes, faults.memory, talk, hear)
            for bus in j1939_buses(car.built)
            if bus in host.channels
        }
        for bus in self.nodes:
            host.world.dm1_causes[host.channels[bus]] = self._causes

    def name_codes(
        self,
        monitors: Sequence[MessageMonitor],
        circuits: Sequence[CircuitMonitor],
        controllers: Mapping[str, BusOffMonitor | LinkMonitor],
    ) -> None:
        """Say what each code of the module is called on SAE J1939."""
        for place, monitor in enumerate(monitors):
            invalid = monitor.invalid.code if monitor.invalid else None
            self.codes.add_message(place, monitor.lost.code, invalid)
        for circuit in circuits:
            self.codes.add(circuit.check.code, circuit.check)
        for bus, controller in controllers.items():
            self.codes.add_bus_off(bus, [test.code for test in controller.tests])
        for test in self._faults.tests:
            self.codes.add(test.code)

    def is_open(self, bus: str) -> bool:
        """May the module send on a bus: has it an address there, where it needs one?"""
        node = self.nodes.get(bus)
        return node is None or node.may_send

    def is_silent(self, bus: str) -> bool:
        """Does it send nothing at all on a bus, for want of an address? A claim under way is a frame, too."""
        node = self.nodes.get(bus)
        return node is not None and node.state == "cannot claim"

    def lost_address(self, bus: str) -> int | None:
        """The event with which it lost its address on a bus; None if it has not."""
        node = self.nodes.get(bus)
        return node.event if node and node.state == "cannot claim" else None

    def start(self) -> None:
        """The module has come online."""
        for node in self.nodes.values():
            node.start()

    def stop(self) -> None:
        """The module sends and receives no more."""
        for node in self.nodes.values():
            node.stop()
        self._timers.clear()
        self._lamps.clear()
        self._knowledge.dm1_lamps.clear()

    def update(self) -> None:
        """Tell codes that have come or gone; a lamp that it has itself it lights by its own."""
        for node in self.nodes.values():
            node.codes_changed()
        if self._shows_lamps:
            self._lamps[None] = frozenset().union(*(node.active().lamps for node in self.nodes.values()))
            self._judge("its own codes", self._causes())

    def heeds(self, bus: str, frame: Frame) -> bool:
        """Could it do anything with a single frame of this identifier?"""
        return bus in self.nodes and self.nodes[bus].heeds(frame)

    def frame(self, bus: str, frame: Frame, sender: str) -> None:
        """A frame that is no periodic message has come over a bus."""
        if bus in self.nodes:
            self.nodes[bus].frame(frame, sender)

    def readdress(self, bus: str, stream: Stream) -> None:
        """Let one of its messages come from the address that it has now."""
        node = self.nodes.get(bus)
        if node and stream.frame.extended and node.address != NULL_ADDRESS:
            can_id = readdressed(stream.can_id, node.address)
            if can_id != stream.can_id:
                stream.rename(can_id)

    # -- lamps that others ask for ---------------------------------------------------------------------

    def _heard(self, sender: str, source: int, message: DiagnosticMessage) -> None:
        if message.lamps or source in self._lamps:
            self._lamps[source] = message.lamps
            self._timers.start(f"DM1 {source}", FORGOTTEN_AFTER_S, partial(self._forget, source))
            self._judge(f"DM1 of {sender.partition('.')[0]}", self._host.world.dm1_causes[sender]())

    def _forget(self, source: int) -> None:
        del self._lamps[source]
        self._judge(f"no DM1 from address {source} any more", (self._host.state_event,))

    def _judge(self, why: str, causes: tuple[int | None, ...]) -> None:
        lit, name = self._knowledge.dm1_lamps, self._host.name
        for lamp in LAMPS:
            wanted = any(lamp in one for one in self._lamps.values())
            if wanted is not lit.get(lamp, OFF).value:
                words = f"{name}: {why}, {lamp} lamp {'on' if wanted else 'off'}"
                lit[lamp] = Fact(wanted, self._host.record("DM1", words, causes))
                self._host.invalidate()

    def _causes(self) -> tuple[int | None, ...]:
        """Why the module asks for lamps, or does so no more."""
        return (*self._faults.dtc_events.values(), self._host.state_event)
