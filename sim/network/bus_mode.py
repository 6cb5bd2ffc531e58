"""Bus modes: what each needs of the network, and the one in which nothing is sent.

A healthy bus has no mode: it simply carries one frame after the other. The others are `lone_transmitter`,
`degraded` and `bit_level`.
"""

from __future__ import annotations

from typing import Protocol

from sim.network.calendar import Calendar
from sim.network.delivery import Delivery
from sim.network.frames import Frame
from sim.network.messages import BusMessage, Flight, LiveBus
from sim.wiring.segments import Segment


class Kernel(Protocol):
    """The network as its bus modes see it."""

    calendar: Calendar
    delivery: Delivery

    def level(self, segment: Segment, at_ns: int, names: tuple[str, ...]) -> None:
        """From now on these drive a bus dominant that is simulated bit by bit."""

    def settle(self, bus: LiveBus, now_ns: int) -> None:
        """Choose the mode in which an idle bus is simulated from now on."""

    def forget_ends(self, bus: LiveBus, now_ns: int) -> None:
        """From now on frames of the bus reach some members and not others."""

    def tell(self, channel: str, at_ns: int) -> bool:
        """Notify the channel's handlers if its counters have changed its error state. Have they?"""

    def destroyed(self, message: BusMessage, frame: Frame, at_ns: int) -> None:
        """A frame has been destroyed by an error."""


class NoTraffic:
    """Nothing is sent: bus-off, or a bus that is just being formed."""

    def queued(self, message: BusMessage, now_ns: int) -> None:
        """It waits."""

    def changed(self, message: BusMessage, now_ns: int) -> None:
        """Ignored: this bus is silent."""

    def arrived(self, flight: Flight, now_ns: int) -> None:
        """Not counted."""

    def restart(self, channel: str, now_ns: int) -> None:
        """Nothing is to be broken off."""

    def due(self, now_ns: int, before_ns: int) -> None:
        """Nothing is ever planned."""
