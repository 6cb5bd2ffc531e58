"""The single frames that reach one module, and which of its parts take them."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from sim.modules.diagnostics import Diagnostics
from sim.modules.gateway import Gateway
from sim.modules.immobilizer import Authority, Starter
from sim.modules.j1939 import J1939
from sim.modules.world import Host
from sim.network.frames import Frame


class SingleFrames:
    """One module's ear for frames that are no periodic messages."""

    def __init__(
        self,
        host: Host,
        gateway: Gateway | None,
        immobilizer: Sequence[Authority | Starter],
        diagnostics: Diagnostics,
        j1939: J1939,
    ) -> None:
        self._host = host
        self._gateway = gateway
        self._immobilizer = immobilizer
        self._diagnostics = diagnostics
        self._j1939 = j1939

    def listen(self) -> None:
        """Take single frames from every CAN bus of the module from now on."""
        for bus, channel in self._host.channels.items():
            self._host.world.network.listen(
                channel, partial(self._frame, bus, channel), partial(self._heeds, bus)
            )

    def _heeds(self, bus: str, frame: Frame) -> bool:
        """Could any part of the module ever do anything with a frame of this identifier?"""
        for_gateway = self._gateway is not None and self._gateway.heeds(bus, frame)
        wanted = for_gateway or bool(self._immobilizer) or self._diagnostics.heeds(frame)
        return wanted or self._j1939.heeds(bus, frame)

    def _frame(self, bus: str, channel: str, frame: Frame, sender: str, time_s: float) -> None:
        """A frame has arrived."""
        if self._gateway and self._gateway.frame(bus, frame):
            return
        if self._host.state == "running":
            for part in self._immobilizer:
                part.frame(frame)
        self._diagnostics.frame(channel, frame)
        self._j1939.frame(bus, frame, sender)
