"""The error counters of one CAN controller.

Source: as for `sim.network.controller`.
"""

from __future__ import annotations

from sim.network.interface import ErrorState

# Bosch CAN FD 1.0, section 7, rules 9 and 10.
PASSIVE_FROM = 128
OFF_FROM = 256
# Rule 8 allows 119 to 127; several controllers take 120 (common practice).
RECEIVE_AFTER_PASSIVE = 120
RECEIVE_MOST = 255  # the counter is a byte (common practice); above 127 the value does not matter


class ErrorCounters:
    """The two error counters of one controller. transmit: TEC; receive: REC; off: bus-off."""

    __slots__ = ("off", "receive", "transmit")

    def __init__(self) -> None:
        self.clear()

    def __repr__(self) -> str:
        return f"<TEC {self.transmit} REC {self.receive} {self.state}>"

    def clear(self) -> None:
        """As after a reset, and rule 12: error active with both counters at 0."""
        self.transmit = self.receive = 0
        self.off = False

    @property
    def passive(self) -> bool:
        """Rules 9 and 11."""
        return self.transmit >= PASSIVE_FROM or self.receive >= PASSIVE_FROM

    @property
    def state(self) -> ErrorState:
        """The state in the words of ISO 11898-1."""
        return "bus-off" if self.off else "error passive" if self.passive else "error active"

    @property
    def clean(self) -> bool:
        """Has nothing gone wrong that still counts?"""
        return not (self.transmit or self.receive or self.off)

    def sent(self) -> None:
        """Rule 7: a frame has got through."""
        self.transmit = max(0, self.transmit - 1)

    def received(self) -> None:
        """Rule 8: a frame has been received and acknowledged."""
        if self.receive > PASSIVE_FROM - 1:
            self.receive = RECEIVE_AFTER_PASSIVE
        else:
            self.receive = max(0, self.receive - 1)

    def transmit_error(self) -> None:
        """8 more for a transmitter (rules 3, 4 and 6); rule 10: bus-off from 256."""
        self.transmit += 8
        self.off = self.transmit >= OFF_FROM

    def receive_error(self, step: int) -> None:
        """1 more for a receiver (rule 1), or 8 (rules 2, 5 and 6)."""
        self.receive = min(RECEIVE_MOST, self.receive + step)
