"""Frames that are on the wires of a bus when its segment changes."""

from __future__ import annotations

from dataclasses import dataclass

from sim.network.frames import Frame
from sim.network.messages import BusMessage, Flight, LiveBus


@dataclass(slots=True, eq=False)
class LoneAttempt:
    """A frame that its sender has on the wire without a receiver. transmit: error counter at its start."""

    message: BusMessage
    frame: Frame
    version: int
    start_ns: int
    transmit: int


@dataclass(slots=True, eq=False)
class FrameInFlight:
    """A frame on the wires of a bus that is no more, and who was there from its start."""

    bus: LiveBus
    message: BusMessage
    participants: frozenset[str]
    what: Flight | LoneAttempt

    @property
    def flight(self) -> Flight:
        """The frame as one that had receivers."""
        assert isinstance(self.what, Flight)
        return self.what

    def attempt(self, transmit: int = 0) -> LoneAttempt:
        """The frame as one that may have lost them."""
        if isinstance(self.what, LoneAttempt):
            return self.what
        return LoneAttempt(self.message, self.what.frame, self.what.version, self.what.start_ns, transmit)

    def goes_on_in(self, new: LiveBus) -> bool:
        """Does its sender keep a member that was there from its start?"""
        return (
            isinstance(self.what, Flight)
            and self.message.channel in new.members
            and len(self.participants & new.members) > 1
            and self.bus.bitrate_bps == new.bitrate_bps
        )
