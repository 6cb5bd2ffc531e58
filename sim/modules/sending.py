"""What a module sends: its periodic messages, with its own signals in them.

Not modelled: messages that are sent on change only.
"""

from __future__ import annotations

from collections.abc import Mapping

from sim.modules.gateway import Gateway
from sim.modules.host import Host
from sim.modules.knowledge import Knowledge
from sim.modules.managed_bus import ManagedBus, is_open
from sim.modules.own_signals import OwnSignals
from sim.modules.tester_control import TesterControl
from sim.network.streams import Stream
from sim.vehicle.messages import Sent


class Sending:
    """The messages of one module on its buses. gateway: set if the module is one."""

    def __init__(
        self,
        host: Host,
        knowledge: Knowledge,
        control: TesterControl,
        managed: Mapping[str, ManagedBus],
    ) -> None:
        self.gateway: Gateway | None = None
        self.signals = OwnSignals(host, knowledge)
        self._host = host
        self._knowledge = knowledge
        self._control = control
        self._managed = managed
        self._streams: list[tuple[str, Sent, Stream]] = []  # with the bus

    def connect(self, buses: list[str]) -> None:
        """Find the streams of the module's own messages, once all of them are known."""
        world = self._host.world
        own = world.car.messages.of(self._host.name)
        self._streams = [
            (bus, message, world.streams[message.name, bus])
            for message in own
            for bus in buses
            if (message.name, bus) in world.streams
        ]
        for message in own:
            for stream in world.streams_of.get(message.name, ()):
                stream.causes_of = self.signals.causes

    def sends_on(self, bus: str) -> bool:
        """Does it put its messages on this bus? With network management, in network mode only."""
        return self._host.sends and is_open(self._managed, bus)

    def start(self) -> None:
        """The module comes online: it has no values from before."""
        self._knowledge.values = {}
        self.update()
        self.talk()

    def update(self) -> None:
        """Put new values of its signals into its messages."""
        if not self.signals.update():
            return
        world = self._host.world
        for _, message, stream in self._streams:
            world.network.set_data(stream, world.codec.encode(message, self._knowledge.values))

    def talk(self) -> None:
        """Put its messages on the buses that are open, or none while a tester keeps it silent."""
        network = self._host.world.network
        for bus, _, stream in self._streams:
            if self._control.muted or not self.sends_on(bus):
                network.stop(stream)
            elif not stream.live:
                network.start(stream)
        if self.gateway:
            self.gateway.talk()
